"""Find: what a code is, and what the record knows of it, for whoever has a label in the hand."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query

from serialkeeper import nouns
from serialkeeper.store.record import Record
from serialkeeper.web.answers import shows
from serialkeeper.web.asking import Opened

router = APIRouter()

MOST_CODES = 20
"""Codes of one text that are shown with their lives."""

Code = Annotated[str, Query(max_length=8192)]


@shows(router, "/find", "find.html", takes=("code",))
def find(record: Opened, code: Code = "") -> dict[str, Any]:
    """What is it? An empty field first; then what was scanned, part by part."""
    code = code.strip()
    found = nouns.scan(record, code) if code else None
    lives = [_life(record, one["known"]) for one in found["codes"][:MOST_CODES]] if found else []
    return {"code": code, "scan": found, "lives": lives}


def _life(record: Record, known: dict[str, Any]) -> dict[str, Any]:
    """The whole life of the label, or the tree of the pack, that a code names."""
    label, pack = known["label"], known["pack"]
    found: dict[str, Any] = {"label": None, "pack": None}
    if isinstance(label, dict):
        found["label"] = nouns.label.show(record, label["gtin"], serial=label["serial"])
    if isinstance(pack, dict):
        found["pack"] = nouns.pack.show(record, pack["key"])
    return found
