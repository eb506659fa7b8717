"""What the camera saw becomes what happened to every label: the first form, with positions."""

from __future__ import annotations

import csv
import itertools
from collections.abc import Callable
from typing import Any

import pytest
from conftest import EXPIRY, GTIN, Bench, as_seen
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import serialkeeper as sk
from serialkeeper.rules.gs1 import check_digit
from serialkeeper.rules.rehearsal import FAULTS

Rows = list[dict[str, Any]]


def test_a_faultless_web_is_commissioned_label_by_label(bench: Bench) -> None:
    """Every label read once, in its place, with its own code: all are commissioned."""
    rows = as_seen(bench.printed(20))
    taken = sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert taken["states"] == {"commissioned": 20}
    assert taken["findings"] == {}
    assert {row["evidence"] for row in bench.labels()} == {"read"}


def spoil_with(**fields: str) -> Callable[[Rows], None]:
    def spoil(rows: Rows) -> None:
        rows[4] |= fields

    return spoil


def other_code(**changes: str) -> Callable[[Rows], None]:
    def spoil(rows: Rows) -> None:
        seen = rows[4]["seen"]
        for old, new in changes.items():
            seen = seen.replace({"lot": "LOT24A", "expiry": "280630", "gtin": GTIN}[old], new)
        rows[4]["seen"] = seen

    return spoil


def repeat_neighbour(rows: Rows) -> None:
    rows[5]["seen"] = rows[4]["seen"]


def swap(rows: Rows) -> None:
    rows[4]["seen"], rows[5]["seen"] = rows[5]["seen"], rows[4]["seen"]


def twice_at_one_place(rows: Rows) -> None:
    rows.insert(5, dict(rows[4]))


def again_later(rows: Rows) -> None:
    rows.append(dict(rows[4], at="2026-06-01T09:30:00.000Z"))


def twice_elsewhere(rows: Rows) -> None:
    rows[4]["seen"], rows[6]["seen"] = rows[5]["seen"], rows[5]["seen"]
    rows[5]["seen"] = ""


CASES: dict[str, tuple[Callable[[Rows], None], dict[int, str]]] = {
    "nothing read": (spoil_with(seen=""), {5: "unreadable"}),
    "plain Data Matrix": (
        lambda rows: rows[4].update(seen="]d1" + rows[4]["seen"][3:]),
        {5: "wrong_symbology"},
    ),
    "no symbology identifier": (
        lambda rows: rows[4].update(seen=rows[4]["seen"][3:]),
        {5: "wrong_symbology"},
    ),
    "lost separator": (
        lambda rows: rows[4].update(seen=rows[4]["seen"].replace("{GS}", "")),
        {5: "malformed"},
    ),
    "wrong check digit": (other_code(gtin="09521234543214"), {5: "malformed"}),
    "day that does not exist": (other_code(expiry="280631"), {5: "malformed"}),
    "other product": (other_code(gtin="09521234000006"), {5: "wrong_product"}),
    "other lot": (other_code(lot="LOT24B"), {5: "wrong_lot"}),
    "other expiry": (other_code(expiry="280629"), {5: "wrong_expiry"}),
    "unknown number": (
        lambda rows: rows[4].update(seen=f"]d201{GTIN}21ZZZZ{{GS}}1728063010LOT24A"),
        {5: "foreign"},
    ),
    "printer repeats a record": (repeat_neighbour, {5: "read_twice", 6: "repeated"}),
    "two labels swapped": (swap, {5: "out_of_place", 6: "out_of_place"}),
    "two triggers at one place": (twice_at_one_place, {}),
    "read again later at one place": (again_later, {5: "read_twice"}),
    "a number only elsewhere, twice": (
        twice_elsewhere,
        {5: "repeated", 6: "repeated", 7: "repeated"},
    ),
    "low grade": (spoil_with(grade="1.4"), {5: "low_grade"}),
    "grade F": (spoil_with(grade="F"), {5: "low_grade"}),
    "grade with conditions": (spoil_with(grade="1.4/08/660"), {5: "low_grade"}),
    "camera says fail": (spoil_with(verdict="fail"), {5: "failed_by_camera"}),
    "text differs": (
        spoil_with(text=f"GTIN {GTIN}|SN WRONG|LOT LOT24A|EXP 2028-06-30"),
        {5: "text_mismatch"},
    ),
    "no row at all": (lambda rows: rows.pop(4) and None, {5: "not_seen"}),
}


