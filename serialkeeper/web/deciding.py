"""What is done on a lot's page by a form: each form is one step, in a person's name."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter

from serialkeeper import nouns
from serialkeeper.rules.counts import WITNESSED
from serialkeeper.steps import reconciliation
from serialkeeper.web import looking  # its pages are there before their forms
from serialkeeper.web.acting import Done, Sent, act
from serialkeeper.web.answers import heavy, private_folder, shows, unplaced
from serialkeeper.web.asking import InHand, Lot, Opened
from serialkeeper.web.gate import MOST_AT_ONCE

router = APIRouter(include_in_schema=False)

OF_LOT, OF_SUM = looking.LOT_PAGE, "balance.html"
OF_COUNTS = {"count_invalid": "value"}

MOST_NOTES = 5
"""Remarks on a file of numbers that are told after it was taken in."""


@act(router, "/lots/{gtin}/{lot}/approve", "lot approve", of=OF_LOT)
def approve(record: InHand, form: Sent, name: Lot) -> Done:
    """Approve a lot's facts, with a second person."""
    made = nouns.lot.approve(
        record, name, second=form.text("second"), entries=form.whole("entries", 0)
    )
    return Done("told.approved", {"lot": made["lot"]})


@act(router, "/lots/{gtin}/{lot}/discard", "lot discard", of=OF_LOT)
def discard(record: InHand, form: Sent, name: Lot) -> Done:
    """Discard a lot that was opened by mistake and has no numbers."""
    made = nouns.lot.discard(record, name, reason=form.text("reason"))
    return Done("told.discarded", {"lot": made["lot"]})


@act(
    router,
    "/lots/{gtin}/{lot}/allocate",
    "serials allocate",
    of=OF_LOT,
    beside={"guessing_odds": "count"},
)
def allocate(record: InHand, form: Sent, name: Lot) -> Done:
    """Allocate numbers."""
    made = nouns.serials.allocate(record, name, form.whole("count", most=MOST_AT_ONCE))
    return Done("told.allocated", {"lot": made["lot"], "count": made["count"]})


@act(
    router,
    "/lots/{gtin}/{lot}/import",
    "serials import",
    of=OF_LOT,
    beside={
        **dict.fromkeys(("file_missing", "import_rows", "import_header", "import_empty"), "file"),
        **{"import_encoding": "file", "import_claimed": "file", "numbers_expired": "usable_until"},
    },
)
def import_numbers(record: InHand, form: Sent, name: Lot) -> Done:
    """Take in a file of numbers that others gave; what is wrong with it is told row by row."""
    until = form.day("usable_until") if form.text("usable_until") else None
    record.check_may("numbers imported")
    with heavy(), private_folder() as folder:
        path = form.saved("file", folder)
        with unplaced(folder):
            issuer = form.text("issuer")
            made = nouns.serials.import_(record, name, path, issuer=issuer, usable_until=until)
    told = {"count": made["count"], "file": made["name"], "lot": made["lot"]}
    if made["already_taken"]:
        return Done("told.imported_before", told, kind="abnormal")
    if made["notes"]:
        notes = " ".join(made["notes"][:MOST_NOTES])
        return Done("told.imported_noted", {**told, "notes": notes}, kind="abnormal")
    return Done("told.imported", told)


@act(router, "/lots/{gtin}/{lot}/hold", "hold place", of=OF_LOT)
def hold(record: InHand, form: Sent, name: Lot) -> Done:
    """Hold the whole lot."""
    made = nouns.hold.place(record, name, reason=form.text("reason"), case=form.text("case"))
    return Done("told.held", {"hold": made["hold"]})


@act(router, "/lots/{gtin}/{lot}/print", "print write", of=OF_LOT)
def print_job(record: InHand, form: Sent, name: Lot) -> Done:
    """Issue labels to the printer; the file is had from the list of jobs, as often as it is
    needed."""
    first, last = form.whole("first", 0) or None, form.whole("last", 0) or None
    with private_folder() as folder:
        made = nouns.print.write(
            record,
            name,
            lanes=form.whole("lanes"),
            out=folder / "job.csv",
            first=first,
            last=last,
            by=form.text("by") or "rows",
        )
    return Done("told.printed", {"job": made["job"], "count": made["count"]})


@shows(router, "/lots/{gtin}/{lot}/balance", OF_SUM)
def balance(record: Opened, name: Lot) -> Any:
    """Labels that were counted beside numbers by state, as they stand now. Nothing is written."""
    return reconciliation.look(record, name)


@act(router, "/lots/{gtin}/{lot}/count", "lot count", of=OF_SUM, beside=OF_COUNTS)
def count(record: InHand, form: Sent, name: Lot) -> Done:
    """Enter what was counted."""
    term, value = form.needed("term"), form.whole("value", signed=True)
    made = nouns.lot.count(record, name, term, value, reason=form.text("reason"))
    return Done("told.counted", {"value": made["value"], "total": made["total"]})


@act(router, "/lots/{gtin}/{lot}/destroyed", "lot count", of=OF_SUM, beside=OF_COUNTS)
def destroyed(record: InHand, form: Sent, name: Lot) -> Done:
    """Enter how many labels were destroyed; the second person is the witness, and both sign."""
    value, (term,) = form.whole("value", signed=True), WITNESSED
    told = {"witness": form.text("second"), "reason": form.text("reason")}
    made = nouns.lot.count(record, name, term, value, **told)
    return Done("told.counted", {"value": made["value"], "total": made["total"]})


@act(router, "/lots/{gtin}/{lot}/reconcile", "lot reconcile", of=OF_SUM)
def reconcile(record: InHand, form: Sent, name: Lot) -> Done:
    """Compare both ledgers; a lot whose ledgers agree is reconciled."""
    del form
    made = nouns.lot.reconcile(record, name)
    if made["balanced"]:
        return Done("told.balanced")
    return Done("told.unbalanced", kind="abnormal")


@act(router, "/lots/{gtin}/{lot}/close", "lot close", of=OF_SUM)
def close(record: InHand, form: Sent, name: Lot) -> Done:
    """Close a lot; one whose ledgers do not agree, with an explanation and a second person."""
    made = nouns.lot.close(
        record,
        name,
        explanation=form.text("explanation"),
        investigation=form.text("investigation"),
        second=form.text("second"),
    )
    return Done("told.closed", {"lot": made["lot"], "head": made["head"]})
