"""The written forms of EPCIS events: JSON-LD and XML of EPCIS 2.0, and XML of EPCIS 1.2.

All three tell the same events in the same order under the same IDs. CBV 1.2 lacks three words
that our events use; `OLD_WORDS` says which older word stands for each.

Sources: EPCIS 2.0 and CBV 2.0 (ISO/IEC 19987, 19988); EPCIS 1.2 (its XML Schema) and CBV 1.2.2
(its lists of words from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import orjson

from serialkeeper.errors import Refused
from serialkeeper.rules import epc
from serialkeeper.rules.digital_link import CANONICAL_HOST
from serialkeeper.rules.events import Event, Place

CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"

OLD_WORDS: Mapping[str, str] = {
    "sampling": "other",
    "non_conformant": "non_sellable_other",
    "conformant": "active",
}
"""Words of CBV 2.0 that CBV 1.2 lacks, and those that stand for them in `xml-1.2`: a step that is
in no list (the event that ends the unit follows); a unit that failed inspection cannot be sold; one
that passed after all is again what its commissioning said. All others are in both."""


@dataclass(frozen=True, slots=True)
class Header:
    """What a document says before its events: who sends it to whom, and what its identifiers are
    called.

    Attributes:
        sender, receiver: who.
        instance: what the sender calls this document; another one of the sender's has another.
        products: GTIN, digits of the company prefix and name of each.
        locations: with their names.
    """

    sender: Place
    receiver: Place
    instance: str
    products: tuple[tuple[str, int, str], ...] = ()
    locations: tuple[tuple[Place, str], ...] = ()

    def vocabularies(self, *, links: bool) -> Iterator[tuple[str, list[tuple[str, str, str]]]]:
        """Master data: the type of each vocabulary, and its elements: URI, attribute, value."""
        of_products = []
        for gtin, prefix_length, name in self.products:
            of_all = (
                f"{CANONICAL_HOST}/01/{gtin}" if links else epc.write([("01", gtin)], prefix_length)
            )
            of_products.append((of_all, _ATTRIBUTE + "descriptionShort", name))
        if of_products:
            yield _VOCABULARY + "EPCClass", of_products
        of_locations = [
            (place.name(links=links), _ATTRIBUTE + "name", name) for place, name in self.locations
        ]
        if of_locations:
            yield _VOCABULARY + "Location", of_locations


_VOCABULARY, _ATTRIBUTE = "urn:epcglobal:epcis:vtype:", "urn:epcglobal:cbv:mda#"
"""Beginnings of the names of vocabularies and attributes of master data (CBV 2.0, from memory)."""


def write_json(
    events: Iterable[Event], *, created: str, links: bool = False, header: Header | None = None
) -> Iterator[str]:
    """An EPCIS 2.0 JSON-LD document, piece by piece.

    Args:
        created: when, UTC, RFC 3339.
        links: identifiers as canonical GS1 Digital Links, not as EPC URNs.
    """
    yield (
        f'{{"@context":["{CONTEXT}"],"type":"EPCISDocument","schemaVersion":"2.0",'
        f'"creationDate":"{created}",'
    )
    if header:
        yield _header_json(header, links=links)
    yield '"epcisBody":{"eventList":['
    between = "\n"
    for event in events:
        before, names, after = _event_json(event, links=links)
        yield between + before
        yield names
        yield after
        between = ",\n"
    yield "\n]}}\n"


def _header_json(header: Header, *, links: bool) -> str:
    told: dict[str, Any] = {
        "sender": header.sender.name(links=links),
        "receiver": header.receiver.name(links=links),
        "instanceIdentifier": header.instance,
    }
    listed = [
        {
            "type": kind,
            "vocabularyElementList": [
                {"id": uri, "attributes": [{"id": attribute, "attribute": value}]}
                for uri, attribute, value in elements
            ],
        }
        for kind, elements in header.vocabularies(links=links)
    ]
    if listed:
        told["epcisHeader"] = {"epcisMasterData": {"vocabularyList": listed}}
    return orjson.dumps(told).decode()[1:-1] + ","


def _event_json(event: Event, *, links: bool) -> tuple[str, str, str]:
    """What stands before the names of an event's units, these, and what stands after them."""
    whose = '"epcList"'
    if event.parent:
        whose = f'"parentID":"{event.name(event.parent, links=links)}","childEPCs"'
    names = event.names('",\n"', links=links)
    before = (
        f'{{"type":"{event.kind}","eventTime":"{event.time}",'
        f'"eventTimeZoneOffset":"{event.offset}","eventID":"{event.id}",'
    )
    if event.declared:
        told: dict[str, Any] = {
            "declarationTime": event.declared.time,
            "reason": event.declared.reason,
        }
        if event.declared.corrective:
            told["correctiveEventIDs"] = event.declared.corrective
        before += f'"errorDeclaration":{orjson.dumps(told).decode()},'
    pieces = [f'"],"action":"{event.action}","bizStep":"{event.biz_step}"']
    if event.disposition:
        pieces.append(f',"disposition":"{event.disposition}"')
    for what, place in (("readPoint", event.facts.place), ("bizLocation", event.location)):
        if place:
            pieces.append(f',"{what}":{{"id":"{place.name(links=links)}"}}')
    if event.transaction:
        word, uri = event.transaction
        pieces.append(f',"bizTransactionList":[{{"type":"{word}","bizTransaction":"{uri}"}}]')
    for what, place in (("source", event.source), ("destination", event.destination)):
        if place:
            one = f'{{"type":"location","{what}":"{place.name(links=links)}"}}'
            pieces.append(f',"{what}List":[{one}]')
    if event.with_ilmd:
        lot, expiry = event.facts.lot, event.facts.expiry
        ilmd = {"cbvmda:lotNumber": lot, "cbvmda:itemExpirationDate": expiry}
        pieces.append(f',"ilmd":{orjson.dumps(ilmd).decode()}')
    pieces.append("}")
    return before + f'{whose}:["', names, "".join(pieces)


