"""Events of packs, and the whole fold: packs get their keys, are filled, changed, and end.

A pack's key is commissioned before anything goes into it; what goes in is one AggregationEvent ADD
a pack, what comes out one DELETE. Each lot's events tell what is of that lot: a pallet of two lots
is told by both, the same parent in each.

Sources: EPCIS 2.0 and CBV 2.0 (ISO/IEC 19987, 19988): commissioning / active, packing, unpacking;
event ID as in `rules.events`.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from urllib.parse import quote

import numpy as np

from serialkeeper.errors import Refused
from serialkeeper.rules import digital_link, epc
from serialkeeper.rules.chain import Entry, PartRef
from serialkeeper.rules.events import (
    Event,
    LotFacts,
    ReadPart,
    SerialsOf,
    Units,
    ilmd_json,
    ilmd_text,
    ilmd_xml,
    write_offset,
)
from serialkeeper.rules.identifiers import Elements
from serialkeeper.rules.moves import DECOMMISSION_REASONS
from serialkeeper.rules.pack_entries import made_in
from serialkeeper.rules.parts import unpack_packs

CBV = "https://ref.gs1.org/cbv/"
TRANSACTIONS = ("bol", "desadv", "inv", "po", "poc", "prodorder", "recadv", "rma")
"""Types of business transactions with which goods leave (CBV 2.0)."""

_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[A-Za-z0-9._~:/?#@!$()*+,;=%-]{1,200}")


@dataclass(frozen=True)
class PackEvent:
    """An ObjectEvent over packs, or an AggregationEvent of one.

    Attributes:
        facts: the lot that tells it.
        time: UTC, RFC 3339 with milliseconds.
        offset: `+hh:mm` at the station.
        action: ADD, OBSERVE or DELETE.
        biz_step, disposition: CBV words; a disposition may be None.
        parent: the pack's key; empty for an ObjectEvent.
        serials: units of the lot's product in it.
        packs: keys of packs.
        transaction: type and URI of the business transaction; empty for none.
        destination: GLN, extension and length of the company prefix; empty for none.
    """

    facts: LotFacts
    time: str
    offset: str
    action: str
    biz_step: str
    disposition: str | None
    parent: str
    serials: tuple[str, ...] = ()
    packs: tuple[str, ...] = ()
    transaction: tuple[str, str] | tuple[()] = ()
    destination: tuple[str, str, int] | tuple[()] = ()

    @property
    def count(self) -> int:
        """How many units and packs it is about, its parent not counted."""
        return len(self.serials) + len(self.packs)

    @property
    def kind(self) -> str:
        """What EPCIS calls it."""
        return "AggregationEvent" if self.parent else "ObjectEvent"

    @property
    def with_ilmd(self) -> bool:
        """Lot and expiry belong to packs that are of one lot, and are commissioned."""
        return self.action == "ADD" and not self.parent and "/" in self.packs[0]

    @cached_property
    def _plain(self) -> bool:
        """Whether no serial holds a sign that any form escapes."""
        text = "".join(self.serials)
        return text.isalnum() and text.isascii()

    @cached_property
    def urns(self) -> list[str]:
        """All it is about, as EPC URNs: units in their order, then packs."""
        stem = epc.sgtin_stem(self.facts.gtin, self.facts.prefix_length)
        plain = self._plain
        units = [stem + (one if plain else epc.escape_serial(one)) for one in self.serials]
        return units + [urn_of(key, self.facts.prefix_length) for key in self.packs]

    @cached_property
    def id(self) -> str:
        """The CBV 2.0 event hash."""
        stem = digital_link.unit_stem(self.facts.gtin)
        plain = self._plain
        links = [stem + (one if plain else quote(one, safe="-._~")) for one in self.serials]
        links += [link_of(key) for key in self.packs]
        field = f"parentID={link_of(self.parent)}childEPCs" if self.parent else "epcList"
        text = (
            f"eventType={self.kind}eventTime={self.time}eventTimeZoneOffset={self.offset}"
            f"{field}epc=" + "epc=".join(sorted(links)) + f"action={self.action}"
            f"bizStep=https://ref.gs1.org/cbv/BizStep-{self.biz_step}"
        )
        if self.disposition:
            text += f"disposition=https://ref.gs1.org/cbv/Disp-{self.disposition}"
        if self.transaction:
            word, uri = self.transaction
            text += f"bizTransactionListtype={CBV}BTT-{word}bizTransaction={uri}"
        if self.destination:
            text += f"destinationListtype={CBV}SDT-location"
            text += f"destination={digital_link.write(_place(self.destination))}"
        if self.with_ilmd:
            text += ilmd_text(self.facts)
        digest = hashlib.sha256(text.encode()).hexdigest()
        return f"ni:///sha-256;{digest}?ver=CBV2.0"

    def as_json(self) -> str:
        """The event in an EPCIS 2.0 JSON-LD document."""
        # A URN holds no sign that JSON or XML escapes.
        urns = '",\n"'.join(self.urns)
        parent = urn_of(self.parent, self.facts.prefix_length) if self.parent else ""
        whose = f'"parentID":"{parent}","childEPCs"' if parent else '"epcList"'
        return (
            f'{{"type":"{self.kind}","eventTime":"{self.time}",'
            f'"eventTimeZoneOffset":"{self.offset}","eventID":"{self.id}",{whose}:["{urns}"],'
            f'"action":"{self.action}","bizStep":"{self.biz_step}"'
            + (f',"disposition":"{self.disposition}"' if self.disposition else "")
            + self._whither_json()
            + (ilmd_json(self.facts) if self.with_ilmd else "")
            + "}"
        )

    def as_xml(self) -> str:
        """The event in an EPCIS 2.0 XML document."""
        urns = "</epc>\n<epc>".join(self.urns)
        what = f"<epcList><epc>{urns}</epc></epcList>"
        if self.parent:
            parent = urn_of(self.parent, self.facts.prefix_length)
            what = f"<parentID>{parent}</parentID><childEPCs><epc>{urns}</epc></childEPCs>"
        disposition = f"<disposition>urn:epcglobal:cbv:disp:{self.disposition}</disposition>"
        return (
            f"<{self.kind}><eventTime>{self.time}</eventTime>"
            f"<eventTimeZoneOffset>{self.offset}</eventTimeZoneOffset>"
            f"<eventID>{self.id}</eventID>{what}<action>{self.action}</action>"
            f"<bizStep>urn:epcglobal:cbv:bizstep:{self.biz_step}</bizStep>"
            + (disposition if self.disposition else "")
            + self._whither_xml()
            + (ilmd_xml(self.facts) if self.with_ilmd else "")
            + f"</{self.kind}>\n"
        )

    def _whither_json(self) -> str:
        text = ""
        if self.transaction:
            word, uri = self.transaction
            text += f',"bizTransactionList":[{{"type":"{word}","bizTransaction":"{uri}"}}]'
        if self.destination:
            place = epc.write(_place(self.destination), self.destination[2])
            text += f',"destinationList":[{{"type":"location","destination":"{place}"}}]'
        return text

    def _whither_xml(self) -> str:
        text = ""
        if self.transaction:
            word, uri = self.transaction
            kind = f'type="urn:epcglobal:cbv:btt:{word}"'
            text += f"<bizTransactionList><bizTransaction {kind}>{uri}</bizTransaction>"
            text += "</bizTransactionList>"
        if self.destination:
            place = epc.write(_place(self.destination), self.destination[2])
            kind = 'type="urn:epcglobal:cbv:sdt:location"'
            text += f"<destinationList><destination {kind}>{place}</destination>"
            text += "</destinationList>"
        return text


def _place(destination: tuple[str, str, int]) -> Elements:
    gln, extension, _ = destination
    return (("414", gln), ("254", extension)) if extension else (("414", gln),)


def check_transaction(text: str) -> tuple[str, str] | tuple[()]:
    """Type and URI of a business transaction from `TYPE:URI`; empty from nothing.

    Refuses `bad_value`.
    """
    if not text:
        return ()
    word, _, uri = text.partition(":")
    if word in TRANSACTIONS and _URI.fullmatch(uri):
        return word, uri
    raise Refused(
        "bad_value",
        "The business transaction is not understood.",
        expected=f"TYPE:URI, TYPE one of {', '.join(TRANSACTIONS)}",
        came=text,
        remedy="Such as desadv:urn:epcglobal:cbv:bt:9521234567899:D-1.",
    )


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
    return (
        digital_link.unit_link(gtin, serial)
        if slash
        else (f"{digital_link.CANONICAL_HOST}/00/{key}")
    )


def fold(
    entries: Iterable[Entry], facts: LotFacts, *, read_part: ReadPart, serials_of: SerialsOf
) -> Iterator[Event | PackEvent]:
    """Every event that a lot's entries have caused, of units and of packs, in order.

    Args: as for `rules.events.fold`.
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
        self.done: dict[str, Callable[[Entry], Iterator[PackEvent]]] = {
            "packed": self._packed,
            "unpacked": self._unpacked,
            "packs decommissioned": self._ended,
            "packs shipped": self._shipped,
        }

    def of(self, entry: Entry) -> Iterator[PackEvent]:
        """The events of one entry."""
        made = dict(one for some in made_in(entry) for one in some.named())
        self.keys |= made
        if entry.verb in self.done:
            yield from self.done[entry.verb](entry)

    def _packed(self, entry: Entry) -> Iterator[PackEvent]:
        made = [key for some in made_in(entry) for _, key in some.named()]
        new = [self.keys[id_] for id_ in entry.data.get("begun", ())] + made
        for some in ([key for key in new if "/" not in key], [key for key in new if "/" in key]):
            yield from self._of_packs(entry, ("ADD", "commissioning", "active"), some)
        yield from self._aggregations(entry, "ADD", "packing")

    def _unpacked(self, entry: Entry) -> Iterator[PackEvent]:
        yield from self._aggregations(entry, "DELETE", "unpacking")

    def _ended(self, entry: Entry) -> Iterator[PackEvent]:
        keys = [self.keys[id_] for id_ in entry.data["packs"]]
        for step in DECOMMISSION_REASONS[entry.reason].steps:
            yield from self._of_packs(entry, step, keys)

    def _of_packs(
        self, entry: Entry, step: tuple[str, str, str | None], keys: list[str]
    ) -> Iterator[PackEvent]:
        limit = self.facts.group_limit
        for start in range(0, len(keys), limit):
            some = tuple(keys[start : start + limit])
            yield PackEvent(self.facts, entry.at, write_offset(entry.offset), *step, "", packs=some)

    def _shipped(self, entry: Entry) -> Iterator[PackEvent]:
        data = entry.data
        keys = [self.keys[id_] for id_ in data["packs"]]
        whither = (data["to"], data["extension"], data["prefix_length"])
        for event in self._of_packs(entry, ("OBSERVE", "shipping", "in_transit"), keys):
            yield replace(
                event, transaction=check_transaction(data["transaction"]), destination=whither
            )

    def _aggregations(self, entry: Entry, action: str, biz_step: str) -> Iterator[PackEvent]:
        """One event a pack, units first; what holds more than the lot's limit is told in pieces."""
        offset, limit = write_offset(entry.offset), self.facts.group_limit
        for parent, serials in self._units(entry).items():
            for start in range(0, len(serials), limit):
                some = tuple(serials[start : start + limit])
                told = (self.facts, entry.at, offset, action, biz_step, None, parent)
                yield PackEvent(*told, serials=some)
        inner: dict[str, list[str]] = {}
        for first, last, _, _, key in entry.data.get("packs", ()):
            inner.setdefault(key, []).extend(self.keys[id_] for id_ in range(first, last + 1))
        for parent, keys in inner.items():
            for start in range(0, len(keys), limit):
                some = tuple(keys[start : start + limit])
                told = (self.facts, entry.at, offset, action, biz_step, None, parent)
                yield PackEvent(*told, packs=some)

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
