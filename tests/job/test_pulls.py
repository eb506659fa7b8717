"""Pull lists, the proof of a place before a cut, and the smallest hold, on real records."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

import pytest
from conftest import EXPIRY, Bench, as_seen
from hypothesis import given
from hypothesis import strategies as st

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.rules import pulls
from serialkeeper.rules.doubts import Told as Said
from serialkeeper.rules.doubts import cut_stretch, find_doubts, printed
from serialkeeper.rules.jobs import Shape

Row = dict[str, Any]


def take(bench: Bench, rows: list[Row]) -> Row:
    found: Row = sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    return found


def inspected(bench: Bench) -> list[Row]:
    """Lane 2 of 50 rows: row 10 (position 38) unreadable, row 11 (42) a low grade, row 20 (78)
    not seen; lane 4 row 50 (200) failed by the camera."""
    rows = as_seen(bench.printed(200))
    for position, field, value in (
        (38, "seen", ""),
        (42, "grade", "1.0"),
        (200, "verdict", "fail"),
    ):
        rows[position - 1][field] = value
    del rows[77]
    take(bench, rows)
    return rows


def number(bench: Bench, position: int) -> str:
    serial: str = bench.labels()[position - 1]["serial"]
    return serial


def test_the_list_names_each_label_and_its_readable_neighbours(bench: Bench) -> None:
    """In winding order, with row, lane, metres, number and words; a doubtful label is nobody's
    neighbour, and the end of the web has none behind it."""
    inspected(bench)
    listed = sk.roll.pulls(bench.record, bench.lot, pitch=50)
    assert listed["to_do"] == {
        "pull": 3,
        "look for it": 1,
        "make sure it is gone": 0,
        "decide": 0,
    }
    told = [(p["position"], p["row"], p["lane"], p["metres"], p["sign"]) for p in listed["pulls"]]
    assert told == [
        (38, 10, 2, 0.45, "U"),
        (42, 11, 2, 0.5, "Q"),
        (78, 20, 2, 0.95, "N"),
        (200, 50, 4, 2.45, "Q"),
    ]
    first, second, _, last = listed["pulls"]
    assert first["number"] == number(bench, 38)
    assert first["why"] == "the camera could not read the code"
    assert [(first[side]["position"], first[side]["away"]) for side in ("before", "after")] == [
        (34, 1),
        (46, 2),
    ]
    assert (second["before"]["position"], second["before"]["away"]) == (34, 2)
    assert first["before"]["ending"] == f"..{number(bench, 34)[-4:]}"
    assert last["after"] is None


def test_from_the_end_everything_is_the_other_way_round(bench: Bench) -> None:
    """The same labels backwards, metres from the last row, before and after exchanged."""
    inspected(bench)
    forward = sk.roll.pulls(bench.record, bench.lot, pitch=50)["pulls"]
    back = sk.roll.pulls(bench.record, bench.lot, pitch=50, from_end=True)
    assert back["first_off"] == 50
    for one, other in zip(forward, back["pulls"][::-1], strict=True):
        assert one["position"] == other["position"]
        assert (one["before"], one["after"]) == (other["after"], other["before"])
        assert one["metres"] + other["metres"] == pytest.approx(2.45)


def test_the_list_as_files(bench: Bench) -> None:
    """CSV with its own columns, and a paper list with a box for each; none is overwritten, and
    the record is not changed."""
    inspected(bench)
    heads = bench.heads()
    out = bench.folder / "pulls.csv"
    listed = sk.roll.pulls(bench.record, bench.lot, out=out, rows="5-25", lane=2)
    with out.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == pulls.COLUMNS
    assert [(r["position"], r["metres"], r["what_to_do"]) for r in rows] == [
        ("38", "", "pull"),
        ("42", "", "pull"),
        ("78", "", "look for it"),
    ]
    assert listed["pulls"][0]["metres"] is None
    paper = bench.folder / "pulls.txt"
    sk.roll.pulls(bench.record, bench.lot, out=paper)
    text = paper.read_text()
    assert text.count("[ ]") == 4 and "PRACTICE RECORD" in text
    assert number(bench, 38) in text and "journal head" in text
    for name, word in (("pulls.csv", "file_exists"), ("pulls.xls", "bad_value")):
        with pytest.raises(sk.Refused) as refused:
            sk.roll.pulls(bench.record, bench.lot, out=bench.folder / name)
        assert refused.value.word == word
    assert bench.heads() == heads


def test_voided_labels_are_to_be_gone_and_accepted_ones_are_good(bench: Bench) -> None:
    """A voided label may still be on the web, with its reason; an accepted one is a readable
    neighbour again."""
    inspected(bench)
    sk.label.void(bench.record, bench.lot, "38", reason="waste")
    sk.label.accept(
        bench.record,
        bench.lot,
        42,
        reason="measured again",
        second="Second Person",
        instrument="unit 1",
        calibrated=date(2026, 5, 1),
        grade="3.1",
    )
    listed = sk.roll.pulls(bench.record, bench.lot)["pulls"]
    assert [(p["position"], p["sign"], p["what_to_do"]) for p in listed[:2]] == [
        (38, "G", "make sure it is gone"),
        (78, "N", "look for it"),
    ]
    assert listed[0]["why"].startswith("voided (waste)")
    assert (listed[0]["after"]["position"], listed[0]["after"]["away"]) == (42, 1)


def test_a_scanned_neighbour_tells_where_to_cut(bench: Bench) -> None:
    """By code as scanned, bracketed or number alone; before and after as the web comes off."""
    rows = inspected(bench)
    for scan, away, side in (
        (rows[45]["seen"], 2, "before"),
        (number(bench, 34), 1, "after"),
        (f"  {number(bench, 34)}\n", 1, "after"),
    ):
        cut = sk.roll.neighbour(bench.record, bench.lot, 38, scan=scan)
        assert (cut["row"], cut["lane"], cut["away"], cut["side"]) == (10, 2, away, side)
    back = sk.roll.neighbour(bench.record, bench.lot, 38, scan=number(bench, 34), from_end=True)
    assert (back["side"], back["doubtful"]) == ("before", True)
    assert not sk.roll.neighbour(bench.record, bench.lot, 34, scan=number(bench, 30))["doubtful"]


@pytest.mark.parametrize(
    ("scanned", "came"),
    [
        (37, "position 37: row 10, lane 1, another lane"),
        (42, "position 42: row 11, lane 2, which is doubtful itself"),
        (38, "position 38: row 10, lane 2, the label itself"),
        (66, "position 66: row 17, lane 2, 7 labels away"),
    ],
)
def test_a_scan_of_another_label_is_refused_and_says_where_that_one_lies(
    bench: Bench, scanned: int, came: str
) -> None:
    """Another lane, a doubtful label, the label itself, one too far away."""
    inspected(bench)
    with pytest.raises(sk.Refused) as refused:
        sk.roll.neighbour(bench.record, bench.lot, 38, scan=number(bench, scanned))
    assert refused.value.word == "scan_elsewhere"
    assert refused.value.came.startswith(came)
    assert "Do not cut" in refused.value.remedy


def test_scans_that_are_not_of_this_web_are_refused(bench: Bench) -> None:
    """A strange text, another lot's label, a label of rows that are not looked at, an unknown
    position: each with what it is."""
    inspected(bench)
    sk.lot.open(bench.record, "09521234543213", "OTHER", expiry=EXPIRY, target=5)
    sk.lot.approve(bench.record, "OTHER", second="Second Person")
    sk.serials.allocate(bench.record, "OTHER", 5)
    other = next(iter(sk.label.list(bench.record, "OTHER")))["serial"]
    for scan, came, more in (
        ("nonsense", "nonsense", {}),
        (other, f"{other}: position 1 of lot OTHER", {}),
        (number(bench, 46), "position 46, not on this stretch", {"rows": "1-11"}),
    ):
        with pytest.raises(sk.Refused) as refused:
            sk.roll.neighbour(bench.record, bench.lot, 38, scan=scan, **more)
        assert (refused.value.word, refused.value.came) == ("scan_elsewhere", came)
    with pytest.raises(sk.Refused) as refused:
        sk.roll.neighbour(bench.record, bench.lot, 201, scan=number(bench, 34))
    assert refused.value.word == "label_unknown"


def test_a_long_bad_stretch_may_be_told_from_its_ends(bench: Bench) -> None:
    """Where no good label is nearer, one farther away than five labels is taken."""
    rows = as_seen(bench.printed(80, lanes=1))
    for row in rows[20:40]:
        row["seen"] = ""
    take(bench, rows)
    cut = sk.roll.neighbour(bench.record, bench.lot, 30, scan=number(bench, 41))
    assert (cut["away"], cut["side"]) == (11, "before")
    with pytest.raises(sk.Refused):
        sk.roll.neighbour(bench.record, bench.lot, 30, scan=number(bench, 42))


@dataclass(frozen=True)
class Told:
    """What a command answered."""

    code: int
    out: str
    err: str


@pytest.fixture
def command(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Told]:
    """Type a command, and what its standard input gives."""

    def typed(words: str, given: str = "") -> Told:
        monkeypatch.setattr("sys.stdin", io.StringIO(given))
        code = run([*words.split(), "--record", bench.url, "--as", "Line Lead"])
        out, err = capsys.readouterr()
        return Told(code, out, err)

    return typed


def test_the_list_waits_for_a_scan_at_each_label(
    bench: Bench, command: Callable[..., Told]
) -> None:
    """A wrong scan is refused and asked for again, an empty line passes on, the end of input
    ends it; exit 5 while a place is not proven, 0 when all are; nothing is written."""
    inspected(bench)
    heads = bench.heads()
    typed = f"{number(bench, 37)}\n{number(bench, 34)}\n\n{number(bench, 74)}\n"
    told = command(f"roll pulls {bench.lot} --scan", typed)
    assert told.code == 5
    assert "another lane" in told.err
    assert "Position 38 is the next label after the scanned one, lane 2 (row 10)." in told.out
    assert "Position 78 is the next label after the scanned one, lane 2 (row 20)." in told.out
    assert "Places proven: 2, not: 2." in told.out
    done = command(f"roll pulls {bench.lot} --rows 20-30 --scan", number(bench, 82))
    assert done.code == 0
    wrong = command(f"roll neighbour {bench.lot} 38 --scan {number(bench, 37)}")
    assert (wrong.code, wrong.out) == (1, "")
    assert bench.heads() == heads


@given(
    st.lists(st.sampled_from("crix"), min_size=1, max_size=60),
    st.integers(1, 5),
    st.booleans(),
)
def test_neighbours_are_the_nearest_good_labels_whatever_the_web(
    letters: list[str], lanes: int, from_end: bool
) -> None:
    """Held against a plain search along the lane, in both directions."""
    states = "".join(letters)
    told = [Said(p, "not_seen", "") for p, letter in enumerate(states, 1) if letter == "i"]
    shape = Shape(((1, len(states)),), lanes, "rows")
    stretch = find_doubts(cut_stretch(printed(shape), states.encode()), told, {})
    listed = pulls.list_pulls(stretch, from_end=from_end)
    expected = [p for p, letter in enumerate(states, 1) if letter != "c"]
    assert [one.doubt.position for one in listed] == (expected[::-1] if from_end else expected)
    for one in listed:
        ahead, behind = (one.after, one.before) if from_end else (one.before, one.after)
        for found, step in ((ahead, -lanes), (behind, lanes)):
            place, away = one.doubt.position + step, 1
            while 1 <= place <= len(states) and states[place - 1] != "c":
                place, away = place + step, away + 1
            there = 1 <= place <= len(states)
            assert (found and (found.position, found.away)) == ((place, away) if there else None)


def test_a_roll_tells_its_part_of_the_web_and_its_winding(bench: Bench) -> None:
    """Slit, the roll of lane 2 is wound the other way: its list starts at its last row; with the
    roll other parts of the web are refused, and another lane's neighbour does not count."""
    inspected(bench)
    record, lot = bench.record, bench.lot
    sk.roll.add(record, lot, rows="5-30")
    roll = sk.roll.slit(record, lot, 1)["rolls"][1]["roll"]
    listed = sk.roll.pulls(record, lot, roll=roll, pitch=50)
    assert (listed["first_off"], listed["rows"], listed["lanes"]) == (30, [5, 30], [2])
    assert [(p["position"], p["metres"]) for p in listed["pulls"]] == [
        (78, 0.5),
        (42, 0.95),
        (38, 1.0),
    ]
    cut = sk.roll.neighbour(record, lot, 38, scan=number(bench, 34), roll=roll)
    assert cut["side"] == "before"
    drawn = sk.roll.draw(record, lot, roll=roll, out=bench.folder / "r.svg")
    assert (drawn["labels"], drawn["doubtful"], drawn["roll"]) == (26, 3, roll)
    assert f"roll {roll}, print job 1" in (bench.folder / "r.svg").read_text()
    for call, more in (
        (sk.roll.pulls, {"roll": roll, "lane": 2}),
        (sk.roll.draw, {"roll": roll, "rows": "5-9", "out": bench.folder / "n.svg"}),
        (sk.roll.pulls, {"roll": 9}),
    ):
        with pytest.raises(sk.Refused) as refused:
            call(record, lot, **more)
        assert refused.value.word == ("roll_unknown" if more["roll"] == 9 else "bad_value")


