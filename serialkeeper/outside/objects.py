"""JSON Lines of a device: one object a line, every key once."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import orjson

from serialkeeper.errors import Refused
from serialkeeper.rules.fields import REHEARSAL
from serialkeeper.rules.profiles import Profile

_MISSING = object()


def read_objects(
    path: Path, first: int, block: bytes, profile: Profile
) -> tuple[dict[str, list[list[str]]], bool]:
    """The mapped values of a block of lines, as text, by field and place.

    Args:
        path, first: the file, and the number of the block's first line.
        block: whole lines.
        profile: where each field stands.

    Returns:
        For each field a list of values per place; whether a line says it is rehearsed.

    Refuses `results_row`.
    """
    texts = block.split(b"\n")[:-1]
    try:
        rows = [orjson.loads(text) for text in texts]
    except orjson.JSONDecodeError:
        rows = [_load(path, first + number, text) for number, text in enumerate(texts)]
    spaced = b" :" in block or b"\t:" in block
    for number, (text, row) in enumerate(zip(texts, rows, strict=True)):
        if type(row) is not dict:
            raise _refuse(path, first + number, "The line is no object.", text)
        # Each key is followed by '":'; as many of them as keys that are left: none was double.
        if spaced or text.count(b'":') != len(row):
            _check_keys(path, first + number, text)
    columns = {
        field: [_column(path, first, rows, str(place), field, profile) for place in places]
        for field, places in profile.fields.items()
    }
    return columns, any(REHEARSAL in row for row in rows)


def _load(path: Path, line: int, text: bytes) -> Any:
    try:
        return orjson.loads(text)
    except orjson.JSONDecodeError as error:
        raise _refuse(path, line, f"The line is no JSON: {error}.", text) from None


def _check_keys(path: Path, line: int, text: bytes) -> None:
    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            names = [name for name, _ in pairs]
            double = next(name for name in names if names.count(name) > 1)
            raise _refuse(path, line, f"The key {double!r:.60} is there twice.", text)
        return found

    try:
        json.loads(text, object_pairs_hook=unique)
    except (ValueError, RecursionError) as error:
        raise _refuse(path, line, f"The line is no JSON: {error}.", text) from None


def _column(
    path: Path, first: int, rows: list[Any], place: str, field: str, profile: Profile
) -> list[str]:
    """One value of every line as text; an absent one is empty where the profile allows it."""
    *way, last = place.split(".")
    for step in way:
        rows = [row.get(step, _MISSING) if type(row) is dict else _MISSING for row in rows]
    found = [row.get(last, _MISSING) if type(row) is dict else _MISSING for row in rows]
    optional = field in profile.optional
    made: list[str] = []
    for number, value in enumerate(found):
        kind = type(value)
        if isinstance(value, str):
            made.append(value)
        elif value is None or (value is _MISSING and optional):
            made.append("")
        elif kind is bool:
            made.append("true" if value else "false")
        elif kind is int or kind is float:
            made.append(repr(value))
        else:
            missing = value is _MISSING
            raise Refused(
                "results_row",
                f"The line has no '{place}'." if missing else f"'{place}' is no single value.",
                where=f"{path}, line {first + number}",
                expected=f"a text, number, true, false or null for '{field}'",
                came="nothing" if missing else repr(value)[:120],
                remedy="Fetch the file again; if the device leaves the field out at times, name "
                f"'{field}' under 'optional' in a new profile.",
            )
    return made


def _refuse(path: Path, line: int, message: str, text: bytes) -> Refused:
    return Refused(
        "results_row",
        message,
        where=f"{path}, line {line}",
        expected="one JSON object a line, every key once",
        came=text[:120].decode(errors="replace") or "an empty line",
        remedy="Fetch the file again; it was cut or changed.",
    )
