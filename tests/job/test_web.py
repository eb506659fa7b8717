"""Files without positions: what happened to every label, from numbers, times and order alone.

A web is simulated label by label with known faults, so the truth is known; the record may hold
a good label, but it may never commission one that the truth does not call good.
"""

from __future__ import annotations

import csv
import random
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from conftest import Bench, as_seen

import serialkeeper as sk
from serialkeeper.rules.rehearsal import KINDS

LANES = 4
ROW = timedelta(milliseconds=300)
START = datetime(2026, 6, 1, 6, tzinfo=UTC)
FAULTS = (
    "unread",
    "missed",
    "double",
    "double_unread",
    "foreign",
    "repeated",
    "swapped",
    "low_grade",
    "misplaced",
)

Row = dict[str, Any]


@dataclass
class Web:
    """A run of the line: what the camera wrote, and the truth by position."""

    readings: list[Row] = field(default_factory=list)
    truth: dict[int, str] = field(default_factory=dict)


def run(rows: list[Row], seed: int, share: float, *, back: bool, mirrored: bool) -> Web:
    """Let a web run past the camera; `share` of its labels have a fault of some kind."""
    chance = random.Random(seed)
    labels = [dict(row, shown=row["seen"], fault="") for row in rows]
    web = Web(truth={int(row["position"]): "commissioned" for row in rows})
    far = []
    for pair in range(4, len(labels) - 9, 2):
        if chance.random() > 2 * share:
            continue
        one, two = labels[pair], labels[pair + 1]
        fault = chance.choice(FAULTS)
        one["fault"] = fault
        if fault in ("unread", "foreign", "low_grade", "repeated", "swapped", "misplaced"):
            web.truth[int(one["position"])] = "rejected"
        if fault == "missed":
            web.truth[int(one["position"])] = "issued"
        if fault == "foreign":
            one["shown"] = one["seen"].replace("21", "21Z", 1)
        if fault in ("repeated", "swapped"):
            two["shown"] = one["seen"]
            web.truth[int(two["position"])] = "rejected"
        if fault == "swapped":
            one["shown"] = two["seen"]
        if fault == "misplaced":
            far.append(one)
    for one, other in zip(far[::2], far[1::2], strict=False):
        # The one stands where the other should; its own place is empty, the other is gone.
        other["shown"], one["fault"], other["fault"] = one["seen"], "gone", ""
    if len(far) % 2:
        far[-1]["fault"] = "unread"
    order = labels[::-1] if back else labels
    if mirrored:
        grid = [order[at : at + LANES] for at in range(0, len(order), LANES)]
        order = [label for row in grid for label in row[::-1]]
    for number, label in enumerate(order):
        at = START + (number // LANES) * ROW + timedelta(milliseconds=chance.randrange(8))
        web.readings += _read(label, at)
    return web


def _read(label: Row, at: datetime) -> list[Row]:
    fault = label["fault"]
    if fault in ("missed", "gone"):
        return []
    reading = {
        "position": label["position"],
        "lane": label["lane"],
        "at": at,
        "seen": "" if fault == "unread" else label["shown"],
        "grade": "1.0" if fault == "low_grade" else "3.5",
        "verdict": "",
    }
    if fault == "double":
        return [reading, dict(reading, at=at + timedelta(milliseconds=9))]
    if fault == "double_unread":
        return [reading, dict(reading, at=at + timedelta(milliseconds=9), seen="")]
    return [reading]


def told(web: Web, *what: str) -> list[Row]:
    """The readings with only these fields besides what was seen."""
    kept = {"seen", "grade", "verdict", *what}
    rows = [{name: row[name] for name in row if name in kept} for row in web.readings]
    for row in rows:
        if "at" in row:
            row["at"] = row["at"].isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return rows


TELLS = {
    "positions": ("position", "at"),
    "times and lanes": ("at", "lane"),
    "times": ("at",),
    "lanes": ("lane",),
    "order only": (),
}


@pytest.mark.parametrize("tells", TELLS)
@pytest.mark.parametrize("way", ["forward", "reversed", "mirrored"])
def test_no_bad_label_is_commissioned_whatever_the_camera_tells(
    bench: Bench, tells: str, way: str
) -> None:
    """2,000 labels with 4 % faults: bad is never called good; what differs from the truth is
    held, or marked as not told apart or as told by count."""
    rows = as_seen(bench.printed(2_000))
    web = run(rows, seed=5, share=0.04, back=way == "reversed", mirrored=way == "mirrored")
    taken = sk.inspect.take(bench.record, bench.lot, bench.results(told(web, *TELLS[tells])))
    marked = 0
    for label in bench.labels():
        position, state = label["position"], label["state"]
        truth = web.truth[position]
        if state == truth:
            continue
        assert state != "commissioned", (position, truth, label)
        if truth == "commissioned":
            assert state == "rejected"
            continue  # held though good
        assert label["evidence"] == "count" or label["ambiguous_with"], (truth, label)
        marked += 1
    assert marked <= 40
    good = sum(state == "commissioned" for state in web.truth.values())
    assert taken["states"]["commissioned"] >= good - 60
    kinds = {note["kind"] for note in taken["notes"]}
    if tells != "positions" and way != "forward":
        assert (
            "reversed" in kinds
            if way == "reversed"
            else kinds & {"mirrored", "lane_elsewhere"} or ("lane" in TELLS[tells])
        )


def test_a_gap_with_too_few_readings_is_named_not_guessed(bench: Bench) -> None:
    """Two labels, one unread reading between their neighbours: both are named together."""
    rows = [{"seen": row["seen"]} for row in as_seen(bench.printed(20))]
    rows[4]["seen"] = ""
    del rows[5]
    taken = sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert taken["ambiguous"] == 2
    assert bench.findings() == {5: "not_told_apart", 6: "not_told_apart"}
    five = bench.labels()[4]
    assert (five["ambiguous_with"], five["state"]) == ([6], "issued")
    assert five["detail"] == "1 of these 2 labels was not seen"
    assert sk.record.verify(bench.record)["sound"]


def test_times_tell_what_the_count_cannot(bench: Bench) -> None:
    """The same gap in one lane: the time of the unread reading names its label."""
    rows = as_seen(bench.printed(80, lanes=1))
    for row in rows:
        row["position"] = row["row"] = ""
    rows[4]["seen"] = ""
    del rows[5]
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings() == {5: "unreadable", 6: "not_seen"}
    assert bench.labels()[4]["evidence"] == "time"


def test_a_number_read_twice_is_one_label_only_where_time_proves_it(bench: Bench) -> None:
    """A second reading shortly after is the same label; most of a label later it is another
    that carries the same number."""
    rows = as_seen(bench.printed(80, lanes=1))
    for row in rows:
        row["position"] = row["row"] = ""
    rows.insert(5, dict(rows[4], at=rows[4]["at"].replace(".000", ".100")))
    rows.insert(41, dict(rows[40], at=rows[40]["at"].replace(".000", ".800")))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings() == {40: "read_twice"}


def test_a_file_of_another_lot_is_refused(bench: Bench) -> None:
    """Without positions and without one number of the lot, nothing says what was read."""
    bench.printed(20)
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.take(bench.record, bench.lot, bench.results([{"seen": ""}, {"seen": "abc"}]))
    assert refused.value.word == "results_unplaced"


def test_a_clock_that_goes_back_is_refused_where_order_is_evidence(bench: Bench) -> None:
    """Without positions the order counts, so a file whose times go back is refused with the
    line; nothing changes."""
    rows = as_seen(bench.printed(20, lanes=1))
    for row in rows:
        row["position"] = row["row"] = ""
    rows[9]["at"] = "2026-06-01T08:00:00.000Z"
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert refused.value.word == "results_clock"
    assert "line 11" in refused.value.where
    assert set(bench.states()) == {"issued"}


def test_a_slipped_counter_is_one_matter_for_the_whole(bench: Bench) -> None:
    """From row 6 on the counter is four labels ahead: all labels are good, one note says so."""
    rows = as_seen(bench.printed(200))
    for row in rows[20:]:
        row["position"], row["row"], row["lane"] = int(row["position"]) + 4, "", ""
    taken = sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert set(bench.states()) == {"commissioned"}
    assert [note["kind"] for note in taken["notes"]] == ["slipped"]


def test_a_block_out_of_place_is_held_whole(bench: Bench) -> None:
    """Rows 11 to 15 were spliced in behind row 40: they are held, the web around them is good."""
    rows = [{"seen": row["seen"]} for row in as_seen(bench.printed(400))]
    rows[40:160] = rows[60:160] + rows[40:60]
    taken = sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert set(bench.findings()) == set(range(41, 61))
    assert set(bench.findings().values()) == {"out_of_place"}
    [note] = taken["notes"]
    assert (note["kind"], note["first"], note["last"]) == ("block_out_of_place", 41, 60)


def test_a_slip_does_not_hide_what_is_wrong_with_a_label(bench: Bench) -> None:
    """Where the counter is four ahead, a low grade, a bad verdict and a wrong text still count."""
    rows = as_seen(bench.printed(200))
    for row in rows[20:]:
        row["position"], row["row"], row["lane"] = int(row["position"]) + 4, "", ""
    rows[50]["grade"], rows[60]["verdict"], rows[70]["text"] = "1.0", "fail", "21X"
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings() == {51: "low_grade", 61: "failed_by_camera", 71: "text_mismatch"}


def test_a_text_is_held_against_its_own_code(bench: Bench) -> None:
    """Two labels that changed places carry their own right texts: they are out of place only."""
    rows = as_seen(bench.printed(20))
    with bench.folder.joinpath("job1.csv").open(newline="") as file:
        texts = ["|".join(row[f"hri{n}"] for n in range(1, 5)) for row in csv.DictReader(file)]
    for row, text in zip(rows, texts, strict=True):
        row["text"] = text
    for name in ("seen", "text"):
        rows[4][name], rows[11][name] = rows[11][name], rows[4][name]
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings() == {5: "out_of_place", 12: "out_of_place"}


def test_a_label_that_comes_a_place_early_is_not_in_its_place(bench: Bench) -> None:
    """One lane, label 40 gone and 41 stuck in its place: by order 40 is missed and 41 is good;
    the time says that 41 was not seen where it belongs."""
    rows = as_seen(bench.printed(80, lanes=1))
    for row in rows:
        row["position"] = row["row"] = ""
    rows[40]["at"] = rows[39]["at"]
    del rows[39]
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings() == {40: "other_number", 41: "out_of_place"}


def test_a_number_that_two_rolls_carry_is_good_on_neither(bench: Bench) -> None:
    """The first label of the second roll repeats the last number of the first: the label that
    was commissioned is pulled, and the place that repeats it is rejected."""
    rows = [{"seen": row["seen"]} for row in as_seen(bench.printed(200))]
    rows[100]["seen"] = rows[99]["seen"]
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[:100]))
    assert bench.states()[99] == "commissioned"
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[100:]))
    assert bench.findings() == {100: "read_twice", 101: "other_number"}
    assert {row["state"] for row in bench.labels() if row["finding"]} == {"rejected"}