def test_what_left_the_roll_is_not_on_it_and_a_spare_is(bench: Bench) -> None:
    """A label that was taken off is no pull any more and nobody's neighbour; a spare of another
    row stands in its place from then on, as a good neighbour, and no more where it was printed."""
    inspected(bench)
    record, lot = bench.record, bench.lot
    roll = sk.roll.add(record, lot)["roll"]
    sk.roll.removed(record, lot, roll, position=[38], scan=number(bench, 34))
    listed = sk.roll.pulls(record, lot, roll=roll)["pulls"]
    assert [p["position"] for p in listed] == [42, 78, 200]
    assert (listed[0]["before"]["position"], listed[0]["before"]["away"]) == (34, 2)
    sk.label.void(record, lot, "38", reason="waste")
    sk.label.replace(record, lot, 38, 150, reason="spare put in")
    listed = sk.roll.pulls(record, lot, roll=roll)["pulls"]
    assert [p["position"] for p in listed] == [42, 78, 200]
    assert (listed[0]["before"]["position"], listed[0]["before"]["row"]) == (150, 10)
    drawn = sk.roll.draw(record, lot, roll=roll, out=bench.folder / "r.svg")
    assert (drawn["labels"], drawn["doubtful"]) == (199, 3)


# -- the smallest hold ---------------------------------------------------------------------


