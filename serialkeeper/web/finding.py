"""Find: what a code is, and what the record knows of it, for whoever has a label in the hand."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query

from serialkeeper import nouns
from serialkeeper.errors import Refused
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
    lives = [_life(record, one) for one in found["codes"][:MOST_CODES]] if found else []
    return {"code": code, "scan": found, "lives": lives}


def _life(record: Record, code: dict[str, Any]) -> dict[str, Any]:
    """The whole life of the label, or the tree of the pack, that a code names."""
    label = code["known"]["label"]
    if label:
        shown = nouns.label.show(record, label["gtin"], serial=label["serial"])
        return {"label": shown, "pack": None}
    try:
        return {"label": None, "pack": nouns.pack.show(record, code["scanned"])}
    except Refused:  # no pack either; what the scan tells says so
        return {"label": None, "pack": None}
