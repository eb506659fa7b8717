"""Rolls: from the printed web to a released finished roll, read again in between.

The web that is read again is simulated label by label, so what really stands on it is known.
"""

from __future__ import annotations

import csv
import json
import math
import random
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from conftest import Bench, Original, as_seen
from databases import Databases
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import html

import serialkeeper as sk
from schemas import valid

Row = dict[str, Any]
PITCH = timedelta(milliseconds=100)
START = datetime(2026, 6, 2, 6, tzinfo=UTC)


@dataclass
class Strip:
    """What really stands on a roll, first row first, and what a camera makes of it.

    Each place holds a row of a print file, or None where the liner is empty.
    """

    labels: list[Row | None]
    unread: set[int] = field(default_factory=set)
    missed: set[int] = field(default_factory=set)

    def read(self, *, back: bool = False, times: bool = True) -> list[Row]:
        """The readings of one pass, without positions; the web runs now faster, now slower."""
        rows = []
        at = START
        order = self.labels[::-1] if back else self.labels
        for number, label in enumerate(order):
            at += PITCH * (1 + 0.2 * math.sin(number / 12))
            position = int(label["position"]) if label else 0
            if not label or position in self.missed:
                continue
            rows.append(
                {
                    "at": at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
                    if times
                    else "",
                    "seen": "" if position in self.unread else label["seen"],
                    "grade": "3.5",
                    "verdict": "",
                }
            )
        return rows


def lane(rows: list[Row], number: int) -> list[Row]:
    """The labels of one lane, first row first."""
    return [row for row in rows if row["lane"] == str(number)]


def without(rows: list[Row], *positions: int) -> list[Row]:
    """The web after these labels were cut out of it and its ends spliced."""
    return [row for row in rows if int(row["position"]) not in positions]


def first_pass(bench: Bench, rows: list[Row], *unread: int) -> dict[str, Any]:
    """Take in the first pass; some labels could not be read."""
    seen = [dict(row, seen="") if int(row["position"]) in unread else row for row in rows]
    return sk.inspect.take(bench.record, bench.lot, bench.results(seen))


def again(bench: Bench, rows: list[Row], roll: int) -> dict[str, Any]:
    """Take in a further pass over a roll."""
    result: dict[str, Any] = sk.inspect.take(
        bench.record, bench.lot, bench.results(rows), again_roll=roll
    )
    return result


def explain(bench: Bench) -> None:
    """Acknowledge every open alarm."""
    there = [one["id"] for one in sk.alarm.list(bench.record, bench.lot) if one["state"] == "open"]
    words = {"cause": "looked at", "restart_check": "ran well"}
    sk.alarm.acknowledge(bench.record, bench.lot, there, **words)


def refused(word: str, call: Any, *words: Any, **more: Any) -> sk.Refused:
    """The refusal of a call, which has to have this word."""
    with pytest.raises(sk.Refused) as error:
        call(*words, **more)
    assert error.value.word == word, error.value
    return error.value


@pytest.fixture
def web(bench: Bench) -> list[Row]:
    """A lot of 160 labels in 4 lanes, as its labels are printed."""
    return as_seen(bench.printed(160))


