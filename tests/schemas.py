"""Our own schemas, for tests that hold answers against them."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema_rs

FOLDER = Path(__file__).resolve().parents[1] / "schemas"


def _read(uri: str) -> Any:
    return json.loads((FOLDER / uri.rsplit("/", 1)[-1]).read_text())


@cache
def validator(name: str) -> Any:
    """The validator of a schema; formats are asserted, other files are found beside it."""
    schema = _read(f"{name}.schema.json")
    return jsonschema_rs.validator_for(schema, retriever=_read, validate_formats=True)


def valid(name: str, document: Any) -> Any:
    """The document, if it follows our schema of that name."""
    validator(name).validate(document)
    return document
