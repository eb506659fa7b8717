"""The review list: nothing that went wrong closes unseen, and nobody reviews their own work."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from conftest import Bench, as_seen

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.rules.file_lines import find_lines, needles
from serialkeeper.rules.review import REFERENCE
from serialkeeper.steps import reviewing
from serialkeeper.store.view import key_of

SECOND = "Second Person"
Told = dict[str, Any]


def refused(word: str, step: Any, *args: Any, **more: Any) -> sk.Refused:
    with pytest.raises(sk.Refused) as error:
        step(*args, **more)
    assert error.value.word == word, str(error.value)
    return error.value


def listed(bench: Bench, **filters: Any) -> list[Told]:
    groups: list[Told] = sk.review.list(bench.record, bench.lot, **filters)["groups"]
    return groups


def names(groups: list[Told]) -> list[tuple[str, str, int]]:
    return [(one["kind"], one["reason"], one["count"]) for one in groups]


def sign(bench: Bench, *groups: Told, record: sk.Record | None = None, **more: Any) -> Told:
    given = {"opened": [place for one in groups for place in one["open"]], **more}
    references = [one["group"] for one in groups]
    return sk.review.sign(record or bench.record, bench.lot, references, **given)


@pytest.fixture
def told(bench: Bench) -> Bench:
    """A lot in which things went wrong, and were decided on."""
    rows = as_seen(bench.printed(60))
    for index in (4, 5, 6, 7, 8, 9, 30):
        rows[index]["seen"] = ""
    rows[20]["seen"] = rows[20]["seen"].replace("LOT24A", "LOT24B")
    rows[21]["seen"] = rows[21]["seen"].replace("LOT24A", "LOT24B")
    rows[40]["verdict"] = "fail"
    record, lot = bench.record, bench.lot
    sk.inspect.take(record, lot, bench.results(rows))
    sk.label.accept(record, lot, 41, reason="lamp reflection", second=SECOND)
    sk.label.void(record, lot, "5-10,21,22,31", reason="waste", count=9)
    sk.label.decommission(record, lot, "50-52", reason="sampled", count=3)
    first = sk.alarm.list(record, lot)[0]["id"]
    sk.alarm.acknowledge(record, lot, [range(first, 99)], cause="glare", restart_check="20 read")
    number = sk.hold.place(record, lot, reason="counted again", positions="55")["hold"]
    sk.hold.lift(record, lot, number, reason="all there")
    return bench


def test_everything_that_went_wrong_stands_on_the_list(told: Bench) -> None:
    """Critical things one by one, the others by kind, reason and people; each with the labels to
    be opened; and each filter shows what it says."""
    groups = listed(told)
    assert names(groups[:2]) == [("found", "wrong_lot", 1)] * 2
    assert [one["positions"] for one in groups[:2]] == [[[21, 21, 1]], [[22, 22, 1]]]
    assert all(one["critical"] for one in groups[:2])
    rest = names(groups[2:])
    assert not any(one["critical"] for one in groups[2:])
    assert rest[:2] == [("found", "failed_by_camera", 1), ("found", "unreadable", 7)]
    assert rest[2:5] == [
        ("accepted", "lamp reflection", 1),
        ("voided", "waste", 9),
        ("decommissioned", "sampled", 3),
    ]
    assert {kind for kind, *_ in rest[5:-1]} == {"alarm"}
    assert rest[-1] == ("hold lifted", "all there", 1)
    voided = groups[5]
    assert voided["positions"] == [[5, 10, 1], [21, 22, 1], [31, 31, 1]]
    assert len(voided["open"]) == 5 and set(voided["open"]) <= {*range(5, 11), 21, 22, 31}
    assert groups[4]["second"] == SECOND
    lane = [row["position"] for row in told.labels() if row["lane"] == 1]
    in_lane = listed(told, lane=1, kind="found")
    assert 21 in lane and 22 not in lane
    assert [one["positions"] for one in in_lane if one["critical"]] == [[[21, 21, 1]]]
    assert names(listed(told, kind="voided")) == [("voided", "waste", 9)]
    assert names(listed(told, reason="LAMP")) == [("accepted", "lamp reflection", 1)]
    assert names(listed(told, person=SECOND)) == [("accepted", "lamp reflection", 1)]
    assert listed(told, person="Nobody") == []
    assert listed(told, day=date(2026, 6, 1)) == groups
    assert listed(told, day=date(2026, 6, 2)) == []


def test_a_lot_closes_when_its_list_is_empty_and_not_before(told: Bench) -> None:
    """Each group is bound to what was shown and opened; afterwards the label and the list tell who
    reviewed it; a lot that is opened again is reviewed for what is new in it."""
    record, lot = told.record, told.lot
    for term, value in {"printer_counter": 60, "rewind_counter": 48, "destroyed": 9}.items():
        witness = SECOND if term == "destroyed" else ""
        sk.lot.count(record, lot, term, value, witness=witness)
    sk.lot.count(record, lot, "samples", 3)
    came = refused("review_open", sk.lot.close, record, lot).came
    groups = listed(told)
    assert came == f"{len(groups)} groups, critical: 2"
    assert sk.lot.show(record, lot)["to_review"] == {"groups": len(groups), "critical": 2}
    refused("review_unknown", sk.review.sign, record, lot, ["0" * REFERENCE])
    refused("review_unknown", sk.review.sign, record, lot, [])
    unread = groups[3]
    wanted = refused("examples_needed", sign, told, unread, opened=unread["open"][1:]).came
    assert wanted == f"without {unread['open'][0]}"
    refused("bad_value", sign, told, unread, note="x" * 1001)
    before = told.heads()
    refused("examples_needed", sk.review.sign, record, lot, [one["group"] for one in groups])
    assert told.heads() == before
    assert sign(told, *groups[:2], note="all four looked at")["left"] == len(groups) - 2
    assert names(listed(told)) == names(groups[2:])
    shown = sk.review.show(record, lot, unread["group"])
    assert [label["position"] for label in shown["labels"]] == unread["open"]
    assert shown["labels"][0]["life"][-1]["verb"] == "voided"
    # The same finding in another file is new: the group is not the one that was shown.
    more = as_seen(told.printed(4))
    more[0]["seen"] = ""
    sk.inspect.take(record, lot, told.results(more))
    refused("review_unknown", sign, told, unread)
    sk.label.void(record, lot, "61", reason="waste", count=1)
    for term, value in {"printer_counter": 4, "rewind_counter": 3, "destroyed": 1}.items():
        witness = SECOND if term == "destroyed" else ""
        sk.lot.count(record, lot, term, value, witness=witness)
    signed = told.reviewed()
    assert signed == len(groups) - 2
    assert listed(told) == [] and sk.lot.close(record, lot)["state"] == "closed"
    reviews = sk.review.list(record, lot)["reviewed"]
    assert len(reviews) == len(groups)
    assert reviews[0]["note"] == "all four looked at" and reviews[0]["opened"] == [21]
    on_label = sk.label.show(record, lot, position=21)["reviewed"]
    assert [(one["kind"], one["reason"]) for one in on_label] == [
        ("found", "wrong_lot"),
        ("voided", "waste"),
    ]
    assert sk.label.show(record, lot, position=1)["reviewed"] == []
    alarms = sk.alarm.list(record, lot)
    assert alarms and all(one["reviewed"]["reviewer"] == record.person for one in alarms)
    assert told.heads()
    # Decommissioning goes on after the lot is closed, and is reviewed too.
    sk.label.decommission(record, lot, "1", reason="lost", count=1)
    assert names(listed(told)) == [("decommissioned", "lost", 1)]
    unit = {"on": date(2026, 6, 1), "by": "Quality Unit"}
    assert sk.lot.decide(record, lot, "refused", **unit)["unreviewed"] == 1
    refused("reason_needed", sk.lot.reopen, record, lot, reason=" ")
    assert sk.lot.reopen(record, lot, reason="two rolls found")["state"] == "running"
    refused("lot_state", sk.lot.reopen, record, lot, reason="twice")
    sk.lot.count(record, lot, "rewind_counter", -1, reason="one was lost")
    assert names(listed(told))[-1] == ("count corrected", "one was lost", 1)
    told.reviewed()
    refused("lot_unbalanced", sk.lot.close, record, lot)
    sk.lot.close(record, lot, explanation="one lost", investigation="INV-1")
    assert sk.lot.decide(record, lot, "released", reason="found", **unit)["unreviewed"] == 0
    came = refused("lot_state", sk.lot.reopen, record, lot, reason="a complaint").came
    assert "Quality Unit" in came
    told.heads()


def test_nobody_reviews_what_they_did_or_confirmed(told: Bench) -> None:
    """In a live record; by role, too. In a practice record one person plays both parts."""
    groups = listed(told)
    accepted = next(one for one in groups if one["kind"] == "accepted")
    live = replace(told.record, practice=False, role="compliance")
    for person, part in ((told.record.person, "did it"), (SECOND, "confirmed it")):
        somebody = replace(live, person=person)
        told_them = refused("own_work", sign, told, accepted, record=somebody)
        assert told_them.came == f"{person}, who {part}"
        assert told_them.expected == f"compliance, and neither {told.record.person} nor {SECOND}"
        assert "accepted, lamp reflection" in told_them.where
        assert "Nobody of this record can" in told_them.remedy  # there is one in that role only
    voided = next(one for one in groups if one["kind"] == "voided")
    told_them = refused("own_work", sign, told, voided, record=live)
    assert told_them.remedy == f"Let one of these sign it: {SECOND}."
    for role in ("operator", "line lead", "integrator", "administrator"):
        somebody = replace(live, person="Third Person", role=role)
        refused("role_not_allowed", sign, told, accepted, record=somebody)
    third = replace(live, person="Third Person")
    assert sign(told, accepted, record=third)["signed"][0]["kind"] == "accepted"
    assert accepted["group"] not in [one["group"] for one in listed(told)]
    with told.record.read() as view:
        last = list(view.entries(key_of(view.lot(told.lot))))[-1]
    assert [one["meaning"] for one in last.data["signatures"]] == ["reviewed"]
    assert last.data["digest"] == accepted["digest"]


def test_the_commands_show_open_and_sign(told: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    """As compliance works: list, look, sign, until nothing is left; exit code 5 until then."""

    def typed(*words: str) -> tuple[int, str]:
        code = run(["review", words[0], told.lot, *words[1:], *common])
        return code, capsys.readouterr().out

    common = ["--record", told.url, "--as", SECOND]
    code, out = typed("list")
    assert code == 5 and out.count("CRITICAL") == 2
    code, some = typed("list", "--kind", "voided")
    assert code == 5 and "voided, waste: 9, position 5-10, 21-22, 31" in some
    assert "left out by the filters" in some
    groups = listed(told)
    for one in groups:
        code, out = typed("show", one["group"])
        assert code == 0 and all(f"position {place}, number" in out for place in one["open"])
        told_next = out.strip().splitlines()[-1].split()
        at = told_next.index("sign") + 2
        code, out = typed("sign", *told_next[at:], "--note", "seen")
        assert code == 0 and f"Signed as reviewed: {one['kind']}, {one['reason']}" in out
    assert "is empty" in out
    code, out = typed("list", "--all")
    assert code == 0 and "Nothing is to be reviewed." in out
    assert out.count("reviewed   ") == len(groups) and ": seen" in out
    assert typed("sign", "0" * 10, "--opened", "a")[0] == 2
    assert run(["lot", "show", told.lot, *common]) == 0
    assert "to be reviewed" not in capsys.readouterr().out


def test_the_picture_of_a_label_shows_what_stands_around_it(bench: Bench) -> None:
    """Every place as the print file has it, with the number printed there; how each reading was
    told to be its label's, when, and what was found; what left the web, and where spares stand."""
    printed = as_seen(bench.printed(48, lanes=4))
    rows = [dict(row, position="", row="", lane="") for row in printed]
    rows[21]["seen"] = ""
    for number, row in enumerate(rows):
        row["at"] = f"2026-06-01T09:00:{number // 4 * 2:02d}.{number % 4}00Z"
    record, lot = bench.record, bench.lot
    sk.inspect.take(record, lot, bench.results(rows))
    drawn = reviewing.picture(record, lot, 22)
    places = re.findall(
        r'<g class="place" data-position="(\d+)" data-own="(\w+)" (.*?)</g>', drawn, re.S
    )
    shown = {int(position): (own, rest) for position, own, rest in places}
    own = printed[21]
    near = [row for row in printed if abs(int(row["row"]) - int(own["row"])) <= 4]
    assert sorted(shown) == [int(row["position"]) for row in near]
    places_in = {}
    for row in near:
        position = int(row["position"])
        mine, rest = shown[position]
        assert (mine == "yes") == (position == 22)
        serial = sk.label.show(record, lot, position=position)["serial"]
        assert f"..{serial[-6:]}<" in rest and serial in row["seen"]
        x, y = re.search(r'<rect x="([\d.]+)" y="([\d.]+)"', rest).groups()  # type: ignore[union-attr]
        places_in[int(row["row"]), int(row["lane"])] = float(y), float(x)
        evidence = "count" if position == 22 else "read"  # one reading between two that are sure
        assert f'data-evidence="{evidence}"' in rest
        assert f"09:00:{(position - 1) // 4 * 2:02d}." in rest
    for (row, lane), (y, x) in places_in.items():  # rows run down, lane 1 is left
        for (other_row, other_lane), (other_y, other_x) in places_in.items():
            assert (row < other_row) == (y < other_y) and (lane < other_lane) == (x < other_x)
    assert drawn.count("+2000 ms") == 8
    for place in (0, 49):
        refused("label_unknown", reviewing.picture, record, lot, place)
    sk.label.void(record, lot, "22", reason="damaged", count=1)
    assert 'data-sign="G"' in reviewing.picture(record, lot, 22)


def test_the_lines_of_a_label_are_found_in_its_files(told: Bench) -> None:
    """The very lines of the file, by their numbers in it, however its pieces are cut; what has no
    number in it is known by its position or its time; no other label's number is among them."""
    record, lot = told.record, told.lot
    text = (told.folder / "results2.csv").read_text().splitlines()
    for position in (1, 5, 21, 60):
        [file] = reviewing.readings(record, lot, position)["files"]
        mine = [f"{position}," in line[: len(str(position)) + 1] for line in text]
        [one] = file["lines"]
        assert one["line"] == mine.index(True) + 1 and one["text"] == text[one["line"] - 1]
        assert ("number" in one["by"]) == (position in (1, 21, 60))
    whole = "\n".join(text).encode()
    wanted = needles("NOWHERE", [text[21].split(",")[4]], 21, [])
    for size in (1, 7, len(whole)):
        pieces = [whole[at : at + size] for at in range(0, len(whole), size)]
        [found] = find_lines(pieces, wanted)
        assert (found.line, found.text) == (22, text[21])
    refused("label_unknown", reviewing.readings, record, lot, 61)