@pytest.mark.parametrize("case", CASES)
def test_each_fault_is_named_and_nothing_bad_is_commissioned(bench: Bench, case: str) -> None:
    """One fault in a web of twenty: its labels are held under its name, all others are good."""
    spoil, expected = CASES[case]
    rows = as_seen(bench.printed(20))
    spoil(rows)
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings() == expected
    for position, state in enumerate(bench.states(), 1):
        held = "issued" if expected.get(position) == "not_seen" else "rejected"
        assert state == (held if position in expected else "commissioned"), position
    sk.record.verify(bench.record)


def test_the_gravest_finding_wins(bench: Bench) -> None:
    """A label that is both unreadable and failed by the camera is called unreadable."""
    rows = as_seen(bench.printed(20))
    rows[4] |= {"seen": "", "verdict": "fail", "grade": ""}
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings() == {5: "unreadable"}


def test_a_grade_at_the_minimum_passes(bench: Bench) -> None:
    """Grade 1.5 is enough where 1.5 is asked for, and C (2.0) is more."""
    rows = as_seen(bench.printed(20))
    rows[4]["grade"], rows[5]["grade"], rows[6]["grade"] = "1.5/08/660", "C", ""
    assert sk.inspect.take(bench.record, bench.lot, bench.results(rows))["findings"] == {}


def test_the_same_bytes_again_change_nothing(bench: Bench) -> None:
    """Invariant 7: the same file under another name is 'already taken'."""
    rows = as_seen(bench.printed(20))
    rows[3]["seen"] = ""
    first = sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    heads = bench.heads()
    again = sk.inspect.take(bench.record, bench.lot, bench.results(rows, name="copy.csv"))
    assert again == {**first, "already_taken": True}
    assert bench.heads() == heads


def test_the_same_name_with_other_content_is_refused(bench: Bench) -> None:
    """A results file that changed after it was taken is not taken a second time."""
    rows = as_seen(bench.printed(20))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[:10], name="a.csv"))
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.take(bench.record, bench.lot, bench.results(rows[10:], name="a.csv"))
    assert refused.value.word == "results_name_taken"


def test_two_files_cannot_claim_the_same_labels(bench: Bench) -> None:
    """A second first pass over inspected labels is refused as a whole."""
    rows = as_seen(bench.printed(20))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[:12]))
    heads = bench.heads()
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.take(bench.record, bench.lot, bench.results(rows[10:]))
    assert refused.value.word == "results_claimed"
    assert bench.heads() == heads
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[12:]))
    assert set(bench.states()) == {"commissioned"}


def test_a_commissioned_number_seen_again_elsewhere_is_pulled_back(bench: Bench) -> None:
    """The second file shows a number of the first: both labels are held, the event says so."""
    rows = as_seen(bench.printed(20))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[:10]))
    rows[15]["seen"] = rows[2]["seen"]
    taken = sk.inspect.take(bench.record, bench.lot, bench.results(rows[10:]))
    assert bench.states()[2] == bench.states()[15] == "rejected"
    assert {alarm["kind"] for alarm in taken["alarms"]} >= {"other_number"}
    with pytest.raises(sk.Refused) as refused:
        sk.label.void(bench.record, bench.lot, "3", reason="waste")
    assert "decommission" in refused.value.remedy
    sk.label.decommission(bench.record, bench.lot, "3", reason="damaged")
    out = bench.folder / "events.xml"
    sk.events.write(bench.record, bench.lot, form="xml", out=out)
    text = out.read_text()
    assert text.index("active") < text.index("non_conformant") < text.index("inactive")


def test_voided_and_unprinted_labels_stay_what_they_are(bench: Bench) -> None:
    """A reading of a voided label, and one of a label never sent to the printer, are findings."""
    rows = as_seen(bench.printed(20))
    sk.label.void(bench.record, bench.lot, "3", reason="specimen", count=1)
    sk.serials.allocate(bench.record, bench.lot, 5)
    row = sk.label.show(bench.record, bench.lot, position=21)
    rows.append(
        {
            "position": 21,
            "seen": f"]d201{GTIN}21{row['serial']}{{GS}}1728063010LOT24A",
            "verdict": "pass",
        }
    )
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings() == {3: "voided_number", 21: "not_issued"}
    assert (bench.states()[2], bench.states()[20]) == ("voided", "allocated")


