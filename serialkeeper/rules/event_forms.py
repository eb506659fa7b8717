"""The written forms of EPCIS events: JSON-LD and XML of EPCIS 2.0, and XML of EPCIS 1.2.

All three tell the same events in the same order under the same IDs. CBV 1.2 lacks three words
that our events use; `OLD_WORDS` says which older word stands for each.

Sources: EPCIS 2.0 and CBV 2.0 (ISO/IEC 19987, 19988); EPCIS 1.2 (its XML Schema) and CBV 1.2.2
(its lists of words from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import NamedTuple

import orjson

from serialkeeper.rules.events import Event

CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"

OLD_WORDS: Mapping[str, str] = {
    "sampling": "other",
    "non_conformant": "non_sellable_other",
    "conformant": "active",
}
"""Words of CBV 2.0 that CBV 1.2 lacks, and those that stand for them in `xml-1.2`: a step that is
in no list (the event that ends the unit follows); a unit that failed inspection cannot be sold; one
that passed after all is again what its commissioning said. All others are in both."""


def write_json(events: Iterable[Event], *, created: str) -> Iterator[str]:
    """An EPCIS 2.0 JSON-LD document, piece by piece."""
    yield (
        f'{{"@context":["{CONTEXT}"],"type":"EPCISDocument","schemaVersion":"2.0",'
        f'"creationDate":"{created}","epcisBody":{{"eventList":['
    )
    before = "\n"
    for event in events:
        yield before + _event_json(event)
        before = ",\n"
    yield "\n]}}\n"


def _event_json(event: Event) -> str:
    whose = f'"parentID":"{event.parent_epc}","childEPCs"' if event.parent else '"epcList"'
    epcs = event.epcs('",\n"')
    pieces = [
        f'{{"type":"{event.kind}","eventTime":"{event.time}",'
        f'"eventTimeZoneOffset":"{event.offset}","eventID":"{event.id}",{whose}:["{epcs}"],'
        f'"action":"{event.action}","bizStep":"{event.biz_step}"'
    ]
    if event.disposition:
        pieces.append(f',"disposition":"{event.disposition}"')
    if event.transaction:
        word, uri = event.transaction
        pieces.append(f',"bizTransactionList":[{{"type":"{word}","bizTransaction":"{uri}"}}]')
    if event.destination:
        told = f'{{"type":"location","destination":"{event.destination_epc}"}}'
        pieces.append(f',"destinationList":[{told}]')
    if event.with_ilmd:
        lot, expiry = event.facts.lot, event.facts.expiry
        ilmd = {"cbvmda:lotNumber": lot, "cbvmda:itemExpirationDate": expiry}
        pieces.append(f',"ilmd":{orjson.dumps(ilmd).decode()}')
    pieces.append("}")
    return "".join(pieces)


def write_xml(events: Iterable[Event], *, created: str) -> Iterator[str]:
    """An EPCIS 2.0 XML document, piece by piece."""
    return _xml(events, created, old=False)


def write_old_xml(events: Iterable[Event], *, created: str) -> Iterator[str]:
    """An EPCIS 1.2 XML document, piece by piece, in the words of CBV 1.2."""
    return _xml(events, created, old=True)


def _xml(events: Iterable[Event], created: str, *, old: bool) -> Iterator[str]:
    number, version = ("1", "1.2") if old else ("2", "2.0")
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<epcis:EPCISDocument xmlns:epcis="urn:epcglobal:epcis:xsd:{number}" '
        f'xmlns:cbvmda="urn:epcglobal:cbv:mda" schemaVersion="{version}" '
        f'creationDate="{created}">\n<EPCISBody><EventList>\n'
    )
    for event in events:
        yield _event_xml(event, old=old)
    yield "</EventList></EPCISBody>\n</epcis:EPCISDocument>\n"


def _event_xml(event: Event, *, old: bool) -> str:
    """One event. What came after EPCIS 1.0 stands in extensions in an old document."""
    biz_step, disposition = event.biz_step, event.disposition
    id_, more = f"<eventID>{event.id}</eventID>", _later_xml(event)
    if old:
        biz_step = OLD_WORDS.get(biz_step, biz_step)
        disposition = disposition and OLD_WORDS.get(disposition, disposition)
        id_ = f"<baseExtension>{id_}</baseExtension>"
        more = more and f"<extension>{more}</extension>"
    whose, end = "<epcList>", "</epcList>"
    if event.parent:
        whose, end = f"<parentID>{event.parent_epc}</parentID><childEPCs>", "</childEPCs>"
    epcs = event.epcs("</epc>\n<epc>")
    pieces = [
        f"<{event.kind}><eventTime>{event.time}</eventTime>"
        f"<eventTimeZoneOffset>{event.offset}</eventTimeZoneOffset>{id_}"
        f"{whose}<epc>{epcs}</epc>{end}<action>{event.action}</action>"
        f"<bizStep>urn:epcglobal:cbv:bizstep:{biz_step}</bizStep>"
    ]
    if disposition:
        pieces.append(f"<disposition>urn:epcglobal:cbv:disp:{disposition}</disposition>")
    if event.transaction:
        word, uri = event.transaction
        told = f'<bizTransaction type="urn:epcglobal:cbv:btt:{word}">{uri}</bizTransaction>'
        pieces.append(f"<bizTransactionList>{told}</bizTransactionList>")
    pieces.append(f"{more}</{event.kind}>\n")
    return "".join(pieces)


def _later_xml(event: Event) -> str:
    """What EPCIS 1.1 added: destination, lot and expiry."""
    text = ""
    if event.destination:
        kind = 'type="urn:epcglobal:cbv:sdt:location"'
        text += f"<destinationList><destination {kind}>{event.destination_epc}</destination>"
        text += "</destinationList>"
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
