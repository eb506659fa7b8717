"""Events of packs, and the whole fold: packs get their keys, are filled, changed, and end.

A pack's key is commissioned before anything goes into it; what goes in is one AggregationEvent ADD
a pack, what comes out one DELETE. A pack that ends before it was ever filled was never told of, and
its end is not either. Each lot's events tell what is of that lot: a pallet of two lots
is told by both, the same parent in each.

Sources: EPCIS 2.0 and CBV 2.0 (ISO/IEC 19987, 19988): commissioning / active, packing, unpacking;
event ID as in `rules.events`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

import numpy as np

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import Entry, PartRef
from serialkeeper.rules.events import Event, LotFacts, Place
from serialkeeper.rules.moves import DECOMMISSION_REASONS
from serialkeeper.rules.pack_entries import made_in
from serialkeeper.rules.parts import unpack_packs
from serialkeeper.rules.tellings import COMMISSIONING, LEAVING, PACKING, UNPACKING, Step
from serialkeeper.rules.unit_events import ReadPart, SerialsOf, Units

TRANSACTIONS = ("bol", "desadv", "inv", "po", "poc", "prodorder", "recadv", "rma")
"""Types of business transactions with which goods leave (CBV 2.0)."""

_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[A-Za-z0-9._~:/?#@!$()*+,;=%-]{1,200}")


def is_uri(text: str) -> bool:
    """Whether it is a URI of the signs that all forms of events hold (RFC 3986)."""
    return bool(_URI.fullmatch(text))


def check_transaction(text: str) -> tuple[str, str] | tuple[()]:
    """Type and URI of a business transaction from `TYPE:URI`; empty from nothing.

    Refuses `bad_value`.
    """
    if not text:
        return ()
    word, _, uri = text.partition(":")
    if word in TRANSACTIONS and is_uri(uri):
        return word, uri
    raise Refused(
        "bad_value",
        "The business transaction is not understood.",
        expected=f"TYPE:URI, TYPE one of {', '.join(TRANSACTIONS)}",
        came=text,
        remedy="Such as desadv:urn:epcglobal:cbv:bt:9521234567899:D-1.",
    )


def fold(
    entries: Iterable[Entry], facts: LotFacts, *, read_part: ReadPart, serials_of: SerialsOf
) -> Iterator[Event]:
    """Every event that a lot's entries have caused, of units and of packs, in order.

    Args:
        entries: the lot's chain in order.
        facts: the lot's frozen facts.
        read_part: gives a part's bytes.
        serials_of: gives numbers by position.
    """
    units = Units(facts, read_part, serials_of)
    packs = _Packs(facts, read_part, serials_of)
    for entry in entries:
        yield from units.of(entry)
        yield from packs.of(entry)


class _Packs:
    """The packs that a lot has made so far."""

    def __init__(self, facts: LotFacts, read_part: ReadPart, serials_of: SerialsOf) -> None:
        self.facts, self.read_part, self.serials_of = facts, read_part, serials_of
        self.keys: dict[int, str] = {}
        self.unfilled: set[int] = set()
        self.done: dict[str, Callable[[Entry], Iterator[Event]]] = {
            "packed": self._packed,
            "unpacked": self._unpacked,
            "packs decommissioned": self._ended,
            "packs shipped": self._shipped,
            "shipping voided": self._shipped,
        }

    def of(self, entry: Entry) -> Iterator[Event]:
        """The events of one entry."""
        made = dict(one for some in made_in(entry) for one in some.named())
        self.keys |= made
        if entry.verb == "packs numbered":
            self.unfilled |= made.keys()
        if entry.verb in self.done:
            yield from self.done[entry.verb](entry)

    def _packed(self, entry: Entry) -> Iterator[Event]:
        made = [key for some in made_in(entry) for _, key in some.named()]
        new = [self.keys[id_] for id_ in entry.data.get("begun", ())] + made
        self.unfilled.difference_update(entry.data.get("begun", ()))
        for some in ([key for key in new if "/" not in key], [key for key in new if "/" in key]):
            yield from self._of_packs(entry, COMMISSIONING, some)
        yield from self._aggregations(entry, PACKING)

    def _unpacked(self, entry: Entry) -> Iterator[Event]:
        yield from self._aggregations(entry, UNPACKING)

    def _ended(self, entry: Entry) -> Iterator[Event]:
        keys = [self.keys[id_] for id_ in entry.data["packs"] if id_ not in self.unfilled]
        for step in DECOMMISSION_REASONS[entry.reason].steps:
            yield from self._of_packs(entry, step, keys)

    def _of_packs(self, entry: Entry, step: Step, keys: list[str]) -> Iterator[Event]:
        limit = self.facts.group_limit
        for start in range(0, len(keys), limit):
            some = keys[start : start + limit]
            yield Event(self.facts, entry.at, self._offset(entry), *step, packs=some)

    def _offset(self, entry: Entry) -> str:
        return self.facts.offset(entry.at, entry.offset)

    def _shipped(self, entry: Entry) -> Iterator[Event]:
        data = entry.data
        keys = [self.keys[id_] for id_ in data["packs"]]
        transaction = check_transaction(data["transaction"])
        whither = Place(data["to"], data["extension"], data["prefix_length"])
        for event in self._of_packs(entry, LEAVING[entry.verb], keys):
            yield replace(event, transaction=transaction, destination=whither)

    def _aggregations(self, entry: Entry, step: Step) -> Iterator[Event]:
        """One event a pack, units first; what holds more than the lot's limit is told in pieces."""
        limit = self.facts.group_limit
        told = (self.facts, entry.at, self._offset(entry), *step)
        for parent, serials in self._units(entry).items():
            for start in range(0, len(serials), limit):
                yield Event(*told, serials=serials[start : start + limit], parent=parent)
        inner: dict[str, list[str]] = {}
        for first, last, _, _, key in entry.data.get("packs", ()):
            inner.setdefault(key, []).extend(self.keys[id_] for id_ in range(first, last + 1))
        for parent, keys in inner.items():
            for start in range(0, len(keys), limit):
                yield Event(*told, packs=keys[start : start + limit], parent=parent)

    def _units(self, entry: Entry) -> dict[str, list[str]]:
        """The numbers of the units that went into each pack, or came out of it, by its key."""
        found: dict[str, list[str]] = {}
        for part in entry.parts:
            for id_, serials in self._of_part(entry, part):
                found.setdefault(self.keys[id_], []).extend(serials)
        for first, last, _, _, key in entry.data.get("units", ()):
            found.setdefault(key, []).extend(self.serials_of(first, last - first + 1))
        return found

    def _of_part(self, entry: Entry, part: PartRef) -> Iterator[tuple[int, list[str]]]:
        packs = unpack_packs(self.read_part(entry, part)).astype(np.int64)
        serials = self.serials_of(part.first, part.count)
        order = np.argsort(packs, kind="stable")
        order = order[np.searchsorted(packs[order], 1) :]
        ids = packs[order]
        cuts = np.flatnonzero(np.diff(ids)) + 1
        for places in np.split(order, cuts) if len(order) else []:
            yield int(packs[places[0]]), [serials[place] for place in places.tolist()]