def test_row_and_lane_name_a_place_too(bench: Bench) -> None:
    """Without positions, row and lane of the only print job say where a reading was taken."""
    rows = as_seen(bench.printed(22, lanes=4))
    for row in rows:
        row["position"] = ""
    assert sk.inspect.take(bench.record, bench.lot, bench.results(rows))["states"] == {
        "commissioned": 22
    }


def test_a_lot_that_commissions_at_application_only_verifies(bench: Bench) -> None:
    """Where labels count only on the pack, good ones become 'verified', with no event."""
    sk.lot.open(bench.record, GTIN, "APPLY", expiry=EXPIRY, target=10, commission_at="application")
    sk.lot.approve(bench.record, "APPLY")
    bench.lot = "APPLY"
    rows = as_seen(bench.printed(10))
    rows[1]["seen"] = ""
    taken = sk.inspect.take(bench.record, "APPLY", bench.results(rows))
    assert taken["states"] == {"verified": 9, "rejected": 1}
    with pytest.raises(sk.Refused) as refused:
        sk.events.write(bench.record, "APPLY", form="json", out=bench.folder / "e.jsonld")
    assert refused.value.word == "nothing_to_send"
    sk.record.verify(bench.record)


def test_alarms_tell_when_to_stop_and_look(bench: Bench) -> None:
    """Three bad in a row in one lane, and any foreign label, alarm (common practice, no source)."""
    rows = as_seen(bench.printed(40, lanes=4))
    for index in (1, 5, 9):
        rows[index]["seen"] = ""
    rows[20]["seen"] = f"]d201{GTIN}21ZZZZ{{GS}}1728063010LOT24A"
    alarms = sk.inspect.take(bench.record, bench.lot, bench.results(rows))["alarms"]
    assert alarms == [
        {"kind": "foreign", "lane": None, "first": 21, "last": 21, "labels": 1},
        {"kind": "in_a_row", "lane": 2, "first": 2, "last": 10, "labels": 3},
    ]


def test_the_original_is_kept_as_it_came(bench: Bench) -> None:
    """The record can give back the camera's file, byte for byte."""
    from serialkeeper.store.view import key_of

    path = bench.results(as_seen(bench.printed(20)))
    sk.inspect.take(bench.record, bench.lot, path)
    with bench.record.read() as view:
        lot = view.lot(bench.lot)
        take = view.takes(key_of(lot))[0]
        assert b"".join(view.original(key_of(lot), take.sha256)) == path.read_bytes()


@pytest.mark.parametrize("seed", range(6))
def test_a_rehearsal_ends_as_its_truth_says(bench: Bench, seed: int) -> None:
    """Every planted fault ends as the truth file says; nothing bad is commissioned."""
    bench.printed(2000)
    results, truth = bench.folder / "results.csv", bench.folder / "truth.csv"
    faults = [f"{fault}=0.01" for fault in FAULTS]
    sk.inspect.rehearse(bench.record, bench.lot, out=results, truth=truth, seed=seed, faults=faults)
    taken = sk.inspect.take(bench.record, bench.lot, results)
    with truth.open(newline="") as file:
        told = {int(row["position"]): row for row in csv.DictReader(file)}
    for row in bench.labels():
        assert row["state"] == told[row["position"]]["outcome"], (row, told[row["position"]])
    assert {row["fault"] for row in told.values()} - {""} == set(FAULTS)
    assert taken["ambiguous"] == 0


def test_the_same_seed_rehearses_the_same_faults(bench: Bench) -> None:
    """A rehearsal can be told again: only its times move."""
    bench.printed(500)
    truths = []
    for name in ("a", "b"):
        out, truth = bench.folder / f"{name}.csv", bench.folder / f"{name}-truth.csv"
        sk.inspect.rehearse(bench.record, bench.lot, out=out, truth=truth, seed=3)
        truths.append(truth.read_bytes())
    assert truths[0] == truths[1]


