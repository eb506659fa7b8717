"""EPCIS events, their IDs, and the fold of a lot's chain into those of its units.

There is no event table: what a lot has caused downstream follows from its entries, the
same whenever it is worked out. A commissioning group closes at the lot's group limit, when
a take ends, or before any other entry. How events are written is told by `rules.event_forms`.

Sources: EPCIS 2.0 and CBV 2.0 (ISO/IEC 19987, 19988); event ID: CBV 2.0 section 8.9 (event
hash; section number from memory), always over the JSON-LD form with the lot as text.
"""

from __future__ import annotations

import hashlib
import string
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from itertools import compress
from urllib.parse import quote

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules import digital_link, epc
from serialkeeper.rules.chain import Entry, PartRef
from serialkeeper.rules.identifiers import Elements
from serialkeeper.rules.moves import DECOMMISSION_REASONS, State
from serialkeeper.rules.parts import NO_TIME, unpack_states

CBV = "https://ref.gs1.org/cbv/"

HANDED_OUT = ("events written",)
"""Entries that tell of events and cause none: events are the same whether or not some of them were
handed out meanwhile."""

_UNESCAPED = (string.ascii_letters + string.digits + "-._~").encode()

ReadPart = Callable[[Entry, PartRef], bytes]
SerialsOf = Callable[[int, int], list[str]]
"""The numbers of `count` positions from `first`, in position order."""


@dataclass(frozen=True, slots=True)
class LotFacts:
    """What a lot's events say of it, frozen at approval."""

    gtin: str
    prefix_length: int
    lot: str
    expiry: str
    group_limit: int