def test_two_first_passes_over_the_same_labels_are_refused(bench: Bench) -> None:
    """A second file that reads two rows again claims labels that were inspected."""
    rows = [{"seen": row["seen"]} for row in as_seen(bench.printed(200))]
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[:100]))
    heads = bench.heads()
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.take(bench.record, bench.lot, bench.results(rows[92:]))
    assert refused.value.word == "results_claimed"
    assert bench.heads() == heads


@pytest.mark.parametrize("tells", ["positions,lanes,times", "lanes,times", ""])
@pytest.mark.parametrize("files", ["one", "two rolls", "a file per lane"])
def test_a_rehearsal_with_every_fault_ends_as_its_truth_says(
    bench: Bench, tells: str, files: str
) -> None:
    """Every kind of fault on one web: nothing bad is called good, nothing differs silently."""
    if files == "a file per lane" and not tells:
        tells = "lanes"
    bench.printed(4_000)
    out, truth = bench.folder / "results.csv", bench.folder / "truth.csv"
    made = sk.inspect.rehearse(
        bench.record,
        bench.lot,
        out=out,
        truth=truth,
        seed=4,
        faults=["mixed=0.03"],
        tells=[word for word in tells.split(",") if word],
        rolls=2 if files == "two rolls" else 1,
        back=[2] if files == "two rolls" else [],
        lane_files=files == "a file per lane",
    )
    assert set(made["faults"]) == set(KINDS)
    for file in made["files"]:
        sk.inspect.take(bench.record, bench.lot, Path(file["file"]))
    with truth.open(newline="") as file:
        told = {int(row["position"]): row for row in csv.DictReader(file)}
    differs = 0
    for label in bench.labels():
        row = told[label["position"]]
        if label["state"] == row["outcome"]:
            continue
        assert label["state"] != "commissioned", (label, row)
        held = row["outcome"] == "commissioned" and label["state"] == "rejected"
        assert held or label["ambiguous_with"] or label["evidence"] == "count", (label, row)
        differs += 1
    assert differs <= 60
    assert sk.record.verify(bench.record)["sound"]


