"""EPCIS events and their IDs.

There is no event table: what a lot has caused downstream follows from its entries, the same
whenever it is worked out (`rules.unit_events`, `rules.pack_events`). How events are written is told
by `rules.event_forms`.

Sources: EPCIS 2.0 and CBV 2.0 (ISO/IEC 19987, 19988); event ID: CBV 2.0 section 8.9 (event
hash; section number from memory), always over the JSON-LD form with the lot as text.
"""

from __future__ import annotations

import hashlib
import string
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property, lru_cache
from urllib.parse import quote

import numpy as np

from serialkeeper.rules import digital_link, epc
from serialkeeper.rules.identifiers import Elements
from serialkeeper.rules.moments import minutes_east

CBV = "https://ref.gs1.org/cbv/"

_UNESCAPED = (string.ascii_letters + string.digits + "-._~").encode()

_MANY = 1_000
"""Numbers that are worth a detour to be sorted."""


@dataclass(frozen=True, slots=True)
class Place:
    """A location as events name it: GLN, extension or empty, digits of the company prefix."""

    gln: str
    extension: str
    prefix_length: int

    @property
    def elements(self) -> Elements:
        """As GS1 elements."""
        if self.extension:
            return (("414", self.gln), ("254", self.extension))
        return (("414", self.gln),)

    def name(self, *, links: bool) -> str:
        """As an EPC URN, or as a canonical GS1 Digital Link.

        >>> Place("9521234567899", "", 7).name(links=False)
        'urn:epc:id:sgln:9521234.56789.0'
        """
        return _named(self, links)


@lru_cache(64)
def _named(place: Place, links: bool) -> str:
    if links:
        return digital_link.write(place.elements)
    return epc.write(place.elements, place.prefix_length)


@dataclass(frozen=True, slots=True)
class LotFacts:
    """What a lot's events say of it, frozen at approval.

    Attributes:
        place: where it is worked on; None in lots that were opened without.
        order: URI of its production order, if its printing is told; else empty.
        zone: the place's time zone, a name of the IANA database; empty if the lot keeps none.
    """

    gtin: str
    prefix_length: int
    lot: str
    expiry: str
    group_limit: int
    place: Place | None = None
    order: str = ""
    zone: str = ""

    def offset(self, time: str, minutes: int) -> str:
        """`+hh:mm` at the lot's place at that time; where it keeps no time zone, what the station's
        clock showed, in minutes.

        The place's is what EPCIS 2.0 wants told: a server's clock may run in another zone.
        """
        return write_offset(minutes_east(self.zone, time[:16]) if self.zone else minutes)


@dataclass(frozen=True, slots=True)
class Declaration:
    """That an event should not have been told (EPCIS 2.0, error declaration).

    Attributes:
        time: when it was declared, UTC, RFC 3339 with milliseconds.
        corrective: IDs of the events that stand in its place; none if it did not occur.
    """

    time: str
    corrective: tuple[str, ...] = ()

    @property
    def reason(self) -> str:
        """The word of CBV 2.0."""
        return "incorrect_data" if self.corrective else "did_not_occur"


