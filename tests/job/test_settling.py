"""A person decides each doubtful label; both ledgers agree, or the lot does not close."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from conftest import GTIN, Bench, as_seen

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.rules.findings import NEVER, WORDS


def spoiled(bench: Bench) -> None:
    """Twenty labels: 3 unreadable, 5 low grade, 7 failed by the camera, 9 wrong lot, 11 missing."""
    rows = as_seen(bench.printed(20))
    rows[2]["seen"] = ""
    rows[4]["grade"] = "1.0"
    rows[6]["verdict"] = "fail"
    rows[8]["seen"] = rows[8]["seen"].replace("LOT24A", "LOT24B")
    rows.pop(10)
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))


def scan_of(bench: Bench, position: int) -> str:
    serial = sk.label.show(bench.record, bench.lot, position=position)["serial"]
    return f"]d201{GTIN}21{serial}\x1d1728063010LOT24A"


def accept(bench: Bench, position: int, **evidence: Any) -> Any:
    more = {"reason": "looked at it", "second": "Second Person"} | evidence
    return sk.label.accept(bench.record, bench.lot, position, **more)


def refused_word(bench: Bench, position: int, **evidence: Any) -> str:
    before = bench.heads()
    with pytest.raises(sk.Refused) as refused:
        accept(bench, position, **evidence)
    assert bench.heads() == before
    return refused.value.word


def test_an_unreadable_label_needs_a_fresh_scan_of_the_planned_code(bench: Bench) -> None:
    """No scan, a scan of the neighbour, or one without GS is not enough; the right one is."""
    spoiled(bench)
    assert refused_word(bench, 3) == "evidence_needed"
    assert refused_word(bench, 3, scan=scan_of(bench, 4)) == "evidence_needed"
    assert refused_word(bench, 3, scan=scan_of(bench, 3).replace("\x1d", "")) == "evidence_needed"
    assert accept(bench, 3, scan=scan_of(bench, 3))["state"] == "commissioned"
    assert refused_word(bench, 3, scan=scan_of(bench, 3)) == "move_not_allowed"


def test_a_low_grade_needs_a_verifier(bench: Bench) -> None:
    """Instrument, calibration date and a grade that passes."""
    spoiled(bench)
    good = {"instrument": "verifier 1", "calibrated": date(2026, 5, 1), "grade": "1.5/08/660"}
    assert refused_word(bench, 5) == "evidence_needed"
    assert refused_word(bench, 5, **{**good, "calibrated": None}) == "evidence_needed"
    assert refused_word(bench, 5, **{**good, "grade": "1.4/08/660"}) == "evidence_needed"
    assert accept(bench, 5, **good)["state"] == "commissioned"


def test_a_wrong_lot_is_never_accepted(bench: Bench) -> None:
    """Whatever evidence is given, a label that names another lot goes."""
    spoiled(bench)
    assert refused_word(bench, 9, scan=scan_of(bench, 9)) == "never_accepted"
    sk.label.void(bench.record, bench.lot, "9", reason="waste")


def test_a_missing_label_that_is_found_and_scanned_can_be_accepted(bench: Bench) -> None:
    """The camera missed its trigger: the label is found on the web and scanned by hand."""
    spoiled(bench)
    assert refused_word(bench, 11) == "evidence_needed"
    assert accept(bench, 11, scan=scan_of(bench, 11))["state"] == "commissioned"
    sk.record.verify(bench.record)


def test_a_reason_is_needed(bench: Bench) -> None:
    """An empty reason is none."""
    spoiled(bench)
    assert refused_word(bench, 7, reason=" ") == "reason_needed"
    assert accept(bench, 7)["state"] == "commissioned"


def test_what_is_never_accepted_is_what_the_rules_say() -> None:
    """The findings that no evidence mends: a label that says something wrong (design, by rule)."""
    never = {word for word, (_, needs) in WORDS.items() if needs == NEVER}
    assert never == {
        "wrong_symbology",
        "malformed",
        "wrong_product",
        "wrong_lot",
        "wrong_expiry",
        "foreign",
        "not_issued",
        "voided_number",
        "used_number",
        "repeated",
        "other_number",
        "missed_plant",
    }


def test_good_labels_are_decommissioned_not_voided_and_the_others_the_other_way_round(
    bench: Bench,
) -> None:
    """A number that was active is never voided; one that never was is never decommissioned."""
    spoiled(bench)
    for call in (
        lambda: sk.label.void(bench.record, bench.lot, "1", reason="waste"),
        lambda: sk.label.decommission(bench.record, bench.lot, "3", reason="damaged"),
        lambda: sk.label.void(bench.record, bench.lot, "1-3", reason="waste"),
    ):
        with pytest.raises(sk.Refused) as refused:
            call()
        assert refused.value.word == "move_not_allowed"
    assert (
        sk.label.decommission(bench.record, bench.lot, "1", reason="damaged", count=1)["labels"]
        == 1
    )


def test_reasons_come_from_the_table(bench: Bench) -> None:
    """An invented reason, a printed label as surplus, a destruction without a record: refused."""
    spoiled(bench)
    sk.serials.allocate(bench.record, bench.lot, 3)
    for call in (
        lambda: sk.label.void(bench.record, bench.lot, "3", reason="because"),
        lambda: sk.label.void(bench.record, bench.lot, "3", reason="surplus"),
        lambda: sk.label.void(bench.record, bench.lot, "21", reason="waste"),
        lambda: sk.label.decommission(bench.record, bench.lot, "1", reason="destroyed"),
    ):
        with pytest.raises(sk.Refused) as refused:
            call()
        assert refused.value.word == "reason_needed"
    sk.label.decommission(bench.record, bench.lot, "1", reason="destroyed", note="D-17", count=1)


def test_a_voided_number_never_comes_back() -> None:
    """No move leads out of voided; out of decommissioned only the correction of a mistake does,
    back to where the unit was."""
    from serialkeeper.rules.moves import LEGAL

    assert {pair for pair in LEGAL if pair[0] in "xd"} == {("d", "c"), ("d", "R")}


def test_a_labels_life_is_told_move_by_move(bench: Bench) -> None:
    """Who, when, where, why and on which evidence, from allocation on."""
    spoiled(bench)
    accept(bench, 3, scan=scan_of(bench, 3))
    sk.label.decommission(bench.record, bench.lot, "3", reason="sampled", count=1)
    shown = sk.label.show(bench.record, bench.lot, position=3)
    assert [(step["from"], step["to"]) for step in shown["life"]] == [
        (None, "allocated"),
        ("allocated", "issued"),
        ("issued", "rejected"),
        ("rejected", "commissioned"),
        ("commissioned", "decommissioned"),
    ]
    assert shown["life"][2]["evidence"] == "position"
    assert shown["life"][3]["second"] == "Second Person"
    assert shown["findings"][0]["state"] == "settled"
    code = scan_of(bench, 3)
    by_code = sk.label.show(bench.record, code)
    by_number = sk.label.show(bench.record, GTIN, serial=shown["serial"])
    assert shown == by_code == by_number


def settle_all(bench: Bench) -> None:
    spoiled(bench)
    accept(bench, 3, scan=scan_of(bench, 3))
    sk.label.void(bench.record, bench.lot, "5,7,9,11", reason="waste")


def acknowledged(bench: Bench) -> None:
    """A person says of every alarm what it was."""
    ids = [row["id"] for row in sk.alarm.list(bench.record, bench.lot)]
    sk.alarm.acknowledge(bench.record, bench.lot, ids, cause="spoiled", restart_check="20 read")


def counted(bench: Bench, **terms: int) -> None:
    for term, value in terms.items():
        sk.lot.count(bench.record, bench.lot, term, value, witness="Second Person")


def test_a_lot_closes_when_both_ledgers_agree(bench: Bench) -> None:
    """Printed = good + destroyed by count and by number: reconciled, closed, frozen."""
    settle_all(bench)
    counted(bench, printer_counter=20, rewind_counter=16, destroyed=4)
    found = sk.lot.reconcile(bench.record, bench.lot)
    assert found["balanced"] and found["accounted_percent"] == "100.00"
    assert sk.lot.show(bench.record, bench.lot)["state"] == "reconciled"
    heads = bench.heads()
    assert sk.lot.reconcile(bench.record, bench.lot)["balanced"]
    assert bench.heads() == heads, "reconciling again writes nothing"
    with pytest.raises(sk.Refused) as refused:
        sk.lot.close(bench.record, bench.lot)
    assert refused.value.word == "alarms_open"
    acknowledged(bench)
    bench.reviewed()
    sk.lot.close(bench.record, bench.lot)
    for call in (
        lambda: sk.serials.allocate(bench.record, bench.lot, 1),
        lambda: sk.label.void(bench.record, bench.lot, "1", reason="waste"),
        lambda: sk.lot.count(bench.record, bench.lot, "samples", 1),
        lambda: sk.lot.close(bench.record, bench.lot),
    ):
        with pytest.raises(sk.Refused) as refused:
            call()
        assert refused.value.word == "lot_state"
    sk.label.decommission(bench.record, bench.lot, "1", reason="authority sample", count=1)
    assert sk.lot.show(bench.record, bench.lot)["state"] == "closed"
    sk.record.verify(bench.record)


def test_what_the_quality_unit_decided_is_recorded_and_counts_for_keeping(bench: Bench) -> None:
    """Of a closed lot only, by compliance, on a day that was; a second decision needs a reason and
    stands beside the first. A release makes the record be kept longer, a refusal does not."""
    rows = as_seen(bench.printed(8))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    day, of = date(2026, 6, 1), {"by": "Quality Unit", "reference": "QP-17"}

    def refused(word: str, decision: str = "released", **more: Any) -> None:
        before = bench.heads()
        with pytest.raises(sk.Refused) as refusal:
            sk.lot.decide(bench.record, bench.lot, decision, **{"on": day, **of, **more})
        assert refusal.value.word == word and bench.heads() == before

    refused("lot_state")
    for term in ("printer_counter", "rewind_counter"):
        sk.lot.count(bench.record, bench.lot, term, 8)
    sk.lot.close(bench.record, bench.lot)
    days = ({"on": date(2026, 6, 2)}, {"on": date(2026, 5, 29)})  # to come; before the closing
    for wrong in (*days, {"by": " "}, {"reference": "a\nb"}):
        refused("bad_value", **wrong)
    refused("bad_value", "released by the program")
    live = replace(bench.record, role="line lead", practice=False)
    with pytest.raises(sk.Refused, match="not for this role"):
        sk.lot.decide(live, bench.lot, "released", on=day, **of)
    told = sk.lot.decide(bench.record, bench.lot, "released", on=day, **of)
    assert (told["state"], told["decision"]["decision"]) == ("closed", "released")
    assert told["keep"]["terms"]["release"] == told["keep"]["until"] == "2031-06-01"
    refused("reason_needed", "refused")
    told = sk.lot.decide(bench.record, bench.lot, "refused", on=day, reason="complaint", **of)
    assert (told["decision"]["decision"], told["decision"]["earlier"]) == ("refused", 1)
    assert told["keep"]["until"] == "2029-06-30" and told["keep"]["by"] == "expiry"
    assert sk.lot.show(bench.record, bench.lot)["decision"] == told["decision"]
    assert sk.record.verify(bench.record)["sound"]


def test_a_lot_with_open_points_does_not_close(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """A rejected label, an unseen label, an unprinted one: each is named. What is still to be
    counted is named too, labels that were cut out with their witness; an alarm that somebody looked
    at tells of nothing put aside where nothing was."""
    spoiled(bench)
    sk.serials.allocate(bench.record, bench.lot, 2)
    with pytest.raises(sk.Refused) as refused:
        sk.lot.close(bench.record, bench.lot)
    assert refused.value.word == "lot_open_points"
    told = " ".join((refused.value.came, *refused.value.more))
    for piece in ("2 allocated", "1 printed label not seen", "4 rejected"):
        assert piece in told
    sk.label.void(bench.record, bench.lot, "3,5", reason="waste", count=2)
    common = ["--record", bench.url, "--as", "Line Lead"]
    assert run(["lot", "reconcile", bench.lot, *common]) == 5
    out = capsys.readouterr().out
    assert "lot count LOT24A printer_counter N" in out and "lot count LOT24A samples" not in out
    assert "cut out and destroyed: serialkeeper lot count LOT24A destroyed N --witness NAME" in out
    words = {"cause": "old web", "restart_check": "10 labels read"}
    sk.alarm.acknowledge(bench.record, bench.lot, [range(1, 9)], **words)
    assert run(["alarm", "list", bench.lot, *common]) == 0
    out = capsys.readouterr().out
    assert "old web" in out and "held" not in out and "put aside" not in out


@pytest.mark.parametrize(
    "terms",
    [
        {},
        {"printer_counter": 20, "rewind_counter": 16},
        {"printer_counter": 20, "rewind_counter": 17, "destroyed": 3},
        {"printer_counter": 21, "rewind_counter": 16, "destroyed": 4},
        {"printer_counter": 20, "rewind_counter": 15, "destroyed": 5},
        {"printer_counter": 20, "rewind_counter": 16, "destroyed": 4, "stock_received": 30},
    ],
)
def test_a_difference_between_the_ledgers_keeps_the_lot_open(
    bench: Bench, terms: dict[str, int]
) -> None:
    """One label too many or too few, even if the label side adds up by itself."""
    settle_all(bench)
    counted(bench, **terms)
    assert not sk.lot.reconcile(bench.record, bench.lot)["balanced"]
    with pytest.raises(sk.Refused) as refused:
        sk.lot.close(bench.record, bench.lot)
    assert refused.value.word == "lot_unbalanced"


def test_a_number_not_found_is_never_hidden_among_the_destroyed(bench: Bench) -> None:
    """A label that nobody found stays a line of its own, and needs an explanation to close."""
    spoiled(bench)
    sk.label.void(bench.record, bench.lot, "3,5,7,9", reason="waste")
    sk.label.void(bench.record, bench.lot, "11", reason="not found")
    counted(bench, printer_counter=20, rewind_counter=15, destroyed=4)
    found = sk.lot.reconcile(bench.record, bench.lot)
    line = next(line for line in found["lines"] if line["name"] == "unaccounted")
    assert (line["labels"], line["numbers"]) == (1, 1)
    assert not found["balanced"] and found["accounted_percent"] == "95.00"
    acknowledged(bench)
    bench.reviewed()
    closed = sk.lot.close(
        bench.record,
        bench.lot,
        explanation="label torn at start-up, pieces not kept",
        investigation="DEV-1",
        second="Second Person",
    )
    assert closed["state"] == "closed"


def test_counts_are_checked(bench: Bench) -> None:
    """Unknown terms, destruction without a witness, silent corrections, sums below nothing."""
    bench.printed(5)
    for term, value, more in (
        ("guessed", 1, {}),
        ("destroyed", 1, {}),
        ("samples", -1, {}),
        ("samples", -1, {"reason": "miscounted"}),
    ):
        with pytest.raises(sk.Refused) as refused:
            sk.lot.count(bench.record, bench.lot, term, value, **more)
        assert refused.value.word == "count_invalid"
    sk.lot.count(bench.record, bench.lot, "samples", 3)
    total = sk.lot.count(bench.record, bench.lot, "samples", -1, reason="miscounted")["total"]
    assert total == 2


def test_a_mistyped_range_takes_no_good_labels_away(bench: Bench) -> None:
    """Many labels, or labels without a finding, only leave when their number is said."""
    bench.printed(30)
    for which, count in (("2-19", None), ("2-19", 2), ("2", None), ("1,19", 18)):
        with pytest.raises(sk.Refused) as refused:
            sk.label.void(bench.record, bench.lot, which, reason="waste", count=count)
        assert refused.value.word == "count_needed"
    sk.label.void(bench.record, bench.lot, "2-19", reason="waste", count=18)
    assert bench.states().count("voided") == 18


def test_every_open_finding_has_to_be_satisfied(bench: Bench) -> None:
    """Missing in one file and wrong in the next: the missing one does not hide the wrong lot."""
    rows = as_seen(bench.printed(20))
    missing = rows.pop(4)
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    missing["seen"] = missing["seen"].replace("LOT24A", "LOT24B")
    sk.inspect.take(bench.record, bench.lot, bench.results([missing]))
    assert refused_word(bench, 5, scan=scan_of(bench, 5)) == "never_accepted"


def test_a_voided_label_seen_on_the_web_is_settled_before_the_lot_closes(bench: Bench) -> None:
    """A specimen that the camera saw is an open point until somebody says what was done."""
    rows = as_seen(bench.printed(20))
    sk.label.void(bench.record, bench.lot, "3", reason="specimen", count=1)
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    counted(bench, printer_counter=20, rewind_counter=19, specimens=1)
    with pytest.raises(sk.Refused) as refused:
        sk.lot.close(bench.record, bench.lot)
    assert "label settle" in refused.value.came
    with pytest.raises(sk.Refused) as refused:
        sk.label.settle(bench.record, bench.lot, "4", reason="cut out")
    assert refused.value.word == "move_not_allowed"
    sk.label.settle(bench.record, bench.lot, "3", reason="cut out at the rewinder")
    bench.reviewed()
    assert sk.lot.close(bench.record, bench.lot)["balanced"]
    sk.record.verify(bench.record)


def test_a_calibration_in_the_future_is_no_evidence(bench: Bench) -> None:
    """A verifier that will be calibrated is not calibrated."""
    spoiled(bench)
    future = {"instrument": "v", "calibrated": date(2099, 1, 1), "grade": "3.0/08/660"}
    assert refused_word(bench, 5, **future) == "evidence_needed"


def test_new_numbers_make_a_reconciled_lot_run_again(bench: Bench) -> None:
    """A lot is not 'reconciled' any more when numbers came in after it was."""
    settle_all(bench)
    counted(bench, printer_counter=20, rewind_counter=16, destroyed=4)
    assert sk.lot.reconcile(bench.record, bench.lot)["balanced"]
    sk.serials.allocate(bench.record, bench.lot, 3)
    assert sk.lot.show(bench.record, bench.lot)["state"] == "running"
    assert not sk.lot.reconcile(bench.record, bench.lot)["balanced"]
    sk.record.verify(bench.record)


def test_the_worse_ledger_gives_the_percentage(bench: Bench) -> None:
    """15 labels printed by the counter, 10 good: two thirds are accounted for, not all."""
    rows = as_seen(bench.printed(10))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert sk.lot.reconcile(bench.record, bench.lot)["accounted_percent"] is None
    counted(bench, printer_counter=15, rewind_counter=10)
    assert sk.lot.reconcile(bench.record, bench.lot)["accounted_percent"] == "66.66"
