"""What is done on a lot's page by a form: each form is one step, in a person's name."""

from __future__ import annotations

from fastapi import APIRouter

from serialkeeper import nouns
from serialkeeper.web import looking  # its pages are there before their forms
from serialkeeper.web.acting import Done, Sent, act
from serialkeeper.web.asking import InHand, Lot

router = APIRouter(include_in_schema=False)

OF_LOT = looking.LOT_PAGE


@act(router, "/lots/{gtin}/{lot}/approve", "lot approve", of=OF_LOT)
def approve(record: InHand, form: Sent, name: Lot) -> Done:
    """Approve a lot's facts, with a second person."""
    made = nouns.lot.approve(record, name, second=form.text("second"))
    return Done("told.approved", {"lot": made["lot"]})


@act(
    router,
    "/lots/{gtin}/{lot}/allocate",
    "serials allocate",
    of=OF_LOT,
    beside={"guessing_odds": "count"},
)
def allocate(record: InHand, form: Sent, name: Lot) -> Done:
    """Allocate numbers."""
    made = nouns.serials.allocate(record, name, form.whole("count"))
    return Done("told.allocated", {"lot": made["lot"], "count": made["count"]})


@act(router, "/lots/{gtin}/{lot}/hold", "hold place", of=OF_LOT)
def hold(record: InHand, form: Sent, name: Lot) -> Done:
    """Hold the whole lot."""
    made = nouns.hold.place(record, name, reason=form.text("reason"), case=form.text("case"))
    return Done("told.held", {"hold": made["hold"]})
