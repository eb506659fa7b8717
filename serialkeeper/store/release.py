"""Whether a lot's events may leave."""

from __future__ import annotations

from dataclasses import dataclass

from serialkeeper.rules.destinations import Destination
from serialkeeper.store.accounts import unchecked
from serialkeeper.store.pack_trees import holds_on_lot
from serialkeeper.store.reviews import to_review
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

OPENS = {
    "open": "lot closed",
    "held": "hold lifted",
    "unfinished": "taken",
    "unreviewed": "reviewed",
    "unchecked": "events checked",
}
"""What may keep a lot's events back, and the entry that ends it."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Why nothing of a lot may go: a word of `OPENS`, and the whole of it."""

    by: str
    why: str


def kept_back(view: View, lot: Lot, target: Destination) -> list[str]:
    """Why nothing of a lot may go to a destination now; nothing if it may."""
    return [one.why for one in keeping(view, lot, target)]


def keeping(view: View, lot: Lot, target: Destination) -> list[Kept]:
    """The same, with a word for each."""
    if target.as_it_happens:
        return [Kept("held", why) for why in held_back(view, lot)]
    return gate(view, lot)


def held_back(view: View, lot: Lot) -> list[str]:
    """Open holds of the lot, and on packs of other lots that hold units of it: while one is,
    nothing of the lot is sent, whatever the gate."""
    return [
        f"hold {one.id}{'' if one.lot_id == lot.id else f' of lot {one.lot}'}: {one.reason}"
        for one in holds_on_lot(view, lot)
    ]


def awaited(view: View, lot: Lot) -> list[str]:
    """What would keep a lot's events back from most receivers: its holds, and what its gate asks
    for."""
    return list(dict.fromkeys([*held_back(view, lot), *(one.why for one in gate(view, lot))]))


def gate(view: View, lot: Lot) -> list[Kept]:
    """Why a lot's events may not leave yet; nothing if they may: the lot is closed, its review
    list is empty, its takes are finished, nothing of it is held, and its accounts are known to
    agree."""
    if lot.state != "closed":
        return [Kept("open", f"the lot is {lot.state}, not closed")]
    why = [Kept("held", one) for one in held_back(view, lot)]
    why += [
        Kept("unfinished", f"take {take.id} of {take.name} is not finished")
        for take in view.takes(key_of(lot))
        if take.state != "finished"
    ]
    if groups := to_review(view, lot):
        told = f"the review list holds {len(groups):,}: review list {lot.number}"
        why.append(Kept("unreviewed", told))
    if not why and (differs := unchecked(view, lot)):
        why.append(Kept("unchecked", differs))
    return why