READING = st.tuples(
    st.integers(1, 8),
    st.sampled_from(["own", "neighbour", "far", "none", "foreign", "lot"]),
    st.sampled_from(["3.5", "1.0", ""]),
    st.sampled_from(["pass", "fail"]),
)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(readings=st.lists(READING, min_size=1, max_size=14))
def test_never_good_unless_read_good_once_in_its_place(
    bench: Bench, readings: list[tuple[int, str, str, str]]
) -> None:
    """Invariant 5, on any web: a commissioned label was read good, in its place only, and
    nothing else was read there."""
    number = f"H{next(_NUMBERS)}"
    sk.lot.open(bench.record, GTIN, number, expiry=EXPIRY, target=8)
    sk.lot.approve(bench.record, number)
    bench.lot = number
    planned = {int(row["position"]): row["seen"] for row in as_seen(bench.printed(8))}
    rows = []
    for place, what, grade, verdict in readings:
        seen = {
            "own": planned[place],
            "neighbour": planned[place % 8 + 1],
            "far": planned[(place + 3) % 8 + 1],
            "none": "",
            "foreign": f"]d201{GTIN}21ZZ{{GS}}1728063010{number}",
            "lot": planned[place] + "X",
        }[what]
        rows.append({"position": place, "seen": seen, "grade": grade, "verdict": verdict})
    sk.inspect.take(bench.record, number, bench.results(rows))
    for label in bench.labels():
        own = [row for row in rows if row["seen"] == planned[label["position"]]]
        at_home = [row for row in rows if row["position"] == label["position"]]
        good = len(own) >= 1 and own == at_home
        good = good and all(row["verdict"] == "pass" and row["grade"] != "1.0" for row in own)
        assert (label["state"] == "commissioned") == good


_NUMBERS = itertools.count(1)


SPELLINGS: dict[str, Callable[[str], str]] = {
    "separator at the end": lambda seen: seen + "{GS}",
    "day 00": lambda seen: seen.replace("17280630", "17280600"),
    "elements in another order": lambda seen: (
        "]d2" + "{GS}".join([f"01{GTIN}" + "1728063010LOT24A", seen[19:].split("{GS}")[0]])
    ),
    "plain Data Matrix": lambda seen: "]d1" + seen[3:],
    "bracketed": lambda seen: f"(01){GTIN}(21){seen[21:].split('{GS}')[0]}(17)280630",
    "bare number": lambda seen: "]C1" + seen[21:].split("{GS}")[0],
    "Digital Link": lambda seen: f"https://id.gs1.org/01/{GTIN}/21/{seen[21:].split('{GS}')[0]}",
    "small letters": lambda seen: seen.lower(),
    "separator within": lambda seen: seen[:25] + "{GS}" + seen[25:],
    "lost separator": lambda seen: seen.replace("{GS}", ""),
    "other lot": lambda seen: seen.replace("LOT24A", "LOT24B"),
}


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_a_twin_is_a_twin_however_it_is_written(bench: Bench, spelling: str) -> None:
    """The number of a good label on another label too, in any spelling: neither is good."""
    rows = as_seen(bench.printed(20))
    rows[2]["seen"] = SPELLINGS[spelling](rows[4]["seen"])
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.states()[2] == bench.states()[4] == "rejected"
    assert bench.findings()[5] == "read_twice"
    assert bench.states().count("commissioned") == 18


def test_a_raw_separator_is_a_separator(bench: Bench) -> None:
    """A camera that writes the character 29 itself is understood."""
    rows = as_seen(bench.printed(20))
    for row in rows:
        row["seen"] = row["seen"].replace("{GS}", "\x1d")
    taken = sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert taken["states"] == {"commissioned": 20}


def test_a_strange_label_is_not_hidden_by_a_displaced_number(bench: Bench) -> None:
    """Another lot's label at place 5, number 5 at place 3: the other lot is named."""
    rows = as_seen(bench.printed(20))
    rows[2]["seen"] = rows[4]["seen"]
    rows[4]["seen"] = rows[5]["seen"].replace("LOT24A", "LOT24B")
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings()[5] == "wrong_lot"


def test_a_number_seen_before_it_was_printed_is_never_good(bench: Bench) -> None:
    """Number 10 stood on the web before it was issued: its own label is held later."""
    first = as_seen(bench.printed(8))
    sk.serials.allocate(bench.record, bench.lot, 4)
    serial = sk.label.show(bench.record, bench.lot, position=10)["serial"]
    first[2]["seen"] = f"]d201{GTIN}21{serial}{{GS}}1728063010LOT24A"
    sk.inspect.take(bench.record, bench.lot, bench.results(first))
    out = bench.folder / "second.csv"
    sk.print.write(bench.record, bench.lot, lanes=4, out=out)
    sk.inspect.take(bench.record, bench.lot, bench.results(as_seen(out)))
    assert bench.states()[9] == "rejected"
    with pytest.raises(sk.Refused) as refused:
        sk.label.accept(bench.record, bench.lot, 10, reason="x", second="Second Person")
    assert refused.value.word == "never_accepted"


