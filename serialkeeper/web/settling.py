"""What is decided about one label, on a page of its own: accept, void, replace, decommission, take
a mistake back. Wherever a label is shown, one touch leads here, and a decision leads back."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query

from serialkeeper import nouns
from serialkeeper.rules.moves import DECOMMISSION_REASONS
from serialkeeper.steps import watching
from serialkeeper.web.acting import Done, Form, Sent, act
from serialkeeper.web.answers import shows
from serialkeeper.web.asking import InHand, Lot, Number, Opened
from serialkeeper.web.pages import PAGE_PARAMETERS, is_here, lot_path

router = APIRouter(include_in_schema=False)

PAGE = "decision.html"
PATH = "/lots/{gtin}/{lot}/labels/{position}/decision"

Back = Annotated[str, Query(max_length=2000)]
"""From where somebody came, and wants to go again."""

Pitch = Annotated[float, Query(ge=0, le=10_000)]
"""Millimetres from label to label in a lane; 0 where it is not known."""


@shows(router, PATH, PAGE, takes=("back", "pitch"))
def decision(
    record: Opened, name: Lot, position: Number, back: Back = "", pitch: Pitch = 0
) -> dict[str, Any]:
    """One label, where it stands, what stands against it, and what may be decided."""
    return {
        "label": nouns.label.show(record, name, position=position),
        **watching.label_place(record, name, position),
        "reasons": [
            reason
            for reason, fate in DECOMMISSION_REASONS.items()
            if record.practice or not fate.roles or record.role in fate.roles
        ],
        "pitch": pitch,
        "back": back if is_here(back) else "",
    }


for verb in ("accept", "void", "remove", "replace", "decommission", "correct", "settle"):
    PAGE_PARAMETERS[f"/lots/{{gtin}}/{{lot}}/labels/{{position}}/{verb}"] = ("back", "pitch")


def _here(name: str, position: int, form: Form) -> str:
    """The page of the label again, with the way back."""
    back = form.text("back")
    asked = f"?{urlencode({'back': back})}" if is_here(back) else ""
    return f"{lot_path(name)}/labels/{position}/decision{asked}"


def _done(word: str, position: int, form: Form, name: str) -> Done:
    back = form.text("back")
    values = {"position": position, "lot": name.partition("/")[2]}
    return Done(word, values, back if is_here(back) else "")


@act(router, "/lots/{gtin}/{lot}/labels/{position}/accept", "label accept", of=PAGE)
def accept(
    record: InHand, form: Sent, name: Lot, position: Number, back: Back = "", pitch: Pitch = 0
) -> Done:
    """Accept a doubtful label, as far as its finding allows."""
    del back, pitch
    calibrated: date | None = form.day("calibrated") if form.text("calibrated") else None
    nouns.label.accept(
        record,
        name,
        position,
        reason=form.text("reason"),
        second=form.text("second"),
        scan=form.text("scan"),
        instrument=form.text("instrument"),
        calibrated=calibrated,
        grade=form.text("grade"),
    )
    return _done("told.accepted", position, form, name)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/void", "label void", of=PAGE)
def void(
    record: InHand, form: Sent, name: Lot, position: Number, back: Back = "", pitch: Pitch = 0
) -> Done:
    """Void a number that was never active."""
    del back, pitch
    nouns.label.void(record, name, str(position), reason=form.text("reason"), count=1)
    return _done("told.voided", position, form, name)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/remove", "roll removed", of=PAGE)
def remove(
    record: InHand, form: Sent, name: Lot, position: Number, back: Back = "", pitch: Pitch = 0
) -> Done:
    """Say that it was taken off its roll, beside a neighbour that was scanned before the cut."""
    del back, pitch
    scan = form.text("scan")
    nouns.roll.removed(record, name, form.whole("roll"), position=[position], scan=scan)
    return Done("told.removed", {"position": position}, _here(name, position, form))


@act(router, "/lots/{gtin}/{lot}/labels/{position}/settle", "label settle", of=PAGE)
def settle(
    record: InHand, form: Sent, name: Lot, position: Number, back: Back = "", pitch: Pitch = 0
) -> Done:
    """Say what was done about a label that had left and was seen all the same."""
    del back, pitch
    nouns.label.settle(record, name, str(position), reason=form.text("reason"))
    return _done("told.settled", position, form, name)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/replace", "label replace", of=PAGE)
def replace(
    record: InHand, form: Sent, name: Lot, position: Number, back: Back = "", pitch: Pitch = 0
) -> Done:
    """Say that a good label was put where this one was taken off."""
    del back, pitch
    nouns.label.replace(record, name, position, form.whole("spare"), reason=form.text("reason"))
    return _done("told.replaced", position, form, name)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/decommission", "label decommission", of=PAGE)
def decommission(
    record: InHand, form: Sent, name: Lot, position: Number, back: Back = "", pitch: Pitch = 0
) -> Done:
    """Decommission a unit that was active."""
    del back, pitch
    nouns.label.decommission(
        record,
        name,
        str(position),
        reason=form.text("reason"),
        note=form.text("note"),
        count=1,
        take_out=form.ticked("take_out"),
    )
    return _done("told.decommissioned", position, form, name)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/correct", "label correct", of=PAGE)
def correct(
    record: InHand, form: Sent, name: Lot, position: Number, back: Back = "", pitch: Pitch = 0
) -> Done:
    """Take a mistaken decommissioning back."""
    del back, pitch
    nouns.label.correct(
        record, name, str(position), reason=form.text("reason"), second=form.text("second"), count=1
    )
    return _done("told.corrected", position, form, name)