@dataclass(frozen=True)
class Event:
    """An ObjectEvent over units or packs, or an AggregationEvent of one pack.

    Attributes:
        facts: the lot that tells it.
        time: UTC, RFC 3339 with milliseconds.
        offset: `+hh:mm` at the station.
        action: ADD, OBSERVE or DELETE.
        biz_step, disposition: words of CBV 2.0; a disposition may be None.
        serials: units of the lot's product, in position order.
        packs: keys of packs.
        parent: key of the pack that they go into or come out of; empty for an ObjectEvent.
        transaction: type and URI of the business transaction; empty for none.
        destination: GLN, extension and length of the company prefix; empty for none.
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
    destination: tuple[str, str, int] | tuple[()] = ()

    @property
    def kind(self) -> str:
        """What EPCIS calls it."""
        return "AggregationEvent" if self.parent else "ObjectEvent"

    @property
    def count(self) -> int:
        """How many units and packs it is about, its parent not counted."""
        return len(self.serials) + len(self.packs)

    @property
    def with_ilmd(self) -> bool:
        """Lot and expiry stand in the ILMD: only what is of one lot has it, and only in an ADD."""
        if self.action != "ADD" or self.parent:
            return False
        return bool(self.serials) or "/" in self.packs[0]

    def epcs(self, between: str) -> str:
        """All it is about as EPC URNs in one text: units in their order, then packs.

        A URN holds no sign that JSON or XML escapes.
        """
        length = self.facts.prefix_length
        urns = [urn_of(key, length) for key in self.packs]
        if self.serials:
            stem = epc.sgtin_stem(self.facts.gtin, length)
            plain = self._plain
            tails = self.serials if plain else [epc.escape_serial(one) for one in self.serials]
            urns.insert(0, stem + f"{between}{stem}".join(tails))
        return between.join(urns)

    @property
    def parent_epc(self) -> str:
        """The parent as an EPC URN; empty for an ObjectEvent."""
        return self.parent and urn_of(self.parent, self.facts.prefix_length)

    @property
    def destination_epc(self) -> str:
        """The destination as an EPC URN; empty for none."""
        if not self.destination:
            return ""
        return epc.write(_place(self.destination), self.destination[2])

    @cached_property
    def id(self) -> str:
        """The CBV 2.0 event hash."""
        whose = f"parentID={link_of(self.parent)}childEPCs" if self.parent else "epcList"
        text = (
            f"eventType={self.kind}eventTime={self.time}eventTimeZoneOffset={self.offset}"
            f"{whose}epc={self._links}action={self.action}bizStep={CBV}BizStep-{self.biz_step}"
        )
        if self.disposition:
            text += f"disposition={CBV}Disp-{self.disposition}"
        if self.transaction:
            word, uri = self.transaction
            text += f"bizTransactionListtype={CBV}BTT-{word}bizTransaction={uri}"
        if self.destination:
            text += f"destinationListtype={CBV}SDT-location"
            text += f"destination={digital_link.write(_place(self.destination))}"
        if self.with_ilmd:
            text += f"ilmdcbvmda:itemExpirationDate={self.facts.expiry}"
            text += f"cbvmda:lotNumber={self.facts.lot}"
        digest = hashlib.sha256(text.encode()).hexdigest()
        return f"ni:///sha-256;{digest}?ver=CBV2.0"

    @property
    def _links(self) -> str:
        """All it is about as canonical links, sorted, as the event hash takes them."""
        stem = digital_link.unit_stem(self.facts.gtin)
        tails = self.serials if self._plain else [quote(one, safe="-._~") for one in self.serials]
        if not self.packs:
            return stem + f"epc={stem}".join(sorted(tails))
        links = [stem + tail for tail in tails] + [link_of(key) for key in self.packs]
        return "epc=".join(sorted(links))

    @cached_property
    def _plain(self) -> bool:
        """Whether no serial holds a sign that a URN or a link escapes."""
        return not "".join(self.serials).encode().translate(None, _UNESCAPED)


def _place(destination: tuple[str, str, int]) -> Elements:
    gln, extension, _ = destination
    return (("414", gln), ("254", extension)) if extension else (("414", gln),)


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


def fold(
    entries: Iterable[Entry], facts: LotFacts, *, read_part: ReadPart, serials_of: SerialsOf
) -> Iterator[Event]:
    """Every event of units that the entries have caused, in order; `rules.pack_events.fold` gives
    those of packs, too.

    Args:
        entries: the lot's chain in order.
        facts: the lot's frozen facts.
        read_part: gives a part's bytes.
        serials_of: gives numbers by position.
    """
    units = Units(facts, read_part, serials_of)
    for entry in entries:
        yield from units.of(entry)


class Units:
    """The fold over units, entry by entry."""

    def __init__(self, facts: LotFacts, read_part: ReadPart, serials_of: SerialsOf) -> None:
        self.facts, self.read_part, self.serials_of = facts, read_part, serials_of
        self.group = _Group(facts)

    def of(self, entry: Entry) -> Iterator[Event]:
        """The events that the next entry completes or causes."""
        if entry.verb == "taken":
            for part in entry.parts:
                if part.kind == "states":
                    data = self.read_part(entry, part)
                    yield from _of_take(entry, part, self.group, data, self.serials_of)
            return
        if entry.verb in HANDED_OUT:
            return
        yield from self.group.close()
        if "moves" in entry.data:
            yield from _of_moves(entry, self.facts, self.serials_of)


class _Group:
    """The open commissioning group of a take."""

    def __init__(self, facts: LotFacts) -> None:
        self.facts = facts
        self.serials: list[str] = []
        self.latest = NO_TIME
        self.entry: Entry | None = None

    def add(self, entry: Entry, serials: list[str], times: NDArray[np.int64]) -> Iterator[Event]:
        """Take in labels; yields the groups that become full."""
        start = 0
        while start < len(serials):
            room = self.facts.group_limit - len(self.serials)
            self.serials += serials[start : start + room]
            self.latest = max(self.latest, int(times[start : start + room].max()))
            self.entry = entry
            start += room
            if len(self.serials) == self.facts.group_limit:
                yield from self.close()

    def close(self) -> Iterator[Event]:
        """The event of what is in the group, if anything is."""
        if self.entry and self.serials:
            time = self.entry.at if self.latest == NO_TIME else write_time(self.latest)
            yield _event(
                self.facts, self.entry, "ADD", "commissioning", "active", self.serials, time
            )
        self.serials, self.latest, self.entry = [], NO_TIME, None


def _of_take(
    entry: Entry, part: PartRef, group: _Group, data: bytes, serials_of: SerialsOf
) -> Iterator[Event]:
    states = unpack_states(part.first, part.count, data)
    good = np.flatnonzero(states.state == ord(State.COMMISSIONED))
    pulled = np.flatnonzero(states.state == ord(State.PULLED))
    if not len(good) and not len(pulled):
        return
    serials = serials_of(part.first, part.count)
    if len(good) == part.count:
        yield from group.add(entry, serials, states.time)
    elif len(good):
        is_good = states.state == ord(State.COMMISSIONED)
        yield from group.add(entry, list(compress(serials, is_good.tolist())), states.time[good])
    if len(pulled):
        yield from group.close()
        chosen = [serials[i] for i in pulled.tolist()]
        step = ("OBSERVE", "inspecting", "non_conformant")
        yield from _in_slices(group.facts, entry, step, chosen)


def _of_moves(entry: Entry, facts: LotFacts, serials_of: SerialsOf) -> Iterator[Event]:
    by_step: dict[tuple[str, str, str | None], list[str]] = {}
    for first, last, source, target in entry.data["moves"]:
        for step in _steps(source, target, entry.reason):
            by_step.setdefault(step, []).extend(serials_of(first, last - first + 1))
    for step, serials in by_step.items():
        yield from _in_slices(facts, entry, step, serials)


def _in_slices(
    facts: LotFacts, entry: Entry, step: tuple[str, str, str | None], serials: list[str]
) -> Iterator[Event]:
    for start in range(0, len(serials), facts.group_limit):
        some = serials[start : start + facts.group_limit]
        yield _event(facts, entry, *step, some, entry.at)


def _steps(source: str, target: str, reason: str) -> Iterable[tuple[str, str, str | None]]:
    """The events of one move by hand: (action, bizStep, disposition)."""
    if target == State.COMMISSIONED:
        if source == State.PULLED:
            return [("OBSERVE", "inspecting", "conformant")]
        return [("ADD", "commissioning", "active")]
    if target == State.DECOMMISSIONED:
        return DECOMMISSION_REASONS[reason].steps
    return []


def _event(
    facts: LotFacts,
    entry: Entry,
    action: str,
    biz_step: str,
    disposition: str | None,
    serials: list[str],
    time: str,
) -> Event:
    return Event(facts, time, write_offset(entry.offset), action, biz_step, disposition, serials)


def write_time(milliseconds: int) -> str:
    """Milliseconds since 1970 as RFC 3339 UTC text."""
    moment = datetime.fromtimestamp(milliseconds // 1000, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{milliseconds % 1000:03d}Z"


def write_offset(minutes: int) -> str:
    """Minutes east of UTC as `+hh:mm`."""
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
