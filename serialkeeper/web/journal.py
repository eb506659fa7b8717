"""The journal of the house and of each lot, newest first, with what every entry changed."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Query

from serialkeeper.rules.replay import HOUSE_VERBS, VERBS
from serialkeeper.steps import journals
from serialkeeper.web.answers import shows
from serialkeeper.web.asking import HIGHEST, Counted, Lot, Number, Opened, Short
from serialkeeper.web.looking import Emptied

router = APIRouter(include_in_schema=False)

SHOWN = 50
"""Entries of one page."""

JOURNAL, ENTRY = "journal.html", "entry.html"

Before = Annotated[int, Query(ge=0, le=HIGHEST)]
Day = Annotated[date | None, Emptied]


@shows(router, "/journal", JOURNAL, takes=("before", "verb", "person", "day"))
def house(
    record: Opened, before: Before = 0, verb: Short = "", person: Short = "", day: Day = None
) -> dict[str, Any]:
    """The house's entries: people, products, settings."""
    told = journals.browse(record, before=before, most=SHOWN, verb=verb, person=person, day=day)
    return {**told, "verbs": sorted(HOUSE_VERBS)}


@shows(
    router,
    "/lots/{gtin}/{lot}/journal",
    JOURNAL,
    takes=("before", "verb", "person", "day", "label"),
)
def of_lot(
    record: Opened,
    name: Lot,
    before: Before = 0,
    verb: Short = "",
    person: Short = "",
    day: Day = None,
    label: Annotated[Counted, Emptied] = None,
) -> dict[str, Any]:
    """A lot's entries."""
    told = journals.browse(
        record,
        name,
        before=before,
        most=SHOWN,
        verb=verb,
        person=person,
        day=day,
        label=label,
    )
    return {**told, "verbs": sorted(set(VERBS) - HOUSE_VERBS)}


@shows(router, "/journal/{entry}", ENTRY)
def house_entry(record: Opened, entry: Number) -> dict[str, Any]:
    """One entry of the house."""
    return journals.tell(record, "", entry)


@shows(router, "/lots/{gtin}/{lot}/journal/{entry}", ENTRY)
def lot_entry(record: Opened, name: Lot, entry: Number) -> dict[str, Any]:
    """One entry of a lot, with what its parts changed."""
    return journals.tell(record, name, entry)