def test_a_missing_label_that_a_later_file_reads_is_missing_no_more(bench: Bench) -> None:
    """Seen by the second file: good, and nothing is open."""
    rows = as_seen(bench.printed(20))
    missing = rows.pop(4)
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    taken = sk.inspect.take(bench.record, bench.lot, bench.results([missing]))
    assert taken["states"] == {"commissioned": 20}
    assert list(sk.label.list(bench.record, bench.lot, state="doubtful")) == []
    sk.record.verify(bench.record)


@pytest.mark.parametrize("at", ["9999-12-31T23:59:59-01:00", "1999-12-31T23:59:59.000Z"])
def test_a_clock_that_was_never_set_is_refused(bench: Bench, at: str) -> None:
    """A reading from the last millennium or from the future is no evidence of when."""
    rows = as_seen(bench.printed(20))
    rows[4]["at"] = at
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert (refused.value.word, refused.value.came) == ("results_value", at)


def test_awkward_lots_survive_every_form_and_file(bench: Bench) -> None:
    """Lots of every awkward sign, in every element order: printed, seen, commissioned, sent."""
    import json

    from lxml import etree

    for number, (lot, order) in enumerate(
        zip(
            ['A,"B"', "%2F/<&>", "(10)'=+;", "21170010", "<GS>x", "?!*_-.:"],
            itertools.permutations(["01", "21", "17", "10"]),
            strict=False,
        )
    ):
        gtin = f"952123400{number:03d}"
        gtin = sk.product.add(
            bench.record,
            gtin + check_digit(gtin),
            prefix_length=7,
            name="x",
            order=order,
        )["gtin"]
        sk.lot.open(bench.record, gtin, lot, expiry=EXPIRY, target=5)
        bench.lot = f"{gtin}/{lot}"
        sk.lot.approve(bench.record, bench.lot)
        rows = as_seen(bench.printed(9))
        rows[3]["seen"] = rows[4]["seen"]
        taken = sk.inspect.take(bench.record, bench.lot, bench.results(rows))
        assert taken["states"] == {"commissioned": 7, "rejected": 2}, lot
        out = bench.folder / f"e{number}"
        sk.events.write(bench.record, bench.lot, form="json", out=out.with_suffix(".jsonld"))
        sk.events.write(bench.record, bench.lot, form="xml", out=out.with_suffix(".xml"))
        event = json.loads(out.with_suffix(".jsonld").read_text())["epcisBody"]["eventList"][0]
        tree = etree.parse(out.with_suffix(".xml"))
        assert event["ilmd"]["cbvmda:lotNumber"] == lot
        assert [e.text for e in tree.iter("{urn:epcglobal:cbv:mda}lotNumber")] == [lot]
    sk.record.verify(bench.record)


def test_an_unread_trigger_does_not_hide_a_wrong_label(bench: Bench) -> None:
    """Two triggers at one place, one unread and one of another product: the product is named."""
    rows = as_seen(bench.printed(20))
    wrong = {**rows[4], "seen": rows[4]["seen"].replace(GTIN, "09521234000006")}
    rows[4]["seen"] = ""
    taken = sk.inspect.take(bench.record, bench.lot, bench.results([*rows, wrong]))
    assert bench.findings()[5] == "wrong_product"
    assert "wrong_product" in {alarm["kind"] for alarm in taken["alarms"]}


def test_an_unprinted_label_that_was_seen_is_no_surplus(bench: Bench) -> None:
    """A number that the camera saw was printed by somebody: it leaves as waste, and counts."""
    rows = as_seen(bench.printed(8))
    sk.serials.allocate(bench.record, bench.lot, 4)
    serial = sk.label.show(bench.record, bench.lot, position=10)["serial"]
    rows.append({"position": 10, "seen": f"]d201{GTIN}21{serial}{{GS}}1728063010LOT24A"})
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    for which in ("10", "9-12"):
        with pytest.raises(sk.Refused) as refused:
            sk.label.void(bench.record, bench.lot, which, reason="surplus", count=4)
        assert refused.value.word == "reason_needed"
    sk.label.void(bench.record, bench.lot, "10", reason="waste", count=1)
    sk.label.void(bench.record, bench.lot, "9,11-12", reason="surplus", count=3)
    for term, value in (("printer_counter", 8), ("rewind_counter", 8)):
        sk.lot.count(bench.record, bench.lot, term, value)
    assert not sk.lot.reconcile(bench.record, bench.lot)["balanced"]
    sk.record.verify(bench.record)