def places(found: Row) -> list[tuple[int, int, int]]:
    return [(one["lane"], one["first_row"], one["last_row"]) for one in found["holds"]]


def test_a_label_that_was_not_seen_is_held_at_its_place(bench: Bench) -> None:
    """Between the labels of its lane that were read, with metres; all others are free; the
    record is not changed, and other findings do not matter."""
    inspected(bench)
    heads = bench.heads()
    found = sk.lot.reconcile(bench.record, bench.lot, hold=True, pitch=50)
    [one] = found["numbers"]
    assert (one["why"], one["positions"], one["numbers"]) == ("not_seen", "78", [number(bench, 78)])
    [place] = one["places"]
    assert (place["from_metres"], place["to_metres"]) == (0.95, 1.0)
    assert place["proven_before"] == {"position": 74, "number": number(bench, 74)}
    assert place["proven_after"] == {"position": 82, "number": number(bench, 82)}
    assert places(found) == [(2, 20, 20)]
    assert (found["labels"], found["held"], found["free"]) == (200, 1, 199)
    assert bench.heads() == heads


def test_labels_not_told_apart_are_held_together(bench: Bench) -> None:
    """By order only: one unread reading for two labels of two lanes: both places, one entry."""
    rows = [{"seen": row["seen"]} for row in as_seen(bench.printed(40))]
    rows[11]["seen"] = ""
    del rows[12]
    take(bench, rows)
    found = sk.lot.reconcile(bench.record, bench.lot, hold=True)
    [one] = found["numbers"]
    assert (one["why"], one["positions"], one["count"]) == ("not_told_apart", "12-13", 2)
    assert places(found) == [(1, 4, 4), (4, 3, 3)]


