"""The JSON Schemas of answers, as an OpenAPI document wants them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from typing import Any

ENDING = ".schema.json"
HERE = "#/components/schemas/"
"""Where an OpenAPI document keeps its schemas."""


def complete(document: dict[str, Any]) -> None:
    """Put all schemas into the document that it refers to, and those that these refer to.

    A file of `schemas/` gets its own name there, a definition within it `FILE.DEFINITION`.
    """
    there = document["components"]["schemas"]
    missing = list(_named(document))
    while missing := [name for name in dict.fromkeys(missing) if name not in there]:
        for name in missing:
            file, _, inner = name.partition(".")
            schema = _read(file)
            there[name] = _turned(schema["$defs"][inner] if inner else schema, file)
        missing = [name for one in missing for name in _named(there[one])]


@cache
def _read(name: str) -> Any:
    path = files("serialkeeper").joinpath("schemas").joinpath(name + ENDING)
    return json.loads(path.read_text(encoding="utf-8"))


def _named(schema: Any) -> Iterator[str]:
    """What a schema refers to."""
    if isinstance(schema, list):
        for one in schema:
            yield from _named(one)
    elif isinstance(schema, dict):
        for key, value in schema.items():
            if key == "$ref" and isinstance(value, str):
                yield value.removeprefix(HERE)
            else:
                yield from _named(value)


def _turned(schema: Any, file: str) -> Any:
    """The schema with its references turned into the document's own."""
    if isinstance(schema, list):
        return [_turned(one, file) for one in schema]
    if not isinstance(schema, dict):
        return schema
    turned = {}
    for key, value in schema.items():
        if key == "$ref" and isinstance(value, str):
            other, _, inner = value.partition("#/$defs/")
            name = other.removesuffix(ENDING) or file
            turned[key] = HERE + name + (f".{inner}" if inner else "")
        elif key not in ("$schema", "$id", "$defs"):
            turned[key] = _turned(value, file)
    return turned