def test_the_story_of_a_lot_from_the_web_to_a_released_roll(bench: Bench, web: list[Row]) -> None:
    """Print, first pass, slit, take off, replace, read again backwards, release: the ticket says
    what left the roll and how that is known, and the journal's head."""
    record, lot = bench.record, bench.lot
    first_pass(bench, web, 42, 90, 150)  # all of lane 2
    parent = sk.roll.add(record, lot)
    assert (parent["rows"], parent["wound"], parent["labels"]) == ([1, 40], "forward", 160)
    rolls = sk.roll.slit(record, lot, 1)["rolls"]
    assert [(r["roll"], r["lane"], r["wound"]) for r in rolls] == [
        (number + 1, number, "reversed") for number in (1, 2, 3, 4)
    ]
    error = refused("roll_open_points", sk.roll.release, record, lot, 3, reason="done")
    assert "position 42" in error.came and len(error.more) == 2
    sk.label.void(record, lot, "42,90,150", reason="waste")
    by_place = {int(row["position"]): row for row in web}
    sk.roll.removed(record, lot, 3, position=[42], scan=by_place[46]["seen"])
    sk.roll.removed(record, lot, 3, position=[90], scan=by_place[86]["seen"])
    sk.label.replace(record, lot, 42, 158, reason="a spare from the end of the roll")
    strip = Strip([*without(lane(web, 2), 90, 150, 158)])
    strip.labels[strip.labels.index(by_place[42])] = by_place[158]
    taken = again(bench, strip.read(back=True), 3)
    assert taken["again"] == {
        "confirmed": 37,
        "pulled": 0,
        "rejected": 0,
        "found_again": 0,
        "not_seen": 0,
        "absent": 3,
        "still_there": 0,
        "not_proven": 0,
        "strange": 0,
        "surplus": 0,
        "placed": 37,
        "standing": 38,
    }
    assert (taken["findings"], taken["alarms"]) == ({}, [])
    assert [note["kind"] for note in taken["notes"]] == ["reversed"]  # as it is wound
    assert sk.roll.count(record, lot, 3, 37)["difference"] == 0
    sk.roll.mark(record, lot, 3, "splice", row=23, reason="cut-out of label 90")
    out = bench.folder / "roll3.json"
    ticket = sk.roll.release(record, lot, 3, reason="all gone", second="Second Person", out=out)
    assert valid("roll-ticket", json.loads(out.read_text())) == ticket
    assert [(n["position"], bool(n["removed"]), n["absent"]) for n in ticket["numbers"]] == [
        (42, True, "replaced"),
        (90, True, "time"),
        (150, False, "time"),
    ]
    assert (ticket["printed"], ticket["on_roll"]) == (40, 37)
    assert [(r["bad"], r["spare"]) for r in ticket["replacements"]] == [(42, 158)]
    assert ticket["head"] == bench.heads()[f"09521234543213/{lot}"]["head"]
    text = out.with_suffix(".txt").read_text()
    assert ticket["head"] in text and "PRACTICE" in text and "not a validated system" in text
    refused("roll_state", sk.roll.turn, record, lot, 3, reason="late")
    refused("roll_state", sk.roll.removed, record, lot, 3, position=[94], scan="x")
    sk.roll.show(record, lot, 3, out=bench.folder / "again.json")
    assert (bench.folder / "again.json").read_bytes() == out.read_bytes()
    shown = sk.label.show(record, lot, position=42)
    assert (shown["replaced_by"], shown["taken_off"][0]["neighbour"]) == (158, 46)
    assert sk.label.show(record, lot, position=158)["replaces"] == 42
    sk.lot.report(record, lot, out=bench.folder / "report.html")
    rows = [
        [cell.text_content() for cell in row.iter("td")]
        for row in html.parse(bench.folder / "report.html").getroot().iter("tr")
    ]
    assert ["voided", "waste", "proven absent by a further pass", "3"] in rows
    assert [row[:3] for row in rows if row[5:] == ["a spare from the end of the roll"]] == [
        ["42", "158", "3"]
    ]
    (told,) = (row[-1] for row in rows if row[:1] == ["3"] and "job 1, rows 1 to 40" in row[2:3][0])
    signed = (
        "Line Lead (line lead): done (practice); Second Person (compliance): approved (practice)"
    )
    assert told.startswith(f"released: {signed}; signed ")
    left = {row[0]: row[-1] for row in rows if row[3:5] == ["voided", "waste"]}
    assert set(left) == {"42", "90", "150"}
    assert "proven absent by take 2 (time); cut out of roll 3" in left["90"]
    assert left["42"].endswith("replaced by position 158") and "cut" not in left["150"]


def test_a_label_is_taken_off_only_beside_a_neighbour_that_was_scanned(
    bench: Bench, web: list[Row]
) -> None:
    """A far label, one of another lane, the label itself and one that is no label of the lot
    vouch for nothing; a good label is not taken off at all, and none twice."""
    record, lot = bench.record, bench.lot
    first_pass(bench, web, 42)
    sk.roll.add(record, lot)
    codes = {int(row["position"]): row["seen"] for row in web}
    nobody = "(01)09521234543213(21)NOBODY(17)280630(10)LOT24A"
    for scan in (codes[42 + 24], codes[43], codes[42], nobody, "xyz", ""):
        refused("scan_elsewhere", sk.roll.removed, record, lot, 1, position=[42], scan=scan)
    refused("move_not_allowed", sk.roll.removed, record, lot, 1, position=[41], scan=codes[45])
    refused("label_unknown", sk.roll.removed, record, lot, 1, position=[161], scan=codes[45])
    sk.roll.removed(record, lot, 1, position=[42], scan=codes[38])
    refused("move_not_allowed", sk.roll.removed, record, lot, 1, position=[42], scan=codes[38])
    refused("move_not_allowed", sk.label.accept, record, lot, 42, reason="r", scan=codes[42])
    refused("move_not_allowed", sk.label.replace, record, lot, 41, 160, reason="r")
    refused("move_not_allowed", sk.label.replace, record, lot, 42, 42, reason="r")
    sk.label.replace(record, lot, 42, 160, reason="r")
    refused("move_not_allowed", sk.label.replace, record, lot, 42, 159, reason="r")
    assert sk.record.verify(record)["sound"]


def test_rows_stand_on_one_roll_only(bench: Bench, web: list[Row]) -> None:
    """Rows of another roll, rows that are not there, and a second slitting are refused."""
    record, lot = bench.record, bench.lot
    assert len(web) == 160
    sk.roll.add(record, lot, rows="11-20")
    assert sk.roll.add(record, lot)["rows"] == [1, 10]
    for rows in ("20-30", "1-40", "30-41", "0-3"):
        refused("roll_rows", sk.roll.add, record, lot, rows=rows)
    assert sk.roll.add(record, lot)["rows"] == [21, 40]
    refused("roll_rows", sk.roll.add, record, lot)
    refused("bad_value", sk.roll.add, record, lot, rows="all")
    refused("bad_value", sk.roll.add, record, lot, wound="up")
    refused("job_unknown", sk.roll.add, record, lot, job=2)
    sk.roll.slit(record, lot, 1)
    refused("roll_state", sk.roll.slit, record, lot, 1)
    refused("roll_state", sk.roll.slit, record, lot, 4)
    refused("roll_unknown", sk.roll.show, record, lot, 9)
    assert sk.roll.turn(record, lot, 2, reason="rewound")["wound"] == "reversed"
    refused("bad_value", sk.roll.mark, record, lot, 2, "blank", row=5, reason="r")
    refused("bad_value", sk.roll.mark, record, lot, 2, "splice", row=11, reason="r")
    sk.roll.mark(record, lot, 2, "blank", row=5, labels=3, reason="start of the reel")
    counted = sk.roll.count(record, lot, 2, 40)
    assert (counted["expected"], counted["difference"], counted["blanks"]) == (43, -3, 3)
    assert len(sk.roll.list(record, lot)) == 7
    assert sk.record.verify(record)["sound"]


