"""The journal as people read it: what each entry changed, from which value to which.

The values are held against another way to them: told forwards, each change has to begin where the
last one of the same value ended, and end where the record stands now.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from conftest import Bench, as_seen

import serialkeeper as sk
from serialkeeper.steps import journals

SECOND = "Second Person"


@pytest.fixture
def told(bench: Bench) -> Bench:
    """A lot in which much happened."""
    rows = as_seen(bench.printed(40))
    rows[4]["seen"] = rows[6]["seen"] = ""
    rows[40 - 3]["grade"] = "0.5"
    record, lot = bench.record, bench.lot
    sk.inspect.take(record, lot, bench.results(rows))
    sk.label.void(record, lot, "5,7", reason="waste", count=2)
    sk.label.accept(record, lot, 38, reason="verifier", second=SECOND, grade="3.0",
                    instrument="V1", calibrated=record.now().date())  # fmt: skip
    number = sk.hold.place(record, lot, reason="counted again")["hold"]
    sk.hold.lift(record, lot, number, reason="all there")
    sk.lot.count(record, lot, "printer_counter", 40)
    bench.reviewed()
    return bench


def every(record: sk.Record, lot: str) -> list[dict[str, Any]]:
    """All entries, each as it is told alone, in the order in which they were written."""
    count = journals.browse(record, lot)["count"]
    return [journals.tell(record, lot, number) for number in range(1, count + 1)]


def test_every_old_value_is_the_new_one_before_it(told: Bench) -> None:
    """For rows and for labels, parts included; the last value is the one that the record has; a
    list tells of each entry what the entry alone does."""
    record, lot = told.record, told.lot
    last: dict[tuple[str, str, str], Any] = {}
    states: dict[int, str | None] = {}
    entries = every(record, lot)
    for entry in entries:
        for one in entry["changes"]:
            if (one["what"], one["field"]) == ("label", "state"):
                assert "..." not in one["name"]
                spans = [piece.split("-") for piece in one["name"].split(", ")]
                places = [p for span in spans for p in range(int(span[0]), int(span[-1]) + 1)]
                assert {states.get(place) for place in places} == {one["old"]}, entry
                assert one["labels"] == len(places)
                states |= dict.fromkeys(places, one["new"])
            elif one["what"] not in ("label", "said"):
                place = (one["what"], one["name"], one["field"])
                assert one["old"] in (None, last.get(place)), (entry["verb"], one)
                last[place] = one["new"]
    assert states == {row["position"]: row["state"] for row in told.labels()}
    moved = [one for entry in entries for one in entry["changes"] if one["field"] == "state"]
    assert [(one["old"], one["new"]) for one in moved if one["what"] == "lot"] == [
        *((None, "draft"), ("draft", "approved"), ("approved", "running")),
    ]
    assert last["lot", "", "state"] == sk.lot.show(record, lot)["state"] == "running"
    assert {entry["verb"] for entry in entries} >= {"taken", "voided", "held", "reviewed"}
    listed = journals.browse(record, lot, most=99)["entries"]
    assert [one["entry"] for one in listed] == [one["entry"] for one in reversed(entries)]
    for one, alone in zip(listed, reversed(entries), strict=True):
        rest = [line for line in alone["changes"] if line in one["changes"]]
        assert rest == one["changes"], one["verb"]
    for before, after in pairwise(entries):
        assert after["previous"] == before["own"]


def test_entries_are_found_and_counted(told: Bench) -> None:
    """By verb, person, day and label, page by page; what is counted is what the pages give."""
    record, lot = told.record, told.lot
    day = record.now().date()
    verbs = [one["verb"] for one in sk.record.entries(record, lot)]
    confirmed = [one["verb"] for one in sk.record.entries(record, lot) if one["second"] == SECOND]
    assert confirmed
    for more, there in (
        ({}, verbs),
        ({"verb": "reviewed"}, [verb for verb in verbs if verb == "reviewed"]),
        ({"person": SECOND}, confirmed),
        ({"person": "Nobody"}, []),
        ({"day": day}, verbs),
        ({"label": 5}, ["allocated", "issued", "taken", "voided"]),
    ):
        seen: list[str] = []
        before = 0
        while page := (found := journals.browse(record, lot, before=before, most=3, **more))[
            "entries"
        ]:
            assert found["skipped"] == len(seen) and found["matching"] == len(there)
            seen += [one["verb"] for one in page]
            before = page[-1]["entry"]
        assert seen == there[::-1], more
    with pytest.raises(sk.Refused) as refused:
        journals.browse(record, lot, label=41)
    assert refused.value.word == "label_unknown"
    with pytest.raises(sk.Refused):
        journals.tell(record, lot, 0)
    house = journals.browse(record)
    assert house["lot"] is None and house["count"] == len(house["entries"])
    made = {one["field"]: one["new"] for entry in house["entries"] for one in entry["changes"]}
    assert made["role"] == "line lead"