def test_a_fault_goes_where_it_is_wanted(bench: Bench) -> None:
    """`FAULT@POSITION` plants one fault; a place that is none is refused."""
    bench.printed(400)
    out, truth = bench.folder / "results.csv", bench.folder / "truth.csv"
    faults = ["unreadable@17", "stutter@101", "displaced@200"]
    sk.inspect.rehearse(bench.record, bench.lot, out=out, truth=truth, seed=1, faults=faults)
    with truth.open(newline="") as file:
        there = {int(row["position"]): row["fault"] for row in csv.DictReader(file) if row["fault"]}
    assert {there.pop(17), there.pop(200), there.pop(400)} == {"unreadable", "displaced"}
    assert there == dict.fromkeys(range(101, 105), "stutter")
    for wrong in ("unreadable@401", "unreadable@x", "nothing=0.1", "unreadable=-1"):
        with pytest.raises(sk.Refused) as refused:
            sk.inspect.rehearse(
                bench.record, bench.lot, out=out, truth=truth, seed=1, faults=[wrong]
            )
        assert refused.value.word == "bad_value"


def printed_twice(rows: list[Row], index: int) -> list[Row]:
    """The rows with one label that was printed once more, right behind itself."""
    return [*rows[: index + 1], *rows[index:]]


@pytest.mark.parametrize(
    ("tells", "row_times", "grain"),
    [
        ("position", [1_000] * 200, 0),
        ("position,at", [1_000] * 120 + [400] * 80, 1),
        ("at", [800] * 200, 1_000),
        ("at", [1_000] * 150 + [400] * 50, 1),
    ],
    ids=["counter without times", "counter, twice as fast", "whole seconds", "fast at the end"],
)
@pytest.mark.parametrize("index", [100, 155, 185])
def test_a_label_that_was_printed_twice_is_never_good(
    bench: Bench, tells: str, row_times: list[int], grain: int, index: int
) -> None:
    """A counter that ran on, times that are too coarse, or a web that runs faster there: the
    number that stands on two labels is held."""
    rows = printed_twice(as_seen(bench.printed(200, lanes=1)), index)
    moment = 0
    made = []
    for number, (row, apart) in enumerate(zip(rows, [*row_times, row_times[-1]], strict=True), 1):
        told: Row = {"seen": row["seen"]}
        if "position" in tells:
            told["position"] = number
        if grain:
            at = START + timedelta(milliseconds=moment // grain * grain)
            told["at"] = at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        moment += apart
        made.append(told)
    sk.inspect.take(bench.record, bench.lot, bench.results(made))
    assert bench.states()[index] == "rejected"


def test_a_code_between_labels_is_an_alarm(bench: Bench) -> None:
    """A label of another lot stands between two good ones: no place is its own, so it alarms."""
    rows = [{"seen": row["seen"]} for row in as_seen(bench.printed(100, lanes=1))]
    other = rows[50]["seen"].replace("LOT24A", "LOT24B")
    rows.insert(50, {"seen": other.replace(bench.labels()[50]["serial"], "ZY3456789ABC")})
    taken = sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert "extra_code" in {alarm["kind"] for alarm in taken["alarms"]}


def test_a_label_that_was_taken_off_is_not_made_good_by_a_file(bench: Bench) -> None:
    """Not seen, cut off, and then a late file with its number: it is held."""
    rows = [{"seen": row["seen"]} for row in as_seen(bench.printed(100, lanes=1))]
    sk.inspect.take(bench.record, bench.lot, bench.results([*rows[:13], *rows[14:]]))
    sk.roll.add(bench.record, bench.lot, rows="1-100")
    sk.roll.removed(bench.record, bench.lot, 1, position=[14], scan=rows[12]["seen"])
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[13:14]))
    assert bench.states()[13] == "rejected"