GAPS = {
    "cut out, times": ("cut", True, "absent", "time"),
    "cut out, order only": ("cut", False, "absent", "order"),
    "still there and unread, times": ("unread", True, "not_proven", ""),
    "still there and unread, order": ("unread", False, "not_proven", ""),
    "still there and missed, times": ("missed", True, "not_proven", ""),
    "still there and readable": ("there", True, "still_there", "read"),
}


@pytest.mark.parametrize("gap", GAPS)
@pytest.mark.parametrize("back", [False, True], ids=["forward", "backward"])
def test_absence_is_proven_only_where_neighbours_are_adjacent(
    bench: Bench, gap: str, back: bool
) -> None:
    """A voided label: cut out it is proven absent; unread, or missed where there is room for it,
    it is not; read, it is an alarm and a finding."""
    how, times, word, evidence = GAPS[gap]
    rows = as_seen(bench.printed(60, lanes=1))
    first_pass(bench, rows, 30)
    sk.label.void(bench.record, bench.lot, "30", reason="waste")
    sk.roll.add(bench.record, bench.lot)
    strip = Strip(
        [*(without(rows, 30) if how == "cut" else rows)],
        unread={30} if how == "unread" else set(),
        missed={30} if how == "missed" else set(),
    )
    taken = again(bench, strip.read(back=back, times=times), 1)
    [proof] = sk.roll.show(bench.record, bench.lot, 1)["proofs"]
    assert (proof["presence"], proof["evidence"] or "") == (word, evidence), proof
    assert taken["again"]["confirmed"] == 59
    kinds = [alarm["kind"] for alarm in taken["alarms"]]
    if word == "still_there":
        assert kinds == ["still_there"] and taken["findings"] == {"voided_number": 1}
    else:
        assert kinds == [] and taken["findings"] == {}
    released = word == "absent"
    if released:
        assert sk.roll.release(bench.record, bench.lot, 1, reason="r")["on_roll"] == 59
    else:
        refused("roll_open_points", sk.roll.release, bench.record, bench.lot, 1, reason="r")
    assert sk.record.verify(bench.record)["sound"]


def test_a_peeled_label_leaves_room_and_is_not_proven_absent(bench: Bench) -> None:
    """Its place on the liner is empty: nothing was read there, but a label that was missed would
    look the same; what settles it is the scan beside it."""
    rows = as_seen(bench.printed(60, lanes=1))
    first_pass(bench, rows, 30)
    sk.label.void(bench.record, bench.lot, "30", reason="waste")
    sk.roll.add(bench.record, bench.lot)
    peeled: list[Row | None] = [*rows]
    peeled[29] = None
    assert again(bench, Strip(peeled).read(), 1)["again"]["not_proven"] == 1
    [proof] = sk.roll.show(bench.record, bench.lot, 1)["proofs"]
    assert proof["detail"] == "there is room for a label between labels 29 and 31"
    sk.roll.removed(bench.record, bench.lot, 1, position=[30], scan=rows[30]["seen"])
    assert sk.roll.release(bench.record, bench.lot, 1, reason="r")["on_roll"] == 59


def test_a_recorded_removal_does_not_hide_a_label_that_is_still_there(bench: Bench) -> None:
    """Said to be taken off, and an unread label stands there all the same: no proof; read there
    once more, the removal no longer counts and the roll is held again."""
    rows = as_seen(bench.printed(60, lanes=1))
    first_pass(bench, rows, 30)
    sk.label.void(bench.record, bench.lot, "30", reason="waste")
    sk.roll.add(bench.record, bench.lot)
    sk.roll.removed(bench.record, bench.lot, 1, position=[30], scan=rows[30]["seen"])
    taken = again(bench, Strip([*rows], unread={30}).read(times=False), 1)
    assert (taken["again"]["absent"], taken["again"]["not_proven"]) == (0, 1)
    taken = again(bench, Strip([*rows]).read(), 1)
    assert taken["again"]["still_there"] == 1
    refused("roll_open_points", sk.roll.release, bench.record, bench.lot, 1, reason="r")
    sk.roll.removed(bench.record, bench.lot, 1, position=[30], scan=rows[30]["seen"])
    sk.label.settle(bench.record, bench.lot, "30", reason="cut out now")
    error = refused("roll_open_points", sk.roll.release, bench.record, bench.lot, 1, reason="r")
    assert error.came == "alarm 1 concerns its labels and is open: alarm acknowledge"
    explain(bench)
    assert sk.roll.release(bench.record, bench.lot, 1, reason="r")["on_roll"] == 59


