"""Rolls by forms: named, slit, turned, marked, counted, cut, released."""

from __future__ import annotations

from fastapi import APIRouter

from serialkeeper import nouns
from serialkeeper.rules.rolls import FORWARD
from serialkeeper.web import looking  # its pages are there before their forms
from serialkeeper.web.acting import Done, Form, Sent, act, wrong
from serialkeeper.web.asking import HIGHEST, InHand, Lot, Number
from serialkeeper.web.pages import lot_path

router = APIRouter(include_in_schema=False)

ROLLS, ROLL, PULLS = looking.ROLL_PAGES
OF_ROLL = "/lots/{gtin}/{lot}/rolls/{number}"


@act(router, "/lots/{gtin}/{lot}/rolls", "roll add", of=ROLLS, beside={"roll_rows": "rows"})
def add_roll(record: InHand, form: Sent, name: Lot) -> Done:
    """Name rows of a print job as a roll."""
    made = nouns.roll.add(
        record,
        name,
        job=form.whole("job", 0),
        rows=form.text("rows"),
        wound=form.text("wound") or FORWARD,
    )
    return Done("told.roll_named", {"roll": made["roll"]}, f"{lot_path(name)}/rolls/{made['roll']}")


@act(router, f"{OF_ROLL}/slit", "roll slit", of=ROLL)
def slit(record: InHand, form: Sent, name: Lot, number: Number) -> Done:
    """Slit a parent roll into rolls of one lane each."""
    made = nouns.roll.slit(record, name, number, wound=form.text("wound"))
    return Done("told.roll_slit", {"count": len(made["rolls"])}, f"{lot_path(name)}/rolls")


@act(router, f"{OF_ROLL}/turn", "roll turn", of=ROLL)
def turn(record: InHand, form: Sent, name: Lot, number: Number) -> Done:
    """Say that a roll was rewound."""
    nouns.roll.turn(record, name, number, reason=form.text("reason"))
    return Done("told.roll_turned")


@act(router, f"{OF_ROLL}/mark", "roll mark", of=ROLL, beside={"roll_rows": "row"})
def mark(record: InHand, form: Sent, name: Lot, number: Number) -> Done:
    """Note a splice or blank labels."""
    nouns.roll.mark(
        record,
        name,
        number,
        form.text("what"),
        row=form.whole("row"),
        labels=form.whole("labels", 0),
        reason=form.text("reason"),
    )
    return Done("told.roll_marked")


@act(router, f"{OF_ROLL}/count", "roll count", of=ROLL)
def count_roll(record: InHand, form: Sent, name: Lot, number: Number) -> Done:
    """Enter the count at the rewinder."""
    made = nouns.roll.count(record, name, number, form.whole("labels"))
    told = {"counted": made["counted"], "expected": made["expected"]}
    if made["difference"]:
        return Done("told.roll_differs", told, kind="abnormal")
    return Done("told.roll_counted", told)


@act(router, f"{OF_ROLL}/removed", "roll removed", of=ROLL)
def removed(record: InHand, form: Sent, name: Lot, number: Number) -> Done:
    """Say that labels were taken off, beside a neighbour that was scanned."""
    cut = _positions(form)
    made = nouns.roll.removed(record, name, number, position=cut, scan=form.needed("scan"))
    told = {"positions": ", ".join(map(str, made["positions"])), "neighbour": made["neighbour"]}
    return Done("told.roll_cut", told)


def _positions(form: Form) -> list[int]:
    """Positions with spaces or commas between. Refuses `bad_value`."""
    named = form.needed("positions").replace(",", " ").split()
    if all(one.isascii() and one.isdecimal() and 0 < int(one) <= HIGHEST for one in named):
        return [int(one) for one in named]
    expected = "positions, with spaces or commas"
    came = form.text("positions")
    raise wrong("positions", "These are no positions.", expected=expected, came=came)


@act(router, f"{OF_ROLL}/release", "roll release", of=ROLL)
def release(record: InHand, form: Sent, name: Lot, number: Number) -> Done:
    """Release a roll, with a second person."""
    reason, second = form.text("reason"), form.text("second")
    nouns.roll.release(record, name, number, reason=reason, second=second)
    return Done("told.roll_released", {"roll": number})
