"""Corrections: what was entered by mistake is taken back by a new entry, never by an edited one."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

from conftest import EXPIRY, GTIN, Bench, Clock, as_seen
from event_reading import read_back, schemas
from test_packs import LEVELS
from test_people import refused

import serialkeeper as sk

SECOND = "Second Person"
DEPOT = "9521234567899"
LINE = "9521234000020"
ORDER = "urn:epcglobal:cbv:bt:9521234000020:ORDER-7"


def good(bench: Bench, labels: int = 12) -> None:
    """A lot whose labels are all commissioned."""
    sk.inspect.take(bench.record, bench.lot, bench.results(as_seen(bench.printed(labels))))


def gone(bench: Bench, which: str, reason: str = "damaged", count: int | None = None) -> None:
    sk.label.decommission(bench.record, bench.lot, which, reason=reason, count=count)


def back(bench: Bench, which: str, count: int | None = None) -> dict[str, Any]:
    return sk.label.correct(
        bench.record, bench.lot, which, reason="71 was meant", second=SECOND, count=count
    )


def told(bench: Bench, form: str = "json") -> list[dict[str, Any]]:
    """The lot's events, read back."""
    bench.files += 1
    out = bench.folder / f"events{bench.files}"
    sk.events.write(bench.record, bench.lot, form=form, out=out)
    return read_back(form, out.read_text("utf-8"))


def ended(events: list[dict[str, Any]]) -> set[str]:
    """The units that have ended by what a receiver knows: DELETE, unless declared in error."""
    wrong = {event["id"] for event in events if event["declared"]}
    return {
        unit
        for event in events
        if event["action"] == "DELETE" and event["id"] not in wrong
        for unit in event["of"]
    }


def test_a_mistaken_end_is_taken_back_whole_or_in_part(bench: Bench, standards: Path) -> None:
    """The unit is what it was; downstream the events are declared in error: that they did not
    occur, or with others in their place over those that did end. Both ledgers see it."""
    valid = schemas(standards)
    good(bench)
    gone(bench, "3-7", count=5)
    gone(bench, "9", "sampled", count=1)
    assert back(bench, "4-5,7", 3)["states"] == {"commissioned": 3}
    assert back(bench, "9")["labels"] == 1
    states = bench.states()
    assert [states[p - 1] for p in (3, 4, 5, 6, 7, 9)] == [
        *("decommissioned", "commissioned", "commissioned", "decommissioned", "commissioned"),
        "commissioned",
    ]
    serials = [row["serial"] for row in sk.label.list(bench.record, bench.lot)]
    for form in ("json", "xml", "xml-1.2"):
        events = told(bench, form)
        assert valid(form, (bench.folder / f"events{bench.files}").read_text("utf-8"))
        assert ended(events) == {f"{GTIN}/{serials[p - 1]}" for p in (3, 6)}
    events = told(bench)
    wrong = {event["id"]: event for event in events if event["declared"]}
    assert sorted(event["error"] for event in wrong.values()) == [
        "did_not_occur",
        "did_not_occur",
        "incorrect_data",
    ]
    [partly] = [event for event in wrong.values() if event["corrective"]]
    assert partly["corrective"] == [e["id"] for e in events if len(e["of"]) == 2]
    # What stands in the place of one in error may turn out wrong, too.
    back(bench, "3,6", 2)
    assert ended(told(bench)) == set()
    assert set(bench.states()) == {"commissioned"}
    # Gone again is another event; the ledger counts each unit where it is now.
    gone(bench, "3", count=1)
    assert ended(told(bench)) == {f"{GTIN}/{serials[2]}"}
    told_lines = sk.lot.reconcile(bench.record, bench.lot)["lines"]
    lines = {one["name"]: one for one in told_lines}
    assert (lines["good"]["numbers"], lines["destroyed"]["numbers"]) == (11, 1)
    assert bench.heads()


def test_what_may_be_corrected(bench: Bench) -> None:
    """Only what is decommissioned, not destroyed or stolen, within ten days, by two people, with
    the number said; a unit that waited for a decision waits again."""
    good(bench)
    lot = (bench.record, bench.lot)
    refused("move_not_allowed", back, bench, "3")
    sk.label.decommission(*lot, "1", reason="destroyed", note="record 7", count=1)
    gone(bench, "2", "stolen", 1)
    for which in ("1", "2"):
        refused("move_not_allowed", back, bench, which)
    gone(bench, "3-4", count=2)
    refused("count_needed", back, bench, "3-4")
    refused("count_needed", back, bench, "3-4", 3)
    refused("reason_needed", sk.label.correct, *lot, "3", reason=" ")
    refused("label_unknown", back, bench, "99")
    live = sk.Record(**{**vars(bench.record), "practice": False, "role": "compliance"})
    refused("second_person_needed", sk.label.correct, live, bench.lot, "3", reason="a mistake")
    clock = bench.record.now
    assert isinstance(clock, Clock)
    clock.time += timedelta(days=10, seconds=-1)
    assert back(bench, "3")["labels"] == 1
    clock.time += timedelta(seconds=2)
    refused("move_not_allowed", back, bench, "4")
    assert bench.states()[:5] == ["decommissioned"] * 2 + [
        *("commissioned", "decommissioned", "commissioned"),
    ]
    groups = sk.review.list(*lot)["groups"]
    assert [one["reason"] for one in groups if one["kind"] == "corrected"] == ["71 was meant"]
    assert bench.heads()