@pytest.mark.parametrize("counted", [True, False], ids=["counter runs on", "counter skips"])
def test_a_camera_that_counts_places_proves_by_its_count(bench: Bench, counted: bool) -> None:
    """Without times, a counter that runs on over the cut proves the label gone; one that skips its
    place saw something there, or nothing: no proof."""
    rows = as_seen(bench.printed(60, lanes=1))
    first_pass(bench, rows, 30)
    sk.label.void(bench.record, bench.lot, "30", reason="waste")
    sk.roll.add(bench.record, bench.lot)
    left = [{"position": r["position"], "seen": r["seen"]} for r in without(rows, 30)]
    for number, row in enumerate(left, 1):
        row["position"] = number if counted else row["position"]
    taken = again(bench, left, 1)
    [proof] = sk.roll.show(bench.record, bench.lot, 1)["proofs"]
    wanted = ("absent", "position") if counted else ("not_proven", None)
    assert (proof["presence"], proof["evidence"]) == wanted
    assert taken["again"]["confirmed"] == 59


def test_order_alone_proves_nothing_for_a_camera_that_misses_labels(bench: Bench) -> None:
    """Without times, one good label that was missed elsewhere takes the proof away: the camera
    may have missed the bad one as well."""
    rows = as_seen(bench.printed(60, lanes=1))
    first_pass(bench, rows, 30)
    sk.label.void(bench.record, bench.lot, "30", reason="waste")
    sk.roll.add(bench.record, bench.lot)
    taken = again(bench, Strip([*rows], missed={30, 50}).read(times=False), 1)
    assert taken["again"]["not_proven"] == 1 and taken["findings"] == {"not_seen": 1}
    [proof] = sk.roll.show(bench.record, bench.lot, 1)["proofs"]
    assert "that the pass missed: 1," in proof["detail"]
    assert bench.states()[49] == "commissioned"
    refused("roll_open_points", sk.roll.release, bench.record, bench.lot, 1, reason="r")
    better = Strip(without(rows, 30)).read(times=False)
    assert again(bench, better, 1)["again"]["absent"] == 1
    assert sk.roll.release(bench.record, bench.lot, 1, reason="r")["on_roll"] == 59


def test_what_was_not_told_apart_is_found_again_or_named(bench: Bench) -> None:
    """Of two labels of which one was seen, the further pass reads one and shows the other to be
    gone: the first may be accepted by a person, neither is commissioned by the pass."""
    rows = as_seen(bench.printed(40, lanes=1))
    told = [{"seen": "" if row["position"] == "20" else row["seen"]} for row in rows]
    del told[20]  # of 20 and 21 one was read, unreadable
    sk.inspect.take(bench.record, bench.lot, bench.results(told))
    assert bench.findings() == {20: "not_told_apart", 21: "not_told_apart"}
    sk.roll.add(bench.record, bench.lot)
    taken = again(bench, Strip(without(rows, 21)).read(), 1)
    assert (taken["again"]["found_again"], taken["again"]["absent"]) == (1, 1)
    states = bench.states()
    assert (states[19], states[20]) == ("issued", "issued")
    assert bench.findings() == {20: "found_again", 21: "not_seen"}
    refused("roll_open_points", sk.roll.release, bench.record, bench.lot, 1, reason="r")
    sk.label.accept(bench.record, bench.lot, 20, reason="read again", second="Second Person")
    sk.label.void(bench.record, bench.lot, "21", reason="not found")
    explain(bench)
    assert sk.roll.release(bench.record, bench.lot, 1, reason="r")["states"] == {
        "commissioned": 39,
        "voided": 1,
    }


def test_a_good_label_that_reads_bad_is_pulled_and_one_that_is_gone_is_an_alarm(
    bench: Bench,
) -> None:
    """The further pass may take a label's goodness away, and tells of a good one that somebody
    cut out; found by a fresh scan, it stays good."""
    rows = as_seen(bench.printed(40, lanes=1))
    where = bench.record, bench.lot, 1
    first_pass(bench, rows)
    sk.roll.add(bench.record, bench.lot)
    read = Strip(without(rows, 21), unread={10}).read()
    taken = again(bench, read, 1)
    assert (taken["again"]["pulled"], taken["again"]["absent"]) == (1, 1)
    assert taken["findings"] == {"not_seen": 1, "unreadable": 1}
    assert [alarm["kind"] for alarm in taken["alarms"]] == ["good_gone"]
    out = bench.folder / "events.jsonld"
    sk.events.write(bench.record, bench.lot, form="json", out=out)
    events = json.loads(out.read_text())["epcisBody"]["eventList"]
    told = [(event["action"], event["disposition"], len(event["epcList"])) for event in events]
    assert told == [("ADD", "active", 40), ("OBSERVE", "non_conformant", 1)]
    states = bench.states()
    assert (states[9], states[20]) == ("rejected", "commissioned")
    error = refused("roll_open_points", sk.roll.release, bench.record, bench.lot, 1, reason="r")
    assert "not on the roll" in str(error)
    assert again(bench, read, 1)["already_taken"]
    seen_after_all = Strip([*rows]).read()
    taken = again(bench, seen_after_all, 1)
    assert (taken["again"]["confirmed"], taken["again"]["still_there"]) == (39, 1)
    proofs = {p["position"]: p["presence"] for p in sk.roll.show(*where)["proofs"] if p["take"] > 2}
    assert proofs == {10: "still_there", 21: "there"}
    assert bench.labels()[20]["state"] == "commissioned"
    sk.label.accept(bench.record, bench.lot, 10, reason="scanned by hand", scan=rows[9]["seen"])
    explain(bench)
    assert sk.roll.release(bench.record, bench.lot, 1, reason="r")["on_roll"] == 40


