"""What the pages of lots do."""

from __future__ import annotations

from functools import partial

from fastapi import APIRouter

from serialkeeper import nouns
from serialkeeper.web.acting import Done, Sent, act
from serialkeeper.web.asking import InHand, Lot

router = APIRouter()

on_lot = partial(act, router, of="lot.html")
"""Declares a form that stands on a lot's page."""


@on_lot("/lots/{gtin}/{lot}/approve", "lot approve")
def approve(record: InHand, name: Lot, form: Sent) -> Done:
    """Approve a draft."""
    made = nouns.lot.approve(record, name, second=form.text("second"))
    return Done("told.approved", {"lot": made["lot"]})


@on_lot("/lots/{gtin}/{lot}/allocate", "serials allocate", beside={"guessing_odds": "count"})
def allocate(record: InHand, name: Lot, form: Sent) -> Done:
    """Allocate numbers."""
    made = nouns.serials.allocate(record, name, form.whole("count"))
    return Done("told.allocated", {"lot": made["lot"], "count": made["count"]})