def test_a_unit_that_was_pulled_back_is_pulled_back_again(bench: Bench) -> None:
    """It was active and waited for a decision when it was decommissioned by mistake."""
    rows = as_seen(bench.printed(6))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[:3]))
    rows[4]["seen"] = rows[1]["seen"]
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[3:]))
    assert bench.states()[1] == "rejected"
    gone(bench, "2", count=1)
    assert back(bench, "2")["states"] == {"rejected": 1}
    assert bench.states()[1] == "rejected" and bench.heads()


def test_packs_that_had_not_left_are_here_again(bench: Bench, standards: Path) -> None:
    """Said to be shipped, found on the dock: they can be changed and shipped once more; downstream
    it is told with the same transaction and places."""
    path = bench.folder / "packs.toml"
    path.write_text(LEVELS)
    record = bench.record
    sk.product.packs(record, GTIN, path)
    for gln, name in ((LINE, "Line 1"), (DEPOT, "Depot")):
        sk.location.add(record, gln, name=name, prefix_length=7, zone="UTC")
    sk.lot.open(
        *(record, GTIN, "PACKS"),
        expiry=EXPIRY,
        target=24,
        location=LINE,
        order=ORDER,
    )
    sk.lot.approve(record, "PACKS", second=SECOND)
    bench.lot = "PACKS"
    good(bench, 24)
    sk.pack.build(record, "PACKS", "case", in_order=True, count=2)
    first, second = (pack["key"] for pack in sk.pack.list(record, "PACKS")["packs"])
    transaction = f"desadv:urn:epcglobal:cbv:bt:{LINE}:D-1"
    sk.pack.ship(record, [first, second], to=DEPOT, transaction=transaction)
    assert sk.lot.show(record, "PACKS")["shipped"]["packs"] == 2
    refused("reason_needed", sk.pack.unship, record, [first], reason="")
    sk.pack.unship(record, [first], reason="still on the dock")
    refused("pack_state", sk.pack.unship, record, [first], reason="again")
    assert sk.lot.show(record, "PACKS")["shipped"]["packs"] == 1
    sk.pack.ship(record, [first], to=DEPOT)
    events = told(bench)
    leaving = [event for event in events if "shipping" in event["step"]]
    assert [event["step"] for event in leaving] == ["shipping", "void_shipping", "shipping"]
    assert leaving[1]["of"] == [first] and leaving[1]["transactions"] == leaving[0]["transactions"]
    assert leaving[1]["sources"] == [("location", LINE)]
    assert leaving[1]["destinations"] == [("location", DEPOT)]
    assert (leaving[0]["is at"], leaving[1]["is at"]) == ("", LINE)
    assert {event["read at"] for event in events} == {LINE}
    # Printing was told, as the lot has a production order: each number once.
    encoded = [event for event in events if event["kind"] == "TransactionEvent"]
    assert [event["step"] for event in encoded] == ["encoding"]
    assert len(encoded[0]["of"]) == 24 and encoded[0]["transactions"] == [("prodorder", ORDER)]
    assert schemas(standards)("json", (bench.folder / f"events{bench.files}").read_text("utf-8"))
    assert bench.heads()


def test_spoilt_numbers_of_an_order_are_told(bench: Bench) -> None:
    """They were encoded, and never were active: voiding them is told; one that was never printed
    was never told of."""
    record = bench.record
    sk.lot.open(record, GTIN, "ORDER", expiry=EXPIRY, target=9, order=ORDER)
    sk.lot.approve(record, "ORDER", second=SECOND)
    sk.serials.allocate(record, "ORDER", 5)
    sk.print.write(record, "ORDER", lanes=1, out=bench.folder / "p.csv", first=1, last=4)
    bench.lot = "ORDER"
    sk.label.void(record, "ORDER", "3", reason="waste", count=1)
    sk.label.void(record, "ORDER", "5", reason="surplus", count=1)
    serials = [row["serial"] for row in sk.label.list(record, "ORDER")]
    events = told(bench)
    assert [(e["kind"], e["action"], e["step"], len(e["of"])) for e in events] == [
        ("TransactionEvent", "ADD", "encoding", 4),
        ("TransactionEvent", "DELETE", "decommissioning", 1),
    ]
    assert events[1]["of"] == [f"{GTIN}/{serials[2]}"]
    refused(
        "bad_value",
        sk.lot.open,
        *(record, GTIN, "OTHER"),
        expiry=EXPIRY,
        target=9,
        order="no uri",
    )
    assert json.dumps(sk.lot.show(record, "ORDER")["production_order"]) == f'"{ORDER}"'
