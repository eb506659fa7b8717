"""The first readings of an unknown results file, laid out by where each value stands."""

from __future__ import annotations

import codecs
from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import orjson
from lxml import etree

from serialkeeper.errors import Refused
from serialkeeper.outside import trees
from serialkeeper.outside.camera import empty
from serialkeeper.rules.profiles import Source
from serialkeeper.rules.proposal import LOOKED_AT, Sample, split

_LOOK = 1 << 20
"""Bytes that are looked at."""


def look(path: Path) -> Sample:
    """A sample of a file whose form is told by its first bytes.

    Refuses `results_empty`, and `profile_invalid` for what is no table, JSON Lines or XML.
    """
    with path.open("rb") as file:
        data = file.read(_LOOK)
        whole = not file.read(1)
    encoding, text = _decode(path, data)
    text = text.lstrip("\ufeff")
    if not text.strip():
        raise empty(path)
    start = text.lstrip()[0]
    if start == "<":
        return _tree(path, encoding, text)
    line_end = "crlf" if "\r\n" in text else "lf"
    lines = text.replace("\r\n", "\n").split("\n")
    lines = [line for line in lines[: -1 if not whole or not lines[-1] else None] if line]
    lines = lines[: LOOKED_AT + 1]
    if not lines:
        raise _unknown(path, "lines", text)
    if start == "{":
        return _objects(path, encoding, line_end, lines)
    sheet, rows = split(lines)
    names: list[Source] = [*rows.pop(0)] if sheet.header else [*range(1, len(rows[0]) + 1)]
    columns: dict[Source, list[str]] = {
        name: [row[index] if index < len(row) else "" for row in rows]
        for index, name in enumerate(names)
    }
    return Sample(str(path), "csv", encoding, line_end, columns, sheet=sheet)


def _decode(path: Path, data: bytes) -> tuple[str, str]:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        tries = [("utf-16", "utf-16")]
    elif data.startswith(codecs.BOM_UTF8):
        tries = [("utf-8-bom", "utf-8-sig")]
    else:
        tries = [("utf-8", "utf-8"), ("latin-1", "latin-1")]
    for name, codec in tries:
        try:
            text = codecs.getincrementaldecoder(codec)().decode(data)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return name, text
    raise _unknown(path, "text in UTF-8, UTF-16 or Latin-1", repr(data[:40]))


def _objects(path: Path, encoding: str, line_end: str, lines: list[str]) -> Sample:
    rows: list[dict[str, str]] = []
    for line in lines:
        try:
            found = orjson.loads(line)
        except (orjson.JSONDecodeError, UnicodeEncodeError):
            raise _unknown(path, "one JSON object a line", line) from None
        flat: dict[str, str] = {}
        _flatten("", found, flat)
        rows.append(flat)
    columns, gaps = _columns(rows)
    return Sample(str(path), "json-lines", encoding, line_end, columns, gaps=gaps)


def _flatten(before: str, value: Any, flat: dict[str, str]) -> None:
    if isinstance(value, dict):
        for key, inner in value.items():
            if key and "." not in key and before.count(".") < 8:
                _flatten(f"{before}.{key}".removeprefix("."), inner, flat)
    elif value is None:
        flat[before] = ""
    elif isinstance(value, bool):
        flat[before] = str(value).lower()
    elif isinstance(value, (str, int, float)):
        flat[before] = str(value)


def _tree(path: Path, encoding: str, text: str) -> Sample:
    parser = etree.XMLPullParser(events=("end",), encoding="utf-8", **trees.CAREFUL)
    data = text.encode()
    trees.check_plain(path, data)
    ways: dict[Any, str] = {}
    element: Any
    try:
        parser.feed(data)
        for _, element in parser.read_events():
            above = [trees.local(parent) for parent in element.iterancestors()][::-1]
            ways[element] = "/".join([*above, trees.local(element)])
    except etree.XMLSyntaxError as error:
        raise _unknown(path, f"well-formed XML ({error.msg})", text) from None
    counts = Counter(ways.values())
    often = [way for way, count in counts.items() if count > 1 and 1 <= way.count("/") <= 8]
    rare = [way for way in counts if way.count("/") >= 1]
    if not often and not rare:
        raise _unknown(path, "an element for each reading", text)
    record = min(often or rare, key=lambda way: (way.count("/"), -counts[way]))
    rows = [
        {place: value for place, value in trees.values(element).items() if value is not None}
        for element, way in ways.items()
        if way == record
    ][:LOOKED_AT]
    columns, gaps = _columns(rows)
    return Sample(str(path), "xml", encoding, "lf", columns, record=record, gaps=gaps)


def _columns(
    rows: Iterable[Mapping[str, str]],
) -> tuple[dict[Source, list[str]], frozenset[Source]]:
    rows = list(rows)
    names = dict.fromkeys(name for row in rows for name in row)
    gaps = frozenset(name for name in names if any(name not in row for row in rows))
    return {name: [row.get(name, "") for row in rows] for name in names}, gaps


def _unknown(path: Path, expected: str, came: str) -> Refused:
    return Refused(
        "profile_invalid",
        "The form of the sample is not recognised.",
        where=str(path),
        expected=expected,
        came=came[:80],
        remedy="Write the profile by hand: `serialkeeper guide files` lists its keys.",
    )