def test_what_was_not_inspected_is_held_to_its_end(bench: Bench) -> None:
    """A file that ends with row 30 of 50: the rest of each lane, in one entry a lane; a lot of
    which everything is accounted for has nothing to hold."""
    rows = as_seen(bench.printed(200))
    take(bench, rows[:120])
    found = sk.lot.reconcile(bench.record, bench.lot, hold=True)
    assert places(found) == [(lane, 31, 50) for lane in (1, 2, 3, 4)]
    assert {one["why"] for one in found["numbers"]} == {"not_inspected"}
    assert found["held"] == 80
    take(bench, rows[120:])
    assert sk.lot.reconcile(bench.record, bench.lot, hold=True)["holds"] == []


def test_a_number_that_was_voided_as_not_found_stays_held(bench: Bench) -> None:
    """The decision settles the finding; where the label could lie stays the same."""
    inspected(bench)
    before = sk.lot.reconcile(bench.record, bench.lot, hold=True)
    sk.label.void(bench.record, bench.lot, "78", reason="not found", count=1)
    after = sk.lot.reconcile(bench.record, bench.lot, hold=True)
    assert places(after) == places(before) == [(2, 20, 20)]
    assert after["numbers"][0]["why"] == "not_found"


def test_a_label_proven_absent_is_held_no_more(bench: Bench) -> None:
    """Taken off the roll after it was not seen: nothing on the web can be it."""
    inspected(bench)
    roll = sk.roll.add(bench.record, bench.lot)["roll"]
    sk.label.void(bench.record, bench.lot, "78", reason="not found", count=1)
    assert places(sk.lot.reconcile(bench.record, bench.lot, hold=True)) == [(2, 20, 20)]
    sk.roll.removed(bench.record, bench.lot, roll, position=[78], scan=number(bench, 74))
    assert sk.lot.reconcile(bench.record, bench.lot, hold=True)["holds"] == []


