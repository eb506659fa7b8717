"""What is decided about one label, on a page of its own: accept, void, replace, decommission, take
a mistake back. Wherever a label is shown, one touch leads here, and a decision leads back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query

from serialkeeper import nouns
from serialkeeper.rules.findings import FRESH_SCAN, NEVER, VERIFIER
from serialkeeper.rules.moves import DECOMMISSION_REASONS
from serialkeeper.rules.rights import may
from serialkeeper.steps import watching
from serialkeeper.web.acting import Done, Sent, act
from serialkeeper.web.answers import shows
from serialkeeper.web.asking import InHand, Lot, Number, Opened
from serialkeeper.web.pages import PAGE_PARAMETERS, is_here, lot_path

router = APIRouter(include_in_schema=False)

PAGE = "decision.html"
PATH = "/lots/{gtin}/{lot}/labels/{position}/decision"


@dataclass(frozen=True, slots=True)
class Came:
    """How somebody came to the page of a label; it stands in the address.

    Attributes:
        back: the page from where, and to where a decision leads; empty if it is not one of ours.
        pitch: millimetres from label to label in a lane; 0 where it is not known.
    """

    back: str = ""
    pitch: float = 0.0

    def done(self, word: str, name: str, position: int) -> Done:
        """What was decided, and the way back."""
        return Done(word, {"position": position, "lot": name.partition("/")[2]}, self.back)


async def _came(
    back: Annotated[str, Query(max_length=2000)] = "",
    pitch: Annotated[float, Query(ge=0, le=10_000)] = 0,
) -> Came:
    return Came(back if is_here(back) else "", pitch)


From = Annotated[Came, Depends(_came)]

ASKED = ("back", "pitch")

for verb in ("accept", "void", "remove", "replace", "decommission", "correct", "settle"):
    PAGE_PARAMETERS[f"/lots/{{gtin}}/{{lot}}/labels/{{position}}/{verb}"] = ASKED


_VERBS = {
    **{"accept": "accepted", "void": "voided", "decommission": "decommissioned"},
    **{"settle": "settled", "correct": "corrected"},
}
"""What is written where a label is decided, by the names of moves."""


@shows(router, PATH, PAGE, takes=ASKED)
def decision(record: Opened, name: Lot, position: Number, came: From) -> dict[str, Any]:
    """One label, where it stands, what stands against it, and what may be decided."""
    there = watching.label_place(record, name, position)
    needs = there["needs"] or ()
    open_moves = {*there["moves"], *(["accept"] if needs and NEVER not in needs else [])}
    return {
        "label": nouns.label.show(record, name, position=position),
        **there,
        "never": NEVER in needs,
        "by_scan": FRESH_SCAN in needs,
        "by_verifier": VERIFIER in needs,
        "reasons": [
            reason
            for reason, fate in DECOMMISSION_REASONS.items()
            if may("decommissioned", record.role, practice=record.practice, narrower=fate.roles)
        ],
        "others": [
            (move, verb)
            for move, verb in _VERBS.items()
            if move in open_moves and not may(verb, record.role, practice=record.practice)
        ],
        "pitch": came.pitch,
        "back": came.back,
    }


@act(router, "/lots/{gtin}/{lot}/labels/{position}/accept", "label accept", of=PAGE)
def accept(record: InHand, form: Sent, name: Lot, position: Number, came: From) -> Done:
    """Accept a doubtful label, as far as its finding allows."""
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
    return came.done("told.accepted", name, position)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/void", "label void", of=PAGE)
def void(record: InHand, form: Sent, name: Lot, position: Number, came: From) -> Done:
    """Void a number that was never active."""
    nouns.label.void(record, name, str(position), reason=form.text("reason"), count=1)
    return came.done("told.voided", name, position)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/remove", "roll removed", of=PAGE)
def remove(record: InHand, form: Sent, name: Lot, position: Number, came: From) -> Done:
    """Say that it was taken off its roll, beside a neighbour that was scanned before the cut."""
    scan = form.text("scan")
    nouns.roll.removed(record, name, form.whole("roll"), position=[position], scan=scan)
    asked = urlencode({"back": came.back, "pitch": came.pitch})
    here = f"{lot_path(name)}/labels/{position}/decision?{asked}"
    return Done("told.removed", {"position": position}, here)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/settle", "label settle", of=PAGE)
def settle(record: InHand, form: Sent, name: Lot, position: Number, came: From) -> Done:
    """Say what was done about a label that had left and was seen all the same."""
    nouns.label.settle(record, name, str(position), reason=form.text("reason"))
    return came.done("told.settled", name, position)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/replace", "label replace", of=PAGE)
def replace(record: InHand, form: Sent, name: Lot, position: Number, came: From) -> Done:
    """Say that a good label was put where this one was taken off."""
    nouns.label.replace(record, name, position, form.whole("spare"), reason=form.text("reason"))
    return came.done("told.replaced", name, position)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/decommission", "label decommission", of=PAGE)
def decommission(record: InHand, form: Sent, name: Lot, position: Number, came: From) -> Done:
    """Decommission a unit that was active."""
    nouns.label.decommission(
        record,
        name,
        str(position),
        reason=form.text("reason"),
        note=form.text("note"),
        count=1,
        take_out=form.ticked("take_out"),
    )
    return came.done("told.decommissioned", name, position)


@act(router, "/lots/{gtin}/{lot}/labels/{position}/correct", "label correct", of=PAGE)
def correct(record: InHand, form: Sent, name: Lot, position: Number, came: From) -> Done:
    """Take a mistaken decommissioning back."""
    nouns.label.correct(
        record, name, str(position), reason=form.text("reason"), second=form.text("second"), count=1
    )
    return came.done("told.corrected", name, position)
