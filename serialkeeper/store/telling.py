"""The events that a lot has caused, as its chain tells them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from serialkeeper.rules import pack_events
from serialkeeper.rules.chain import Entry, PartRef
from serialkeeper.rules.events import Event, LotFacts, Place
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def facts_of(lot: Lot) -> LotFacts:
    """What a lot's events say of it."""
    facts = LotFacts(lot.gtin, lot.prefix_length, lot.number, lot.expiry, lot.group_limit)
    return replace(facts, place=place_of(lot), order=lot.production_order)


def place_of(lot: Lot) -> Place | None:
    """Where a lot is worked on."""
    if not lot.place:
        return None
    digits, gln, extension = lot.place.split(" ")
    return Place(gln, extension, int(digits))


def events_of(view: View, lot: Lot) -> Iterator[Event]:
    """Every event that a lot has caused so far, in order.

    The first ones of a longer chain are those of a shorter one, so an event is named for ever by
    its place among the lot's.
    """
    key = key_of(lot)

    def read_part(entry: Entry, ref: PartRef) -> bytes:
        data = view.part(key, entry.seq, ref)
        if data is None:
            raise LookupError(f"part {ref} of entry {entry.seq} is gone")
        return data

    def serials_of(first: int, count: int) -> list[str]:
        return view.serials(key, first, count)

    return pack_events.fold(
        view.entries(key), facts_of(lot), read_part=read_part, serials_of=serials_of
    )