@dataclass(frozen=True)
class Event:
    """An ObjectEvent over units or packs, an AggregationEvent of one pack, or a TransactionEvent
    of a production order.

    Attributes:
        facts: the lot that tells it.
        time: UTC, RFC 3339 with milliseconds.
        offset: `+hh:mm` at the lot's place, or at the station.
        action: ADD, OBSERVE or DELETE.
        biz_step, disposition: words of CBV 2.0; a disposition may be None.
        serials: units of the lot's product, in position order.
        packs: keys of packs.
        parent: key of the pack that they go into or come out of; only in an AggregationEvent.
        transaction: type and URI of the business transaction; empty for none.
        destination: where they go; None for nowhere.
        of_order: whether it is a TransactionEvent: what is told is the numbers' order, not units.
        declared: that it was told in error; it bears the same ID as before.
    """

    facts: LotFacts
    time: str
    offset: str
    action: str
    biz_step: str
    disposition: str | None
    serials: Sequence[str] = ()
    packs: Sequence[str] = ()
    parent: str = ""
    transaction: tuple[str, str] | tuple[()] = ()
    destination: Place | None = None
    of_order: bool = False
    declared: Declaration | None = None

    @property
    def kind(self) -> str:
        """What EPCIS calls it."""
        if self.of_order:
            return "TransactionEvent"
        return "AggregationEvent" if self.parent else "ObjectEvent"

    @property
    def count(self) -> int:
        """How many units and packs it is about, its parent not counted."""
        return len(self.serials) + len(self.packs)

    @property
    def with_ilmd(self) -> bool:
        """Lot and expiry stand in the ILMD: only what is of one lot has it, and only in an
        ObjectEvent ADD."""
        if self.action != "ADD" or self.kind != "ObjectEvent":
            return False
        return bool(self.serials) or "/" in self.packs[0]

    @property
    def location(self) -> Place | None:
        """Where they are afterwards: the lot's place, but nobody knows it of what has left."""
        return None if self.biz_step == "shipping" else self.facts.place

    @property
    def source(self) -> Place | None:
        """Where they come from, where it is told whither they go."""
        return self.facts.place if self.destination else None

    def names(self, between: str, *, links: bool) -> str:
        """All it is about in one text: units in their order, then packs; as EPC URNs, or as
        canonical GS1 Digital Links.

        Neither holds a sign that JSON or XML escapes.
        """
        keys = [self.name(key, links=links) for key in self.packs]
        if self.serials:
            keys.insert(0, self._units(between, links=links))
        return between.join(keys)

    def _units(self, between: str, *, links: bool) -> str:
        facts = self.facts
        if links:
            stem, tails = digital_link.unit_stem(facts.gtin), self._link_tails
        else:
            stem, tails = epc.sgtin_stem(facts.gtin, facts.prefix_length), self.serials
            if not self._plain:
                tails = [epc.escape_serial(one) for one in tails]
        return stem + f"{between}{stem}".join(tails)

    def name(self, key: str, *, links: bool) -> str:
        """A pack by its key, such as the parent's, as `names` names it."""
        return link_of(key) if links else urn_of(key, self.facts.prefix_length)

    @cached_property
    def id(self) -> str:
        """The CBV 2.0 event hash."""
        whose = f"parentID={link_of(self.parent)}childEPCs" if self.parent else "epcList"
        when = f"eventTime={self.time}eventTimeZoneOffset={self.offset}"
        before = f"eventType={self.kind}{when}{whose}epc="
        text = f"action={self.action}bizStep={CBV}BizStep-{self.biz_step}"
        if self.disposition:
            text += f"disposition={CBV}Disp-{self.disposition}"
        if self.facts.place:
            text += f"readPointid={self.facts.place.name(links=True)}"
        if self.location:
            text += f"bizLocationid={self.location.name(links=True)}"
        if self.transaction:
            word, uri = self.transaction
            text += f"bizTransactionListtype={CBV}BTT-{word}bizTransaction={uri}"
        # Whither before whence: so the worked example 3 of the event hash has it.
        for what, place in (("destination", self.destination), ("source", self.source)):
            if place:
                text += f"{what}Listtype={CBV}SDT-location{what}={place.name(links=True)}"
        if self.with_ilmd:
            text += f"ilmdcbvmda:itemExpirationDate={self.facts.expiry}"
            text += f"cbvmda:lotNumber={self.facts.lot}"
        digest = hashlib.sha256(before.encode())
        for piece in self._sorted_links():
            digest.update(piece)
        digest.update(text.encode())
        return f"ni:///sha-256;{digest.hexdigest()}?ver=CBV2.0"

    def _sorted_links(self) -> Iterator[bytes | memoryview]:
        """All it is about as canonical links, sorted, as the event hash takes them; in pieces."""
        stem, tails = digital_link.unit_stem(self.facts.gtin), self._link_tails
        if self.packs:
            links = [stem + tail for tail in tails] + [link_of(key) for key in self.packs]
            yield "epc=".join(sorted(links)).encode()
            return
        between = f"epc={stem}"
        yield stem.encode()
        quick = _sorted_lines(self._lines, len(tails), between.encode()) if self._plain else None
        yield between.join(sorted(tails)).encode() if quick is None else quick

    @property
    def _link_tails(self) -> Sequence[str]:
        """The numbers as they stand in links."""
        return self.serials if self._plain else [quote(one, safe="-._~") for one in self.serials]

    @cached_property
    def _plain(self) -> bool:
        """Whether no serial holds a sign that a URN or a link escapes."""
        return not self._lines.translate(None, _UNESCAPED + b"\n")

    @cached_property
    def _lines(self) -> bytes:
        return "\n".join(self.serials).encode()


def _sorted_lines(lines: bytes, count: int, between: bytes) -> memoryview | None:
    """Lines in order with something else between them; None unless they are many of one length,
    and eight signs from the first that differs are enough to order them: then these are one whole
    number each, and no text is made of a line."""
    width, rest = divmod(len(lines) + 1, max(count, 1))
    if count < _MANY or rest:
        return None
    signs = np.frombuffer(lines + b"\n", np.uint8).reshape(count, width)
    if (signs[:, -1] != ord("\n")).any():
        return None
    first = next((at for at in range(width) if (signs[:, at] != signs[0, at]).any()), 0)
    eight = np.zeros((count, 8), np.uint8)
    eight[:, : min(8, width - first)] = signs[:, first : first + 8]
    numbers = eight.view(">u8").ravel().astype(np.uint64)
    order = np.argsort(numbers)
    numbers = numbers[order]
    if (numbers[1:] == numbers[:-1]).any():
        return None
    rows = np.empty((count, width - 1 + len(between)), np.uint8)
    rows[:, : width - 1] = signs[order, :-1]
    rows[:, width - 1 :] = np.frombuffer(between, np.uint8)
    return rows.reshape(-1)[: -len(between)].data


def urn_of(key: str, prefix_length: int) -> str:
    """A pack's key as an EPC URN.

    >>> urn_of("095212340000000013", 7)
    'urn:epc:id:sscc:9521234.0000000001'
    """
    gtin, slash, serial = key.partition("/")
    if slash:
        return epc.sgtin_urn(gtin, prefix_length, serial)
    return f"urn:epc:id:sscc:{key[1 : 1 + prefix_length]}.{key[0]}{key[1 + prefix_length : 17]}"


def link_of(key: str) -> str:
    """A pack's key as a canonical GS1 Digital Link.

    >>> link_of("095212340000000013")
    'https://id.gs1.org/00/095212340000000013'
    """
    gtin, slash, serial = key.partition("/")
    if slash:
        return digital_link.unit_link(gtin, serial)
    return f"{digital_link.CANONICAL_HOST}/00/{key}"


def write_time(milliseconds: int) -> str:
    """Milliseconds since 1970 as RFC 3339 UTC text."""
    moment = datetime.fromtimestamp(milliseconds // 1000, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{milliseconds % 1000:03d}Z"


def write_offset(minutes: int) -> str:
    """Minutes east of UTC as `+hh:mm`."""
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
