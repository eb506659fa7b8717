"""Events read back: what an event of a document says, as one of ours.

An event bears an ID that is the hash of its content, so it can be held against its own ID: if what
stands there does not give the ID, it was altered, or is none of ours. `rules.event_forms` wrote it;
nothing of that is used here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any
from urllib.parse import unquote

from serialkeeper.errors import Refused
from serialkeeper.rules import digital_link, epc
from serialkeeper.rules.events import Declaration, Event, LotFacts, Place, write_time

KINDS = ("ObjectEvent", "AggregationEvent", "TransactionEvent")

_FIELDS = frozenset(
    (
        *("type", "eventTime", "eventTimeZoneOffset", "eventID", "errorDeclaration", "recordTime"),
        *("epcList", "parentID", "childEPCs", "action", "bizStep", "disposition", "readPoint"),
        *("bizLocation", "bizTransactionList", "sourceList", "destinationList", "ilmd"),
    )
)
"""What our events say, and when a receiver recorded it."""

_LOT, _EXPIRY = "cbvmda:lotNumber", "cbvmda:itemExpirationDate"

_OLD: Mapping[tuple[str, str, str], tuple[str, str]] = {
    ("OBSERVE", "other", ""): ("sampling", ""),
    ("OBSERVE", "inspecting", "non_sellable_other"): ("inspecting", "non_conformant"),
    ("OBSERVE", "inspecting", "active"): ("inspecting", "conformant"),
}
"""Action and words of CBV 1.2 that stand for newer ones in an old document of ours."""

_WORD = re.compile(
    r"(?:https://ref\.gs1\.org/cbv/(?:BizStep|Disp|BTT|SDT|ER)-|"
    r"urn:epcglobal:cbv:(?:bizstep|disp|btt|sdt|er):|)([a-z_]+)"
)

_SGTIN = "urn:epc:id:sgtin:"
_UNIT_LINK = f"{digital_link.CANONICAL_HOST}/01/"


@dataclass(frozen=True, slots=True)
class Told:
    """An event of a document.

    Attributes:
        number: its place there, from 1.
        id: as it stands there.
        event: what it says; keys are `GTIN/NUMBER` or SSCCs, all of them among its packs.
        faults: why it is none of ours as we wrote it, in words; empty if it is.
    """

    number: int
    id: str
    event: Event
    faults: tuple[str, ...]

    @property
    def lot(self) -> str:
        """The lot number that it states, or empty."""
        return self.event.facts.lot


def read(node: Mapping[str, Any], number: int) -> Told:
    """What an event says.

    Args:
        node: the event with the names of EPCIS 2.0 JSON; outside readers bring XML to that.
        number: its place in the document, from 1.

    Refuses `events_unreadable` for what is no event of a kind that we write.
    """
    try:
        return _read(node, number)
    except (KeyError, TypeError, AttributeError, ValueError, Refused) as error:
        came = str(error) if not isinstance(error, Refused) else f"{error.message} {error.came}"
        raise Refused(
            "events_unreadable",
            "An event of the document cannot be read.",
            where=f"event {number}",
            expected=f"one of {', '.join(KINDS)} with the fields of EPCIS",
            came=came[:200],
            remedy="Check the document with the official schema.",
        ) from None


def _read(node: Mapping[str, Any], number: int) -> Told:
    kind = node["type"]
    if kind not in KINDS:
        raise ValueError(kind)
    ilmd = node.get("ilmd") or {}
    place = _place(node.get("readPoint", {}).get("id"))
    facts = LotFacts("", 7, ilmd.get(_LOT, ""), ilmd.get(_EXPIRY, ""), 0, place)
    action = node["action"]
    step, disposition = _words(action, node)
    transaction = [(_word(one["type"]), one["bizTransaction"]) for one in _list(node, "biz")]
    whence = [_place(one["source"]) for one in _list(node, "source")]
    whither = [_place(one["destination"]) for one in _list(node, "destination")]
    event = Event(
        facts,
        _moment(node["eventTime"]),
        node["eventTimeZoneOffset"],
        action,
        step,
        disposition or None,
        packs=keys_of(node["childEPCs" if kind == "AggregationEvent" else "epcList"]),
        parent=key_of(node["parentID"]) if kind == "AggregationEvent" else "",
        transaction=transaction[0] if transaction else (),
        destination=whither[0] if whither else None,
        of_order=kind == "TransactionEvent",
        declared=_declared(node.get("errorDeclaration")),
    )
    there = _place(node.get("bizLocation", {}).get("id"))
    faults = [
        text
        for text, wrong in (
            (f"it also says {', '.join(sorted(set(node) - _FIELDS))}", not set(node) <= _FIELDS),
            ("lot or expiry are missing", event.with_ilmd and not (facts.lot and facts.expiry)),
            ("it names a lot where none belongs", bool(ilmd) and not event.with_ilmd),
            ("it says more of its lot", not set(ilmd) <= {_LOT, _EXPIRY}),
            ("it tells another place afterwards", there != event.location),
            ("it tells another source", (whence or [None]) != [event.source]),
            ("it has several transactions", len(transaction) > 1 or len(whither) > 1),
            ("what it says does not give its ID", node["eventID"] != event.id),
        )
        if wrong
    ]
    return Told(number, node["eventID"], event, tuple(faults))


def _list(node: Mapping[str, Any], what: str) -> Sequence[Mapping[str, Any]]:
    name = "bizTransactionList" if what == "biz" else f"{what}List"
    found: Sequence[Mapping[str, Any]] = node.get(name, ())
    return found


def _words(action: str, node: Mapping[str, Any]) -> tuple[str, str]:
    """bizStep and disposition in the words of CBV 2.0."""
    step = _word(node["bizStep"])
    disposition = _word(node["disposition"]) if node.get("disposition") else ""
    return _OLD.get((action, step, disposition), (step, disposition))


def _word(text: str) -> str:
    found = _WORD.fullmatch(text)
    if found is None:
        raise ValueError(text)
    return found[1]


def _moment(text: str) -> str:
    """A time as we write it; a receiver may have written the same moment otherwise."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(text)
    return write_time(round(moment.timestamp() * 1000))


