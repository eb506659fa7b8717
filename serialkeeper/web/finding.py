"""Find: what a code is, and what the record knows of it, for whoever has a label in the hand."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from serialkeeper import nouns
from serialkeeper.store.record import Record
from serialkeeper.web.asking import PAGE_PARAMETERS, InHand
from serialkeeper.web.pages import render

router = APIRouter(include_in_schema=False)

PAGE_PARAMETERS["/find"] = ("code",)

MOST_CODES = 20
"""Codes of one text that are shown with their lives."""

Code = Annotated[str, Query(max_length=8192)]


@router.get("/find")
def find(record: InHand, request: Request, code: Code = "") -> Response:
    """What is it? An empty field first; then what was scanned, part by part."""
    code = code.strip()
    it = nouns.scan(record, code) if code else None
    lives = [_life(record, one["known"]) for one in it["codes"][:MOST_CODES]] if it else []
    return render(request, "find.html", it=it, code=code, lives=lives)


def _life(record: Record, known: dict[str, Any]) -> dict[str, Any]:
    """The whole life of the label, or the tree of the pack, that a code names."""
    label, pack = known["label"], known["pack"]
    found: dict[str, Any] = {"label": None, "pack": None}
    if isinstance(label, dict):
        found["label"] = nouns.label.show(record, label["gtin"], serial=label["serial"])
    if isinstance(pack, dict):
        found["pack"] = nouns.pack.show(record, pack["key"])
    return found