def test_repeats_count_within_a_pass_only(bench: Bench) -> None:
    """That every number was read in the first pass makes no repeat of it; twice within the further
    pass does, and a number of another roll is out of place."""
    rows = as_seen(bench.printed(80, lanes=2))
    first_pass(bench, rows)
    sk.roll.add(bench.record, bench.lot)
    sk.roll.slit(bench.record, bench.lot, 1)
    mine = lane(rows, 1)
    mine.insert(36, dict(mine[0], seen=""))  # an unread label that belongs nowhere
    mine[30] = mine[4]
    mine[20] = lane(rows, 2)[20]
    taken = again(bench, Strip([*mine]).read(), 2)
    assert taken["findings"]["read_twice"] == 1
    assert (taken["again"]["strange"], taken["again"]["surplus"]) == (1, 1)
    assert {"kind": "surplus", "labels": 2} in taken["notes"]
    found = bench.findings()
    assert (found[9], found[42]) == ("read_twice", "out_of_place")
    assert bench.states()[8] == "rejected"


def test_a_file_of_another_roll_is_refused(bench: Bench, web: list[Row]) -> None:
    """Lane 2 given as lane 1, the first pass given as a further one, a roll that no first pass
    was taken of, and a slit roll: nothing changes."""
    record, lot = bench.record, bench.lot
    sk.roll.add(record, lot)
    read = Strip([*lane(web, 2)]).read()
    refused("roll_not_inspected", again, bench, read, 1)
    path = bench.results(web)
    sk.inspect.take(record, lot, path)
    sk.roll.slit(record, lot, 1)
    before = bench.heads()
    refused("results_unplaced", again, bench, read, 2)
    placed = [dict(row, position=row["position"]) for row in web]
    refused("roll_mistaken", again, bench, [dict(r, grade="3.4") for r in placed], 2)
    refused("results_claimed", sk.inspect.take, record, lot, path, again_roll=2)
    refused("roll_state", again, bench, read, 1)
    refused("roll_unknown", again, bench, read, 7)
    assert bench.heads() == before
    name = bench.results(read)
    sk.inspect.take(record, lot, name, again_roll=3)
    refused("results_claimed", sk.inspect.take, record, lot, name)


def test_with_positions_a_spare_is_expected_in_the_bad_labels_place(
    bench: Bench, web: list[Row]
) -> None:
    """A camera that gives positions counts the place, not the number: the spare reads good there,
    and its own place is empty."""
    record, lot = bench.record, bench.lot
    first_pass(bench, web, 42)
    sk.label.void(record, lot, "42", reason="waste")
    sk.roll.add(record, lot)
    sk.roll.removed(record, lot, 1, position=[42], scan=web[45]["seen"])
    sk.label.replace(record, lot, 42, 160, reason="spare")
    seen = [dict(row, grade="3.4") for row in web]
    seen[41]["seen"] = web[159]["seen"]
    seen[159]["seen"] = ""
    taken = again(bench, seen, 1)
    assert (taken["again"]["confirmed"], taken["again"]["absent"]) == (159, 1)
    assert taken["findings"] == {}
    assert sk.roll.release(record, lot, 1, reason="r")["on_roll"] == 159