def _declared(node: Mapping[str, Any] | None) -> Declaration | None:
    if not node:
        return None
    told = Declaration(_moment(node["declarationTime"]), tuple(node.get("correctiveEventIDs", ())))
    if _word(node["reason"]) != told.reason:
        raise ValueError(node["reason"])
    return told


def _place(uri: str | None) -> Place | None:
    if not uri:
        return None
    elements = dict(_elements(uri))
    return Place(elements["414"], elements.get("254", ""), 7)


def _elements(uri: str) -> Sequence[tuple[str, str]]:
    return epc.read(uri).elements if uri.startswith("urn:") else digital_link.read(uri)


def keys_of(uris: Sequence[str]) -> tuple[str, ...]:
    """What they name, in order: `GTIN/NUMBER` or SSCCs. Refuses `bad_value`."""
    return tuple(_keys(uris))


def _keys(uris: Sequence[str]) -> Iterator[str]:
    for uri in uris:
        yield key_of(uri)


def key_of(uri: str) -> str:
    """What an EPC URN or a Digital Link of a unit or pack names.

    >>> key_of("urn:epc:id:sgtin:9521234.054321.A%2F7")
    '09521234543213/A/7'
    """
    if uri.startswith(_SGTIN):
        pieces = uri.split(".", 2)
        if len(pieces) == 3 and "%" not in pieces[2]:  # the plain ones are many
            return f"{_gtin(f'{pieces[0]}.{pieces[1]}')}/{pieces[2]}"
    elif uri.startswith(_UNIT_LINK) and uri[36:40] == "/21/" and "?" not in uri:
        return f"{uri[22:36]}/{unquote(uri[40:])}"
    return _whole(uri)


@lru_cache(64)
def _gtin(stem: str) -> str:
    return epc.read(f"{stem}.0").elements[0][1]


def _whole(uri: str) -> str:
    found = dict(_elements(uri))
    return found["00"] if "00" in found else f"{found['01']}/{found['21']}"
