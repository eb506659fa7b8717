"""Whether a lot's events may leave."""

from __future__ import annotations

from serialkeeper.rules.destinations import Destination
from serialkeeper.store.accounts import unchecked
from serialkeeper.store.holds import open_holds
from serialkeeper.store.reviews import to_review
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def kept_back(view: View, lot: Lot, target: Destination) -> list[str]:
    """Why nothing of a lot may go to a destination now; nothing if it may."""
    return held_back(view, lot) if target.as_it_happens else gate(view, lot)


def held_back(view: View, lot: Lot) -> list[str]:
    """Open holds of the lot: while one is, nothing of the lot is sent, whatever the gate."""
    holds = open_holds(view, lot.product_id, lot.id)
    return [f"hold {one.id}: {one.reason}" for one in holds]


def gate(view: View, lot: Lot) -> list[str]:
    """Why a lot's events may not leave yet; nothing if they may: the lot is closed, its review
    list is empty, its takes are finished, nothing of it is held, and its accounts are known to
    agree."""
    if lot.state != "closed":
        return [f"the lot is {lot.state}, not closed"]
    why = held_back(view, lot)
    why += [
        f"take {take.id} of {take.name} is not finished"
        for take in view.takes(key_of(lot))
        if take.state != "finished"
    ]
    if groups := to_review(view, lot):
        why.append(f"the review list holds {len(groups):,}: review list {lot.number}")
    if not why and (differs := unchecked(view, lot)):
        why.append(differs)
    return why
