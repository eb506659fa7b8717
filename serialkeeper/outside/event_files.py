"""EPCIS documents as files: JSON-LD, and XML of EPCIS 2.0 and 1.2, event by event.

XML is brought to the names of EPCIS 2.0 JSON, so that one reader (`rules.event_reading`) does for
all. A receiver's answer to a query is read, too. No document type, no entity, no network.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import orjson
from lxml import etree

from serialkeeper.errors import Refused
from serialkeeper.outside.trees import CAREFUL
from serialkeeper.rules.event_reading import KINDS

MOST = 1 << 30
"""Bytes of a document that are read."""

_MDA = "urn:epcglobal:cbv:mda"
_WRAPPERS = ("extension", "baseExtension")
_START = 1 << 16


def open_document(path: Path) -> tuple[str, Iterator[dict[str, Any]], str]:
    """What form a document has, its events, and its SHA-256 in hex.

    Refuses `file_missing`, `events_unreadable`.
    """
    try:
        data = path.read_bytes() if path.stat().st_size <= MOST else b""
    except OSError as error:
        raise Refused(
            "file_missing",
            "The document cannot be read.",
            where=str(path),
            expected="a file of EPCIS events",
            came=error.strerror or str(error),
            remedy="Correct the name.",
        ) from None
    sha256 = hashlib.sha256(data).hexdigest()
    start = data[:_START].lstrip(b"\xef\xbb\xbf \t\r\n")
    if start.startswith(b"<"):
        if b"<!DOCTYPE" in start or b"<!ENTITY" in start:
            raise _unreadable(path, "a document without a document type", "one with a DOCTYPE")
        return "xml", _from_xml(path), sha256
    if start.startswith((b"{", b"[")):
        return "json", iter(_from_json(path, data)), sha256
    came = "an empty file" if not data else "other bytes"
    raise _unreadable(path, f"JSON or XML of at most {MOST:,} bytes", came)


def _from_json(path: Path, data: bytes) -> list[dict[str, Any]]:
    try:
        root: Any = orjson.loads(data)
    except orjson.JSONDecodeError as error:
        raise _unreadable(path, "JSON", str(error)) from None
    body: Any = root
    if isinstance(root, dict) and "epcisBody" in root:
        body = root["epcisBody"]
        for name in ("queryResults", "resultsBody"):
            body = body.get(name, body) if isinstance(body, dict) else body
        body = body.get("eventList") if isinstance(body, dict) else None
    elif isinstance(root, dict) and root.get("type") in KINDS:
        body = [root]
    if not isinstance(body, list) or not all(isinstance(one, dict) for one in body):
        raise _unreadable(path, "an EPCIS document, a query's answer, or an event", "other JSON")
    return body


def _from_xml(path: Path) -> Iterator[dict[str, Any]]:
    seen = 0
    try:
        for _, element in etree.iterparse(str(path), tag=KINDS, **_PARSER):
            seen += 1
            yield _node(element)
            element.clear()
    except etree.XMLSyntaxError as error:
        raise _unreadable(path, "well-formed XML", f"event {seen + 1}: {error.msg}") from None


_PARSER: dict[str, Any] = {**CAREFUL, "remove_blank_text": True}


def _node(element: Any) -> dict[str, Any]:
    node: dict[str, Any] = {"type": etree.QName(element).localname}
    for one in _unwrapped(element):
        name = etree.QName(one).localname if not one.tag.startswith("{") else one.tag
        if name in ("epcList", "childEPCs"):
            node[name] = [(epc.text or "").strip() for epc in one]
        elif name in ("readPoint", "bizLocation"):
            node[name] = {"id": (one.findtext("id") or "").strip()}
        elif name in ("bizTransactionList", "sourceList", "destinationList"):
            word = name.removesuffix("List")
            node[name] = [{"type": of.get("type", ""), word: (of.text or "").strip()} for of in one]
        elif name == "ilmd":
            node[name] = {_short(of): (of.text or "").strip() for of in one}
        elif name == "errorDeclaration":
            node[name] = _declaration(one)
        else:
            node[name] = (one.text or "").strip()
    return node


def _unwrapped(element: Any) -> Iterator[Any]:
    """The fields of an event, without what EPCIS 1.2 wraps the later ones into."""
    for one in element:
        if one.tag in _WRAPPERS:
            yield from _unwrapped(one)
        else:
            yield one


def _short(element: Any) -> str:
    name = etree.QName(element)
    return f"cbvmda:{name.localname}" if name.namespace == _MDA else str(element.tag)


def _declaration(element: Any) -> dict[str, Any]:
    told: dict[str, Any] = {
        name: (element.findtext(name) or "").strip() for name in ("declarationTime", "reason")
    }
    if ids := [(one.text or "").strip() for one in element.iterfind("correctiveEventIDs/*")]:
        told["correctiveEventIDs"] = ids
    return told


def _unreadable(path: Path, expected: str, came: str) -> Refused:
    return Refused(
        "events_unreadable",
        "The file is no EPCIS document that can be read.",
        where=str(path),
        expected=expected,
        came=came[:200],
        remedy="Give a document of EPCIS 2.0 (JSON-LD, XML) or 1.2 (XML).",
    )
