"""What the quality side does about a whole lot: holds, numbers nobody can account for, the quality
unit's decision, reopening."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query

from serialkeeper import nouns
from serialkeeper.rules.chain import written
from serialkeeper.steps import lots, reconciliation
from serialkeeper.web import looking  # its pages are there before their forms
from serialkeeper.web.acting import Done, Form, Sent, act
from serialkeeper.web.answers import shows
from serialkeeper.web.asking import HIGHEST, InHand, Lot, Opened, Watched
from serialkeeper.web.background import Task
from serialkeeper.web.checking import Beside, far

router = APIRouter(include_in_schema=False)

UNACCOUNTED, DECISION = "unaccounted.html", "lot_decision.html"

SHOWN = 100
"""Labels of one page."""

After = Annotated[int, Query(ge=0, le=HIGHEST)]


@act(
    router,
    "/lots/{gtin}/{lot}/holds/place",
    "hold place",
    of=looking.HOLDS_PAGE,
    beside={"roll_unknown": "which", "pack_unknown": "which", "label_unknown": "which"},
)
def place_hold(record: InHand, form: Sent, name: Lot) -> Done:
    """Hold labels, a roll, a pack, or the whole lot."""
    return _placed(record, form, name, form.text("what"))


def _placed(record: InHand, form: Form, name: str, what: str) -> Done:
    which: dict[str, Any] = {"positions": None, "roll": None, "pack": None}
    if what == "roll":
        which[what] = form.whole("which")
    elif what in which:
        which[what] = form.needed("which")
    reason, case = form.text("reason"), form.text("case")
    made = nouns.hold.place(record, name, reason=reason, case=case, **which)
    return Done("told.hold_placed", {"hold": made["hold"], "on": made["on"]})


@act(router, "/lots/{gtin}/{lot}/holds/lift", "hold lift", of=looking.HOLDS_PAGE)
def lift_hold(record: InHand, form: Sent, name: Lot) -> Done:
    """Lift a hold; it then stands on the review list."""
    made = nouns.hold.lift(record, name, form.whole("hold"), reason=form.text("reason"))
    return Done("told.hold_lifted", {"hold": made["hold"], "still": len(made["still"])})


@shows(router, "/lots/{gtin}/{lot}/unaccounted", UNACCOUNTED, takes=("after",))
def unaccounted(record: Opened, name: Lot, beside: Beside, after: After = 0) -> dict[str, Any]:
    """The numbers that nobody can say of where they are, and the smallest hold for them once it
    was worked out."""
    told = reconciliation.unaccounted(record, name, after=after, most=SHOWN)
    tasks = [one for one in beside.of("hold", name) if one.person == record.person]
    return {**told, "hold": tasks[0].describe() if tasks else None}


@act(router, "/lots/{gtin}/{lot}/unaccounted/hold", "lot reconcile", of=UNACCOUNTED)
def smallest_hold(record: InHand, form: Sent, name: Lot, beside: Beside) -> Done:
    """Begin to work out the smallest hold."""
    pitch = form.whole("pitch", 0)
    began = written(record.now())
    reconciliation.look(record, name)  # a lot that is not there is told at once

    def work_out(task: Task) -> Any:
        task.seen(0, 0)
        return nouns.lot.reconcile(record, name, hold=True, pitch=pitch)

    beside.start("hold", record.person, work_out, about=name, began=began)
    return Done("told.hold_worked_out")


@router.get("/lots/{gtin}/{lot}/unaccounted/progress")
def progress(record: Watched, name: Lot, beside: Beside) -> dict[str, Any]:
    """How far the smallest hold is."""
    return far([one for one in beside.of("hold", name) if one.person == record.person])


@act(router, "/lots/{gtin}/{lot}/unaccounted/place", "hold place", of=UNACCOUNTED)
def place_smallest(record: InHand, form: Sent, name: Lot) -> Done:
    """Place the hold that was worked out, as it was shown."""
    return _placed(record, form, name, "positions")


@shows(router, "/lots/{gtin}/{lot}/decision", DECISION)
def decision(record: Opened, name: Lot) -> dict[str, Any]:
    """Where the lot stands between closing, the quality unit's decision, and reopening."""
    return {**lots.decisions(record, name), "today": record.now().date().isoformat()}


@act(
    router,
    "/lots/{gtin}/{lot}/decision/record",
    "lot decide",
    of=DECISION,
    beside={"bad_value": "on"},
)
def decide(record: InHand, form: Sent, name: Lot) -> Done:
    """Record what the quality unit decided; nothing is decided here."""
    nouns.lot.decide(
        record,
        name,
        form.needed("decision"),
        on=form.day("on"),
        by=form.text("by"),
        reference=form.text("reference"),
        reason=form.text("reason"),
    )
    return Done("told.decided")


@act(router, "/lots/{gtin}/{lot}/decision/reopen", "lot reopen", of=DECISION)
def reopen(record: InHand, form: Sent, name: Lot) -> Done:
    """Open a closed lot again, with a second person."""
    made = nouns.lot.reopen(record, name, reason=form.text("reason"), second=form.text("second"))
    return Done("told.reopened", {"lot": made["lot"]})
