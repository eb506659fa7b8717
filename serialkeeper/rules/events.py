"""EPCIS events as a fold over a lot's chain, their IDs, and their two written forms.

There is no event table: what a lot has caused downstream follows from its entries, the
same whenever it is worked out. A commissioning group closes at the lot's group limit, when
a take ends, or before any other entry.

Sources: EPCIS 2.0 and CBV 2.0 (ISO/IEC 19987, 19988); event ID: CBV 2.0 section 8.9 (event
hash; section number from memory), always over the JSON-LD form with the lot as text.
"""

from __future__ import annotations

import hashlib
import string
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from itertools import compress
from typing import Protocol
from urllib.parse import quote

import numpy as np
import orjson
from numpy.typing import NDArray

from serialkeeper.rules import digital_link, epc
from serialkeeper.rules.chain import Entry, PartRef
from serialkeeper.rules.moves import DECOMMISSION_REASONS, State
from serialkeeper.rules.parts import NO_TIME, unpack_states

CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
FORMS = ("json", "xml")

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
    """An ObjectEvent over serialised units of one lot.

    Attributes:
        facts: the lot.
        time: UTC, RFC 3339 with milliseconds.
        offset: `+hh:mm` at the station.
        action: ADD, OBSERVE or DELETE.
        biz_step, disposition: CBV words; a disposition may be None.
        serials: the units, in position order.
    """

    facts: LotFacts
    time: str
    offset: str
    action: str
    biz_step: str
    disposition: str | None
    serials: list[str]

    @property
    def with_ilmd(self) -> bool:
        """Lot and expiry stand in the ILMD, which only an ADD may carry."""
        return self.action == "ADD"

    @cached_property
    def plain(self) -> bool:
        """Whether no serial holds a sign that any form escapes."""
        return not "".join(self.serials).encode().translate(None, _UNESCAPED)

    @cached_property
    def id(self) -> str:
        """The CBV 2.0 event hash."""
        link = digital_link.unit_stem(self.facts.gtin)
        if self.plain:
            tails = sorted(self.serials)
        else:
            tails = sorted(quote(serial, safe="-._~") for serial in self.serials)
        text = (
            f"eventType=ObjectEventeventTime={self.time}eventTimeZoneOffset={self.offset}"
            f"epcListepc={link}" + f"epc={link}".join(tails) + f"action={self.action}"
            f"bizStep=https://ref.gs1.org/cbv/BizStep-{self.biz_step}"
        )
        if self.disposition:
            text += f"disposition=https://ref.gs1.org/cbv/Disp-{self.disposition}"
        if self.with_ilmd:
            text += ilmd_text(self.facts)
        digest = hashlib.sha256(text.encode()).hexdigest()
        return f"ni:///sha-256;{digest}?ver=CBV2.0"

    @property
    def count(self) -> int:
        """How many units it is about."""
        return len(self.serials)

    def as_json(self) -> str:
        """The event in an EPCIS 2.0 JSON-LD document."""
        return _event_json(self)

    def as_xml(self) -> str:
        """The event in an EPCIS 2.0 XML document."""
        return _event_xml(self)


class Written(Protocol):
    """An event of any kind."""

    @property
    def count(self) -> int:
        """How many units and packs it is about."""

    def as_json(self) -> str:
        """The event in an EPCIS 2.0 JSON-LD document."""

    def as_xml(self) -> str:
        """The event in an EPCIS 2.0 XML document."""


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


def write_json(events: Iterable[Written], *, created: str) -> Iterator[str]:
    """An EPCIS 2.0 JSON-LD document, piece by piece."""
    yield (
        f'{{"@context":["{CONTEXT}"],"type":"EPCISDocument","schemaVersion":"2.0",'
        f'"creationDate":"{created}","epcisBody":{{"eventList":['
    )
    before = "\n"
    for event in events:
        yield before + event.as_json()
        before = ",\n"
    yield "\n]}}\n"


def _event_json(event: Event) -> str:
    stem = epc.sgtin_stem(event.facts.gtin, event.facts.prefix_length)
    # A URN holds no sign that JSON escapes: the escapes of `_tails` cover them.
    epcs = f'",\n"{stem}'.join(_tails(event))
    pieces = [
        f'{{"type":"ObjectEvent","eventTime":"{event.time}",'
        f'"eventTimeZoneOffset":"{event.offset}","eventID":"{event.id}",'
        f'"epcList":["{stem}{epcs}"],"action":"{event.action}","bizStep":"{event.biz_step}"'
    ]
    if event.disposition:
        pieces.append(f',"disposition":"{event.disposition}"')
    if event.with_ilmd:
        pieces.append(ilmd_json(event.facts))
    pieces.append("}")
    return "".join(pieces)


def write_xml(events: Iterable[Written], *, created: str) -> Iterator[str]:
    """An EPCIS 2.0 XML document, piece by piece."""
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<epcis:EPCISDocument xmlns:epcis="urn:epcglobal:epcis:xsd:2" '
        f'xmlns:cbvmda="urn:epcglobal:cbv:mda" schemaVersion="2.0" creationDate="{created}">\n'
        "<EPCISBody><EventList>\n"
    )
    for event in events:
        yield event.as_xml()
    yield "</EventList></EPCISBody>\n</epcis:EPCISDocument>\n"


def _event_xml(event: Event) -> str:
    stem = epc.sgtin_stem(event.facts.gtin, event.facts.prefix_length)
    # A URN holds no sign that XML escapes, for the same reason as above.
    epcs = f"</epc>\n<epc>{stem}".join(_tails(event))
    pieces = [
        f"<ObjectEvent><eventTime>{event.time}</eventTime>"
        f"<eventTimeZoneOffset>{event.offset}</eventTimeZoneOffset>"
        f"<eventID>{event.id}</eventID><epcList><epc>{stem}{epcs}</epc></epcList>"
        f"<action>{event.action}</action>"
        f"<bizStep>urn:epcglobal:cbv:bizstep:{event.biz_step}</bizStep>"
    ]
    if event.disposition:
        pieces.append(f"<disposition>urn:epcglobal:cbv:disp:{event.disposition}</disposition>")
    if event.with_ilmd:
        pieces.append(ilmd_xml(event.facts))
    pieces.append("</ObjectEvent>\n")
    return "".join(pieces)


def ilmd_text(facts: LotFacts) -> str:
    """Lot and expiry as the event hash takes them."""
    return f"ilmdcbvmda:itemExpirationDate={facts.expiry}cbvmda:lotNumber={facts.lot}"


def ilmd_json(facts: LotFacts) -> str:
    """Lot and expiry, the last field of an event in JSON-LD."""
    ilmd = {"cbvmda:lotNumber": facts.lot, "cbvmda:itemExpirationDate": facts.expiry}
    return f',"ilmd":{orjson.dumps(ilmd).decode()}'


def ilmd_xml(facts: LotFacts) -> str:
    """Lot and expiry, the last element of an event in XML."""
    return (
        f"<ilmd><cbvmda:lotNumber>{_xml_text(facts.lot)}</cbvmda:lotNumber>"
        f"<cbvmda:itemExpirationDate>{facts.expiry}</cbvmda:itemExpirationDate></ilmd>"
    )


def _tails(event: Event) -> list[str]:
    """The serials as they stand in URNs; untouched where no sign needs an escape."""
    if event.plain:
        return event.serials
    return [epc.escape_serial(serial) for serial in event.serials]


def _xml_text(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


WRITERS: Mapping[str, Callable[..., Iterator[str]]] = {"json": write_json, "xml": write_xml}
"""How each form is written."""