def write_xml(
    events: Iterable[Event], *, created: str, links: bool = False, header: Header | None = None
) -> Iterator[str]:
    """An EPCIS 2.0 XML document, piece by piece; arguments as for `write_json`."""
    return _xml(events, created, header, links=links, old=False)


def write_old_xml(
    events: Iterable[Event], *, created: str, links: bool = False, header: Header | None = None
) -> Iterator[str]:
    """An EPCIS 1.2 XML document, piece by piece, in the words of CBV 1.2; identifiers are EPC URNs.

    Refuses `bad_value` for links, which EPCIS 1.2 does not know.
    """
    if links:
        raise Refused(
            "bad_value",
            "EPCIS 1.2 does not know GS1 Digital Links as identifiers.",
            expected="EPC URNs",
            came="Digital Links in EPCIS 1.2",
            remedy="Write EPCIS 2.0, or EPC URNs.",
        )
    return _xml(events, created, header, links=False, old=True)


def _xml(
    events: Iterable[Event], created: str, header: Header | None, *, links: bool, old: bool
) -> Iterator[str]:
    number, version = ("1", "1.2") if old else ("2", "2.0")
    business = f' xmlns:sbdh="{BUSINESS}"' if header else ""
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<epcis:EPCISDocument xmlns:epcis="urn:epcglobal:epcis:xsd:{number}"{business} '
        f'xmlns:cbvmda="urn:epcglobal:cbv:mda" schemaVersion="{version}" '
        f'creationDate="{created}">\n'
    )
    if header:
        yield _header_xml(header, created, version, links=links)
    yield "<EPCISBody><EventList>\n"
    for event in events:
        yield _event_xml(event, links=links, old=old)
    yield "</EventList></EPCISBody>\n</epcis:EPCISDocument>\n"


BUSINESS = "http://www.unece.org/cefact/namespaces/StandardBusinessDocumentHeader"
"""The namespace of the header that says who sends a document to whom."""


def _header_xml(header: Header, created: str, version: str, *, links: bool) -> str:
    people = "".join(
        f'<sbdh:{role}><sbdh:Identifier Authority="GS1">{place.gln}</sbdh:Identifier></sbdh:{role}>'
        for role, place in (("Sender", header.sender), ("Receiver", header.receiver))
    )
    listed = "".join(
        f'<Vocabulary type="{kind}"><VocabularyElementList>'
        + "".join(
            f'<VocabularyElement id="{uri}"><attribute id="{attribute}">{_xml_text(value)}'
            "</attribute></VocabularyElement>"
            for uri, attribute, value in elements
        )
        + "</VocabularyElementList></Vocabulary>"
        for kind, elements in header.vocabularies(links=links)
    )
    master = f"<EPCISMasterData><VocabularyList>{listed}</VocabularyList></EPCISMasterData>"
    extension = f"<extension>{master}</extension>" if listed else ""
    return (
        "<EPCISHeader><sbdh:StandardBusinessDocumentHeader>"
        f"<sbdh:HeaderVersion>1.0</sbdh:HeaderVersion>{people}"
        "<sbdh:DocumentIdentification><sbdh:Standard>EPCglobal</sbdh:Standard>"
        f"<sbdh:TypeVersion>{version}</sbdh:TypeVersion>"
        f"<sbdh:InstanceIdentifier>{_xml_text(header.instance)}</sbdh:InstanceIdentifier>"
        f"<sbdh:Type>Events</sbdh:Type><sbdh:CreationDateAndTime>{created}"
        "</sbdh:CreationDateAndTime></sbdh:DocumentIdentification>"
        f"</sbdh:StandardBusinessDocumentHeader>{extension}</EPCISHeader>\n"
    )