def test_a_number_read_twice_is_held_at_both_places_by_position(bench: Bench) -> None:
    """The code of position 10 was read at 10 and at 33: both places are held."""
    rows = as_seen(bench.printed(200))
    rows[32]["seen"] = rows[9]["seen"]
    take(bench, rows)
    found = sk.lot.reconcile(bench.record, bench.lot, hold=True)
    twice = next(one for one in found["numbers"] if one["why"] == "read_twice")
    assert twice["positions"] == "10"
    assert [(p["lane"], p["first_row"]) for p in twice["places"]] == [(1, 9), (2, 3)]


def test_a_number_read_twice_is_held_at_both_places_by_order(bench: Bench) -> None:
    """No positions: the second reading of position 10 stood between those of 61 and 63, in the
    place of 62 which was not read; both places are held."""
    rows = [{"seen": row["seen"]} for row in as_seen(bench.printed(200, lanes=1))]
    rows[61]["seen"] = rows[9]["seen"]
    take(bench, rows)
    assert bench.findings()[10] == "read_twice"
    found = sk.lot.reconcile(bench.record, bench.lot, hold=True)
    twice = next(one for one in found["numbers"] if one["why"] == "read_twice")
    assert [(p["lane"], p["first_row"], p["last_row"]) for p in twice["places"]] == [
        (1, 10, 10),
        (1, 62, 62),
    ]


def test_a_number_seen_elsewhere_by_another_file_is_held_there_too(bench: Bench) -> None:
    """Not seen by the first file, and read by the second in the place of another label: held where
    it should be and where it was read, under the graver word."""
    rows = [
        {"position": row["position"], "seen": row["seen"]} for row in as_seen(bench.printed(80))
    ]
    sk.serials.allocate(bench.record, bench.lot, 40)
    second = bench.folder / "second.csv"
    sk.print.write(bench.record, bench.lot, lanes=4, out=second)
    later = [{"position": row["position"], "seen": row["seen"]} for row in as_seen(second)]
    take(bench, [row for row in rows if row["position"] != "30"])
    assert bench.findings() == {30: "not_seen"}
    later[10]["seen"] = rows[29]["seen"]
    take(bench, later)
    assert bench.findings()[30] == "out_of_place"
    found = sk.lot.reconcile(bench.record, bench.lot, hold=True)
    told = {
        (one["why"], place["job"], place["lane"], place["first_row"], place["last_row"])
        for one in found["numbers"]
        for place in one["places"]
    }
    assert told == {
        ("out_of_place", 1, 2, 8, 8),  # its own place
        ("out_of_place", 2, 3, 3, 3),  # where it was read
        ("other_number", 2, 3, 3, 3),  # number 91, which nobody read
    }


def test_one_cut_does_not_let_a_number_go_that_was_read_twice(bench: Bench) -> None:
    """Voided and cut out at its own place, the number stays held where it was read once more."""
    rows = as_seen(bench.printed(200))
    rows[32]["seen"] = rows[9]["seen"]
    take(bench, rows)
    roll = sk.roll.add(bench.record, bench.lot)["roll"]
    sk.label.void(bench.record, bench.lot, "10,33", reason="waste")
    sk.roll.removed(bench.record, bench.lot, roll, position=[10], scan=number(bench, 14))
    found = sk.lot.reconcile(bench.record, bench.lot, hold=True)
    assert [(p["lane"], p["first_row"], p["last_row"]) for p in found["holds"]] == [
        (1, 9, 9),
        (2, 3, 3),
    ]


def test_the_hold_on_the_command_line(bench: Bench, command: Callable[..., Told]) -> None:
    """Exit 5 while something is held, with numbers, rows, metres and neighbours in words."""
    inspected(bench)
    told = command(f"lot reconcile {bench.lot} --hold --pitch 50")
    assert told.code == 5
    for words in (
        f"not_seen: 1 number, position 78\n  {number(bench, 78)}",
        "job 1, lane 2, row 20 (1 label), 0.95 to 1.00 m by pitch",
        f"proven last: position 74, {number(bench, 74)}",
        "Hold 1 of 200 printed labels:",
        "not a validated system",
    ):
        assert words in told.out
