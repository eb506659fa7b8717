"""The events that a lot has caused, as its chain tells them, and what a document says of them."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import replace

from serialkeeper.errors import Refused
from serialkeeper.rules import pack_events
from serialkeeper.rules.chain import Entry, PartRef
from serialkeeper.rules.event_forms import Header
from serialkeeper.rules.events import Event, LotFacts, Place
from serialkeeper.rules.locations import zone_of
from serialkeeper.store.import_tables import Location
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def facts_of(lot: Lot) -> LotFacts:
    """What a lot's events say of it."""
    facts = LotFacts(lot.gtin, lot.prefix_length, lot.number, lot.expiry, lot.group_limit)
    place, zone = place_of(lot), zone_of(lot.place)
    return replace(facts, place=place, zone=zone, order=lot.production_order)


def place_of(lot: Lot) -> Place | None:
    """Where a lot is worked on."""
    if not lot.place:
        return None
    digits, gln, extension, *_ = lot.place.split(" ")
    return Place(gln, extension, int(digits))


TELLING = (
    "issued",
    "taken",
    "take finished",
    "accepted",
    "voided",
    "decommissioned",
    "corrected",
    "packed",
    "unpacked",
    "packs decommissioned",
    "packs shipped",
    "shipping voided",
)
"""Entries that can cause an event."""


def check_header(view: View, sender: str, receiver: str) -> bool:
    """Whether documents get a header. Refuses as `header_of` does."""
    if not sender and not receiver:
        return False
    if not sender or not receiver:
        raise Refused(
            "bad_value",
            "A header names a sender and a receiver.",
            expected="both",
            came=f"sender {sender or 'none'}, receiver {receiver or 'none'}",
            remedy="Give --sender and --receiver, or neither.",
        )
    return bool(view.location(sender) and view.location(receiver))


LAST = 2**31 - 1
"""No chain has so many entries."""


def last_telling(view: View, lot: Lot) -> Entry | None:
    """The newest entry that can have caused an event."""
    return view.newest_of(key_of(lot), TELLING)


def header_of(
    view: View, lot: Lot, sender: str, receiver: str, *, name: str = "", seq: int = LAST
) -> Header | None:
    """What a document about a lot says before its events; None without a sender.

    Args:
        sender, receiver: locations of the record, GLN or GLN/EXTENSION.
        name: what the sender calls the document, unless it is after the newest entry told.
        seq: the entry up to which the lot's chain is told.

    Refuses `location_unknown`, and `bad_value` for one of both alone.
    """
    if not check_header(view, sender, receiver):
        return None
    first, second = view.location(sender), view.location(receiver)
    named = {_place(one): one.name for one in (first, second, *_concerned(view, lot, seq))}
    last = last_telling(view, lot)
    return Header(
        _place(first),
        _place(second),
        name or f"{lot.full_name}/{last.seq if last else 0}",
        ((lot.gtin, lot.prefix_length, view.product_of(lot).name),),
        tuple(named.items()),
    )


def _concerned(view: View, lot: Lot, seq: int) -> Iterator[Location]:
    """The locations that a lot's events name, up to an entry."""
    places = {place_of(lot)}
    for entry in view.entries(key_of(lot)):
        if entry.verb == "packs shipped" and entry.seq <= seq:
            data = entry.data
            places.add(Place(data["to"], data["extension"], data["prefix_length"]))
    for one in view.locations():
        if _place(one) in places:
            yield one


def _place(location: Location) -> Place:
    return Place(location.gln, location.extension, location.prefix_length)


_counted: OrderedDict[bytes, int] = OrderedDict()
_MOST_COUNTED = 1_000


def no_event(lot: Lot) -> Refused:
    """The refusal where there is nothing to tell of."""
    return Refused(
        "nothing_to_send",
        "The lot has caused no event yet.",
        where=f"lot {lot.number}",
        expected="commissioned labels",
        came="none",
        remedy="Take in the camera's results first: inspect take.",
    )


def count_events(view: View, lot: Lot) -> int:
    """How many events a lot has caused so far. Who looks again is told at once: the chain's head
    tells all of it, so the number of one head never changes."""
    head = view.chain(key_of(lot)).head
    count = _counted.get(head)
    if count is None:
        count = _counted[head] = sum(1 for _ in events_of(view, lot))
        while len(_counted) > _MOST_COUNTED:
            _counted.popitem(last=False)
    return count


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
