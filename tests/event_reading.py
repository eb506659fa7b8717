"""Event documents held against the official schemas, and read by others' readers."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import jsonschema_rs
from epcis_event_hash_generator.dl_normaliser import normaliser
from lxml import etree

OURS = Path(__file__).resolve().parents[1] / "schemas" / "events.schema.json"
NAMESPACE = "{urn:epcglobal:cbv:mda}"
XML_FORMS = {
    "xml": "epcis-2.0/EPCglobal-epcis-2_0.xsd",
    "xml-1.2": "epcis-1.2/EPCglobal-epcis-1_2.xsd",
}
"""The official XML Schema of each form."""

Valid = Callable[[str, str], bool]
"""Whether a document of a form is valid."""


def schemas(standards: Path) -> Valid:
    """Holds documents against the official schemas, JSON-LD against our narrower one, too.

    Source: EPCIS-JSON-Schema.json by jsonschema-rs with formats checked; EPCglobal-epcis-2_0.xsd
    and EPCglobal-epcis-1_2.xsd by lxml.
    """
    text = (standards / "epcis-2.0" / "EPCIS-JSON-Schema.json").read_text("utf-8")
    official = jsonschema_rs.validator_for(json.loads(text), validate_formats=True)
    ours = jsonschema_rs.validator_for(json.loads(OURS.read_text()))
    by_form = {
        form: etree.XMLSchema(file=str(standards / path)) for form, path in XML_FORMS.items()
    }

    def valid(form: str, text: str) -> bool:
        if form == "json":
            told = json.loads(text)
            return official.is_valid(told) and ours.is_valid(told)
        return bool(by_form[form].validate(etree.fromstring(text.encode())))

    return valid


Told = dict[str, Any]
"""What an event says, whatever the form."""


def named(uri: str | None) -> str:
    """What a URN names, as the hash package's normaliser reads it, or a link: GTIN/NUMBER, SSCC,
    GLN or GLN/EXTENSION; empty for nothing."""
    if not uri:
        return ""
    link = uri if uri.startswith("https://id.gs1.org/") else normaliser(uri)
    assert link is not None
    return "/".join(
        unquote(one) for one in link.removeprefix("https://id.gs1.org").split("/")[2::2]
    )


def from_json(node: Told) -> Told:
    """An event of a JSON-LD document."""
    transactions = node.get("bizTransactionList", [])
    declared = node.get("errorDeclaration", {})
    return {
        "kind": node["type"],
        "time": node["eventTime"],
        "zone": node["eventTimeZoneOffset"],
        "id": node["eventID"],
        "parent": node.get("parentID") and named(node["parentID"]),
        "of": [named(urn) for urn in node.get("epcList", node.get("childEPCs"))],
        "action": node["action"],
        "step": node["bizStep"],
        "disposition": node.get("disposition"),
        "transactions": [(one["type"], one["bizTransaction"]) for one in transactions],
        "sources": [(one["type"], named(one["source"])) for one in node.get("sourceList", [])],
        "destinations": [
            (one["type"], named(one["destination"])) for one in node.get("destinationList", [])
        ],
        "read at": named(node.get("readPoint", {}).get("id")),
        "is at": named(node.get("bizLocation", {}).get("id")),
        "declared": declared.get("declarationTime"),
        "error": declared.get("reason"),
        "corrective": declared.get("correctiveEventIDs", []),
        "lot": node.get("ilmd", {}).get("cbvmda:lotNumber"),
        "expiry": node.get("ilmd", {}).get("cbvmda:itemExpirationDate"),
    }


def from_xml(node: Any, form: str) -> Told:
    """An event of an XML document."""
    base, more = ("baseExtension/", "extension/") if form == "xml-1.2" else ("", "")

    def word(text: str | None, of: str) -> str | None:
        prefix, _, last = (text or "").rpartition(":")
        assert not text or prefix == f"urn:epcglobal:cbv:{of}"
        return last or None

    parent = node.findtext("parentID")
    declared = f"{base}errorDeclaration/"
    return {
        "kind": node.tag,
        "time": node.findtext("eventTime"),
        "zone": node.findtext("eventTimeZoneOffset"),
        "id": node.findtext(f"{base}eventID"),
        "parent": parent and named(parent),
        "of": [named(one.text) for one in node.iterfind("epcList/epc")]
        + [named(one.text) for one in node.iterfind("childEPCs/epc")],
        "action": node.findtext("action"),
        "step": word(node.findtext("bizStep"), "bizstep"),
        "disposition": word(node.findtext("disposition"), "disp"),
        "transactions": [
            (word(one.get("type"), "btt"), one.text)
            for one in node.iterfind("bizTransactionList/bizTransaction")
        ],
        "sources": [
            (word(one.get("type"), "sdt"), named(one.text))
            for one in node.iterfind(f"{more}sourceList/source")
        ],
        "destinations": [
            (word(one.get("type"), "sdt"), named(one.text))
            for one in node.iterfind(f"{more}destinationList/destination")
        ],
        "read at": named(node.findtext("readPoint/id")),
        "is at": named(node.findtext("bizLocation/id")),
        "declared": node.findtext(f"{declared}declarationTime"),
        "error": word(node.findtext(f"{declared}reason"), "er"),
        "corrective": [
            one.text for one in node.iterfind(f"{declared}correctiveEventIDs/correctiveEventID")
        ],
        "lot": node.findtext(f"{more}ilmd/{NAMESPACE}lotNumber"),
        "expiry": node.findtext(f"{more}ilmd/{NAMESPACE}itemExpirationDate"),
    }


def read_back(form: str, text: str) -> list[Told]:
    """The events of a document, by json or lxml."""
    if form == "json":
        return [from_json(node) for node in json.loads(text)["epcisBody"]["eventList"]]
    root = etree.fromstring(text.encode())
    return [from_xml(node, form) for node in root.find("EPCISBody/EventList")]
