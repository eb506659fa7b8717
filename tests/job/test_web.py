"""Files without positions: what happened to every label, from numbers, times and order alone.

A web is simulated label by label with known faults, so the truth is known; the record may hold
a good label, but it may never commission one that the truth does not call good.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from conftest import Bench, as_seen

import serialkeeper as sk

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
    """A second reading half a label later is the same label; a whole label later it is another
    that carries the same number."""
    rows = as_seen(bench.printed(80, lanes=1))
    for row in rows:
        row["position"] = row["row"] = ""
    rows.insert(5, dict(rows[4], at=rows[4]["at"].replace(".000", ".200")))
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