def test_a_pass_that_is_cut_short_leaves_nothing(
    bench: Bench, web: list[Row], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pass is one transaction: cut before its last entry, the record is as before, and the
    same file gives the same result later."""
    from serialkeeper.store.record import Work

    first_pass(bench, web, 42)
    sk.roll.add(bench.record, bench.lot)
    path = bench.results([dict(row, grade="3.4") for row in web])
    before = bench.heads()
    write = Work.write

    def cut(work: Work, chain: int, verb: str, *words: Any, **more: Any) -> Any:
        if verb == "take finished":
            raise RuntimeError
        return write(work, chain, verb, *words, **more)

    with monkeypatch.context() as patch:
        patch.setattr(Work, "write", cut)
        with pytest.raises(RuntimeError):
            sk.inspect.take(bench.record, bench.lot, path, again_roll=1)
    assert bench.heads() == before
    taken = sk.inspect.take(bench.record, bench.lot, path, again_roll=1)
    assert taken["again"]["still_there"] == 1


ORDERS = st.permutations(["first", "again", "again", "again"])
WHAT = st.lists(
    st.tuples(
        st.integers(1, 24), st.sampled_from(["cut", "unread", "missed", "twice", "swapped", "low"])
    ),
    max_size=6,
)


@pytest.fixture
def printed(bench: Bench) -> tuple[Original, list[Row]]:
    """A record with 24 labels on one lane, one roll, and nothing inspected; to be copied."""
    rows = as_seen(bench.printed(24, lanes=1))
    sk.roll.add(bench.record, bench.lot)
    return bench.kept(), rows


@settings(
    max_examples=30,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(order=ORDERS, passes=st.lists(WHAT, min_size=4, max_size=4), data=st.data())
def test_a_further_pass_never_makes_a_label_good(
    printed: tuple[Original, list[Row]],
    databases: Databases,
    tmp_path_factory: pytest.TempPathFactory,
    order: list[str],
    passes: list[list[tuple[int, str]]],
    data: st.DataObject,
) -> None:
    """Whatever the passes show, in whatever order: only a first pass makes labels good, a further
    one only rejects, one without faults changes no state, and the record stays sound."""
    original, rows = printed
    with original.copied(databases, tmp_path_factory.mktemp("rolls")) as bench:
        record = bench.record
        for step, (which, faults) in enumerate(zip(order, passes, strict=True)):
            before = bench.states()
            path = bench.results(_read(rows, faults, times=data.draw(st.booleans()), step=step))
            try:
                roll = 1 if which == "again" else 0
                sk.inspect.take(record, bench.lot, path, again_roll=roll)
            except sk.Refused as error:
                assert error.word in ("roll_not_inspected", "results_claimed")
            after = bench.states()
            if which == "again":
                assert faults or after == before
                for old, new in zip(before, after, strict=True):
                    assert new == old or (old in ("issued", "commissioned") and new == "rejected")
            if data.draw(st.booleans()) and "rejected" in after:
                place = after.index("rejected") + 1
                was_active = bench.labels()[place - 1]["was_active"]
                leave, reason = (
                    (sk.label.decommission, "damaged")
                    if was_active
                    else (
                        sk.label.void,
                        "waste",
                    )
                )
                leave(record, bench.lot, str(place), reason=reason, count=1)
        assert sk.record.verify(record)["sound"]


def _read(rows: list[Row], faults: list[tuple[int, str]], *, times: bool, step: int) -> list[Row]:
    """A pass over the strip with these faults; its grade makes each file another one."""
    kinds = dict(faults)
    labels = [row for row in rows if kinds.get(int(row["position"])) != "cut"]
    strip = Strip(
        [*labels],
        unread={place for place, kind in kinds.items() if kind == "unread"},
        missed={place for place, kind in kinds.items() if kind == "missed"},
    )
    read = strip.read(times=times)
    codes = {row["seen"]: int(row["position"]) for row in rows}
    for index, reading in enumerate(read):
        kind = kinds.get(codes.get(reading["seen"], 0))
        reading["grade"] = f"3.{step}"
        if kind == "low":
            reading["grade"] = "1.0"
        if kind == "twice" and index + 1 < len(read):
            read[index + 1]["seen"] = reading["seen"]
        if kind == "swapped" and index + 1 < len(read):
            one, other = reading, read[index + 1]
            one["seen"], other["seen"] = other["seen"], one["seen"]
    return read


@pytest.mark.parametrize("tells", ["times", "order", "places"])
@pytest.mark.parametrize("back", [False, True], ids=["forward", "backward"])
def test_what_is_still_there_is_never_proven_absent(bench: Bench, tells: str, back: bool) -> None:
    """1,500 labels, 90 of them voided: half were cut out, the others are still there, readable,
    unread or missed; the camera misses good ones as well. What is there is never called absent,
    and with times most of what is gone is proven so."""
    chance = random.Random(11 + back)
    rows = as_seen(bench.printed(1_500, lanes=1))
    bad = sorted(chance.sample(range(3, 1_498), 90))
    first_pass(bench, rows, *bad)
    sk.label.void(bench.record, bench.lot, ",".join(map(str, bad)), reason="waste", count=90)
    sk.roll.add(bench.record, bench.lot)
    cut = set(bad[::2])
    there = set(bad) - cut
    faulty = there | set(chance.sample(range(3, 1_498), 45)) - cut
    unread = {place for place in faulty if chance.random() < 0.4}
    missed = {place for place in faulty - unread if chance.random() < 0.5}
    strip = Strip(without(rows, *cut), unread=unread, missed=missed)
    read = strip.read(back=back, times=tells == "times")
    if tells == "places":  # the camera counts what passes it, from the end that came off first
        count = len(strip.labels)
        kept = [
            n for n, label in enumerate(strip.labels, 1) if int(label["position"]) not in missed
        ]
        for reading, place in zip(read, kept[::-1] if back else kept, strict=True):
            reading["position"] = count + 1 - place if back else place
    before = bench.states()
    taken = again(bench, read, 1)
    presence = {
        one["position"]: one["presence"]
        for one in sk.roll.show(bench.record, bench.lot, 1)["proofs"]
    }
    absent = {place for place, word in presence.items() if word == "absent"}
    assert not absent - cut
    assert set(bad) <= presence.keys()
    for place in there - unread - missed:
        assert presence[place] == "still_there"
    if tells == "times":
        assert len(absent) > 0.8 * len(cut)
    if tells == "order":
        assert not absent, "a pass that missed good labels proves nothing by order"
    for position, (old, new) in enumerate(zip(before, bench.states(), strict=True), 1):
        assert new == old or (new == "rejected" and old == "commissioned"), position
    assert taken["again"]["confirmed"] > 1_300
    assert sk.record.verify(bench.record)["sound"]


@pytest.mark.parametrize(
    "edit",
    [
        "UPDATE roll SET state = 'released'",
        "UPDATE mark SET labels = labels + 1",
        "DELETE FROM removal",
        "UPDATE replacement SET spare = spare - 1",
        "UPDATE proof SET word = 'absent'",
        "DELETE FROM proof",
    ],
)
def test_an_edit_of_what_rolls_rest_on_is_found(bench: Bench, web: list[Row], edit: str) -> None:
    """Rolls, marks, removals, replacements and proofs are as journalled, or verify tells."""
    record, lot = bench.record, bench.lot
    first_pass(bench, web, 42)
    sk.roll.add(record, lot)
    again(bench, [dict(row, grade="3.4") for row in web], 1)
    sk.roll.removed(record, lot, 1, position=[42], scan=web[45]["seen"])
    sk.label.replace(record, lot, 42, 160, reason="spare")
    sk.roll.mark(record, lot, 1, "splice", row=11, reason="cut")
    assert sk.record.verify(record)["sound"]
    assert bench.database.edit(edit) > 0
    with pytest.raises(sk.Damaged) as damaged:
        sk.record.verify(record)
    assert damaged.value.word == "table_differs"


def test_a_counter_proves_nothing_where_the_pass_missed_good_labels(bench: Bench) -> None:
    """A counter that counts readings shows neighbours of a missed label as one after the other:
    in a pass that missed a good label it proves no absence."""
    rows = as_seen(bench.printed(100, lanes=1))
    first_pass(bench, rows, 50)
    sk.roll.add(bench.record, bench.lot)
    sk.label.void(bench.record, bench.lot, "50", reason="waste")
    seen = [row["seen"] for row in without(rows, 50, 70)]
    read = [{"position": number, "seen": text} for number, text in enumerate(seen, 1)]
    assert again(bench, read, 1)["again"]["absent"] == 0


# -- what one cut does not show, and what should not be there --------------------------------


def repeated_once(bench: Bench) -> list[Row]:
    """60 labels in one lane; the number of 10 was read again in the place of 40; both voided."""
    rows = as_seen(bench.printed(60, lanes=1))
    first_pass(bench, [dict(row, seen=rows[9]["seen"]) if row is rows[39] else row for row in rows])
    assert bench.findings() == {10: "read_twice", 40: "repeated"}
    sk.roll.add(bench.record, bench.lot)
    sk.label.void(bench.record, bench.lot, "10,40", reason="waste")
    explain(bench)
    return rows


def test_one_cut_does_not_release_a_number_that_was_read_twice(bench: Bench) -> None:
    """The one label is cut out, and the other recorded as cut out: which of them left, only a
    further pass shows; it finds the number still there, then gone."""
    rows = repeated_once(bench)
    where = bench.record, bench.lot, 1
    sk.roll.removed(*where, position=[10], scan=rows[8]["seen"])
    sk.roll.removed(*where, position=[40], scan=rows[38]["seen"])
    error = refused("roll_open_points", sk.roll.release, *where, reason="r")
    assert "read the roll again after the cut" in error.came and len(error.more) == 1
    left = [dict(row, seen=rows[9]["seen"]) if row is rows[39] else row for row in rows]
    del left[9]  # 40 is still there, and shows number 10
    taken = again(bench, Strip([*left]).read(), 1)
    assert taken["again"]["still_there"] == 1
    refused("roll_open_points", sk.roll.release, *where, reason="r")
    assert again(bench, Strip(without(rows, 10, 40)).read(), 1)["again"]["absent"] == 2
    explain(bench)
    sk.label.settle(bench.record, bench.lot, "10", reason="the second one is cut out now")
    assert sk.roll.release(*where, reason="r")["on_roll"] == 58


def test_a_first_pass_that_reads_a_removed_number_undoes_its_removal(bench: Bench) -> None:
    """The removal was recorded before; another results file reads the number after it: it is not
    gone, whatever is decided about it, until it is taken off or proven absent once more."""
    rows = as_seen(bench.printed(60, lanes=1))
    second = as_seen(bench.printed(20, lanes=1))
    first_pass(bench, rows, 30)
    sk.roll.add(bench.record, bench.lot, job=1)
    sk.label.void(bench.record, bench.lot, "30", reason="waste")
    sk.roll.removed(bench.record, bench.lot, 1, position=[30], scan=rows[30]["seen"])
    assert sk.roll.show(bench.record, bench.lot, 1)["gone"] == 1
    second[5]["seen"] = rows[29]["seen"]
    first_pass(bench, second)
    shown = sk.roll.show(bench.record, bench.lot, 1)
    assert shown["gone"] == 0
    [point] = shown["missing"]
    assert point["position"] == 30 and "since it was read there" in point["missing"]
    sk.label.settle(bench.record, bench.lot, "30", reason="found on the other web")
    refused("roll_open_points", sk.roll.release, bench.record, bench.lot, 1, reason="r")
    proof = again(bench, Strip(without(rows, 30)).read(), 1)
    assert proof["again"]["absent"] == 1


def test_what_does_not_belong_on_a_roll_holds_it_until_a_whole_pass_is_clean(
    bench: Bench,
) -> None:
    """A label of the other lane, then an unread label too many: the roll is held, a pass over a
    part of it changes nothing, a marked blank explains one unread label."""
    rows = as_seen(bench.printed(120, lanes=2))
    first_pass(bench, rows)
    sk.roll.add(bench.record, bench.lot)
    sk.roll.slit(bench.record, bench.lot, 1)
    where = bench.record, bench.lot, 2
    mine = lane(rows, 1)
    strange = [*mine[:20], lane(rows, 2)[3], *mine[20:]]
    assert again(bench, Strip([*strange]).read(), 2)["again"]["strange"] == 1
    held = sk.roll.show(*where)["missing"]
    assert [one["position"] for one in held] == [
        None
    ] and "readings of none of its labels when it was read again: 1" in str(held)
    part = again(bench, Strip(mine[:30]).read(), 2)
    assert {"kind": "part_of_roll", "labels": 30} in part["notes"]
    assert (
        "readings of none of its labels when it was read again: 1"
        in refused("roll_open_points", sk.roll.release, *where, reason="r").came
    )
    too_many = [*mine[:40], dict(mine[0], seen=""), *mine[40:]]
    assert again(bench, Strip([*too_many]).read(), 2)["again"]["surplus"] == 1
    refused("roll_open_points", sk.roll.release, *where, reason="r")
    sk.roll.mark(*where, "blank", row=40, labels=1, reason="the printer left one empty")
    assert sk.roll.release(*where, reason="r")["on_roll"] == 60


def test_an_unread_label_too_many_alarms_in_a_first_pass(bench: Bench) -> None:
    """Without positions one reading more than there are labels, and unread: no label is called
    anything else by it, and an alarm keeps the roll until somebody says what it was."""
    rows = as_seen(bench.printed(60, lanes=1))
    read = [{"seen": row["seen"]} for row in rows]
    read.insert(20, {"seen": ""})
    taken = sk.inspect.take(bench.record, bench.lot, bench.results(read))
    assert [alarm["kind"] for alarm in taken["alarms"]] == ["extra_label"]
    assert bench.states() == ["commissioned"] * 60
    sk.roll.add(bench.record, bench.lot)
    refused("roll_open_points", sk.roll.release, bench.record, bench.lot, 1, reason="r")
    explain(bench)
    assert sk.roll.release(bench.record, bench.lot, 1, reason="r")["on_roll"] == 60


def test_lanes_given_wrongly_pull_nothing(bench: Bench, web: list[Row]) -> None:
    """A further pass whose file gives every place wrongly is refused; no good label is pulled."""
    first_pass(bench, web)
    sk.roll.add(bench.record, bench.lot)
    heads = bench.heads()
    shifted = [
        {"position": other["position"], "seen": row["seen"]}
        for row, other in zip(web[::3], random.Random(1).sample(web[::3], 54), strict=True)
    ]
    error = refused("roll_mistaken", again, bench, shifted, 1)
    assert "in the places of others" in error.came
    assert bench.heads() == heads


def test_a_later_finding_on_a_released_roll_is_an_alarm(bench: Bench) -> None:
    """A number of a released roll is read on another web: the alarm says so, and the lot does
    not close over it."""
    rows = as_seen(bench.printed(40, lanes=1))
    second = as_seen(bench.printed(20, lanes=1))
    first_pass(bench, rows)
    sk.roll.add(bench.record, bench.lot, job=1)
    sk.roll.release(bench.record, bench.lot, 1, reason="r")
    second[5]["seen"] = rows[29]["seen"]
    taken = first_pass(bench, second)
    told = {alarm["kind"]: alarm for alarm in taken["alarms"]}
    assert (told["released_roll"]["first"], told["released_roll"]["labels"]) == (30, 1)
    assert bench.states()[29] == "rejected"


# -- a further pass, rehearsed ---------------------------------------------------------------


@pytest.mark.parametrize("tells", [("positions", "lanes", "times"), ("times",), ()])
@pytest.mark.parametrize("slit", [False, True], ids=["parent", "slit"])
def test_a_rehearsed_further_pass_ends_as_its_truth_says(
    bench: Bench, tells: tuple[str, ...], slit: bool
) -> None:
    """First pass with faults, then the roll read again with others: no label is good that the
    truth does not call good; what differs otherwise is held."""
    record, lot, folder = bench.record, bench.lot, bench.folder
    bench.printed(400)
    first = folder / "first.csv"
    sk.inspect.rehearse(record, lot, out=first, truth=folder / "truth.csv", seed=3)
    sk.inspect.take(record, lot, first)
    refused(
        "nothing_to_print",
        sk.inspect.rehearse,
        record,
        lot,
        out=folder / "x.csv",
        truth=folder / "y.csv",
        seed=1,
    )
    sk.roll.add(record, lot)
    roll = sk.roll.slit(record, lot, 1)["rolls"][1]["roll"] if slit else 1
    out, truth = folder / "again.csv", folder / "again-truth.csv"
    made = sk.inspect.rehearse(
        record, lot, out=out, truth=truth, seed=4, faults=["mixed=0.03"], tells=tells, roll=roll
    )
    assert (made["roll"], made["labels"]) == (roll, 100 if slit else 400)
    taken = sk.inspect.take(record, lot, out, again_roll=roll)
    came_back = "reversed" in {note["kind"] for note in taken["notes"]}
    assert came_back == slit  # slitting winds it the other way round
    labels = bench.labels()
    with truth.open() as file:
        for row in csv.DictReader(file):
            state = labels[int(row["position"]) - 1]["state"]
            if state != row["outcome"]:
                assert (row["outcome"], state) == ("commissioned", "rejected"), row