def _event_xml(event: Event, *, links: bool, old: bool) -> str:
    """One event. What came after EPCIS 1.0 stands in extensions in an old document."""
    biz_step, disposition = event.biz_step, event.disposition
    base, more = _base_xml(event), _later_xml(event, links=links)
    if old:
        biz_step = OLD_WORDS.get(biz_step, biz_step)
        disposition = disposition and OLD_WORDS.get(disposition, disposition)
        base = f"<baseExtension>{base}</baseExtension>"
        more = more and f"<extension>{more}</extension>"
    whose, end = "<epcList>", "</epcList>"
    if event.parent:
        parent = event.name(event.parent, links=links)
        whose, end = f"<parentID>{parent}</parentID><childEPCs>", "</childEPCs>"
    names = event.names("</epc>\n<epc>", links=links)
    transactions = ""
    if event.transaction:
        word, uri = event.transaction
        told = f'<bizTransaction type="urn:epcglobal:cbv:btt:{word}">{uri}</bizTransaction>'
        transactions = f"<bizTransactionList>{told}</bizTransactionList>"
    pieces = [
        f"<{event.kind}><eventTime>{event.time}</eventTime>"
        f"<eventTimeZoneOffset>{event.offset}</eventTimeZoneOffset>{base}",
        transactions if event.of_order else "",
        f"{whose}<epc>{names}</epc>{end}<action>{event.action}</action>"
        f"<bizStep>urn:epcglobal:cbv:bizstep:{biz_step}</bizStep>",
    ]
    if disposition:
        pieces.append(f"<disposition>urn:epcglobal:cbv:disp:{disposition}</disposition>")
    for what, place in (("readPoint", event.facts.place), ("bizLocation", event.location)):
        if place:
            pieces.append(f"<{what}><id>{place.name(links=links)}</id></{what}>")
    pieces += ["" if event.of_order else transactions, f"{more}</{event.kind}>\n"]
    return "".join(pieces)


def _base_xml(event: Event) -> str:
    """The event's ID, and that it was told in error."""
    text = f"<eventID>{event.id}</eventID>"
    if event.declared:
        ids = "".join(
            f"<correctiveEventID>{one}</correctiveEventID>" for one in event.declared.corrective
        )
        ids = ids and f"<correctiveEventIDs>{ids}</correctiveEventIDs>"
        text += (
            f"<errorDeclaration><declarationTime>{event.declared.time}</declarationTime>"
            f"<reason>urn:epcglobal:cbv:er:{event.declared.reason}</reason>{ids}"
            "</errorDeclaration>"
        )
    return text


def _later_xml(event: Event, *, links: bool) -> str:
    """What EPCIS 1.1 added: source and destination, lot and expiry."""
    text = ""
    for what, place in (("source", event.source), ("destination", event.destination)):
        if place:
            kind = 'type="urn:epcglobal:cbv:sdt:location"'
            one = f"<{what} {kind}>{place.name(links=links)}</{what}>"
            text += f"<{what}List>{one}</{what}List>"
    if event.with_ilmd:
        lot, expiry = _xml_text(event.facts.lot), event.facts.expiry
        text += f"<ilmd><cbvmda:lotNumber>{lot}</cbvmda:lotNumber>"
        text += f"<cbvmda:itemExpirationDate>{expiry}</cbvmda:itemExpirationDate></ilmd>"
    return text


def _xml_text(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


class Form(NamedTuple):
    """A form's name for people, and how it is written."""

    title: str
    write: Callable[..., Iterator[str]]


FORMS: Mapping[str, Form] = {
    "json": Form("EPCIS 2.0 JSON-LD", write_json),
    "xml": Form("EPCIS 2.0 XML", write_xml),
    "xml-1.2": Form("EPCIS 1.2 XML", write_old_xml),
}


def words_of(event: Event, form: str) -> list[str]:
    """The words of an event that a form lacks, as `WORD as OLDER WORD`."""
    used = (event.biz_step, event.disposition or "") if form == "xml-1.2" else ()
    return [f"{word} as {OLD_WORDS[word]}" for word in used if word in OLD_WORDS]
