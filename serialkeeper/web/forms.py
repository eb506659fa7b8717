"""The JSON Schemas of answers, as an OpenAPI document wants them."""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib.resources import files
from typing import Any

ENDING = ".schema.json"
_HERE = "#/components/schemas/"


def components() -> dict[str, Any]:
    """All schemas of `schemas/` by name, and their definitions as `NAME.DEFINITION`."""
    found: dict[str, Any] = {}
    for file in sorted(
        files("serialkeeper").joinpath("schemas").iterdir(), key=lambda one: one.name
    ):
        if not file.name.endswith(ENDING):
            continue
        name = file.name.removesuffix(ENDING)
        schema = json.loads(file.read_text(encoding="utf-8"))
        schema.pop("$schema", None)
        schema.pop("$id", None)
        defined = schema.pop("$defs", {})
        for inner, one in defined.items():
            found[f"{name}.{inner}"] = _pointing(one, name)
        if schema:
            found[name] = _pointing(schema, name)
    return found


def _pointing(schema: Any, name: str) -> Any:
    """The schema with its references turned into the document's own."""

    def turned(target: str) -> str:
        file, _, inner = target.partition("#/$defs/")
        return f"{_HERE}{file.removesuffix(ENDING) or name}" + (f".{inner}" if inner else "")

    return _walk(schema, turned)


def _walk(schema: Any, turned: Callable[[str], str]) -> Any:
    if isinstance(schema, list):
        return [_walk(one, turned) for one in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        key: turned(value) if key == "$ref" and isinstance(value, str) else _walk(value, turned)
        for key, value in schema.items()
    }
