"""Routes that look: everything that the commands list and show."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from functools import partial
from threading import Lock
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query, Request
from pydantic import BeforeValidator
from starlette.responses import Response

from serialkeeper import nouns
from serialkeeper.errors import Unavailable
from serialkeeper.rules.history import LAST
from serialkeeper.web.answers import file_answer, heavy, private_folder, route, rows
from serialkeeper.web.asking import HIGHEST, Counted, Gtin, Lot, Name, Number, Opened, Short
from serialkeeper.web.pages import wants_page

router = APIRouter()

_verifying = Lock()

HOLDS_PAGE = "holds.html"
LOT_PAGE, PRODUCTS_PAGE, PRODUCT_PAGE = "lot.html", "products.html", "product.html"
"""The page of one lot, on which its forms stand."""

PEOPLE_PAGES = ("people.html", "people_rules.html", "people_alarms.html", "tokens.html")
SETS_PAGE, SET_PAGE = "challenges.html", "challenge.html"
PLACE_PAGES = ("stations.html", "locations.html")
PACK_PAGES = ("packs.html", "pack.html")
ROLL_PAGES = ("rolls.html", "roll.html", "pulls.html")

_TABLES = {
    "csv": "text/csv",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}

Millimetres = Annotated[float, Query(ge=0, le=10_000)]
At = Annotated[int, Query(ge=0, le=HIGHEST)]

GROUPS_SHOWN = 50
"""Groups of the review list on one page."""

Emptied = BeforeValidator(lambda value: value or None)
"""A field of a form that was left empty stands in the URL all the same."""


async def _most(request: Request, most: Counted = None) -> int | None:
    return GROUPS_SHOWN if wants_page(request) else most


Most = Annotated[int | None, Depends(_most)]
"""How many groups: what a program asks for, all of them without; of a page as many as it shows."""


look = partial(route, router, "GET")
"""Declares a route that changes nothing."""


# -- the house -----------------------------------------------------------------------------------


@look("/people", "person list", page=PEOPLE_PAGES[0])
def people(record: Opened) -> Any:
    """Who works on the record, and in which role."""
    return nouns.person.list(record)


@look("/people/alarms", "person alarms", page=PEOPLE_PAGES[2])
def sign_in_alarms(record: Opened) -> Any:
    """Alarms about wrong passwords and tokens."""
    return nouns.person.alarms(record)


@look("/people/rules", "person rules", page=PEOPLE_PAGES[1])
def password_rules(record: Opened) -> Any:
    """The rules for passwords and sessions."""
    return nouns.person.rules(record)


@look("/tokens", "person tokens", page=PEOPLE_PAGES[3])
def tokens(record: Opened) -> Any:
    """Which tokens were made, for what, and until when they are in force; never their texts."""
    return nouns.person.tokens(record)


@look("/stations", "station list", page=PLACE_PAGES[0])
def stations(record: Opened) -> Any:
    """Where people work on the record."""
    return nouns.station.list(record)


@look("/locations", "location list", page=PLACE_PAGES[1])
def locations(record: Opened) -> Any:
    """Sites and parts of them."""
    return nouns.location.list(record)


@look("/locations/{location}", "location show")
def location(record: Opened, location: Name) -> Any:
    """One location, by GLN or GLN/EXTENSION with the slash as %2F."""
    return nouns.location.show(record, location)


@look("/products", "product list", page=PRODUCTS_PAGE)
def products(record: Opened) -> Any:
    """All trade items."""
    return nouns.product.list(record)


@look("/products/{gtin}", "product show", page=PRODUCT_PAGE)
def product(record: Opened, gtin: Gtin) -> Any:
    """One trade item, its label layout, and its packs."""
    return nouns.product.show(record, gtin)


@look("/entries", "record entries")
def house_entries(record: Opened) -> Response:
    """The journal of the house: people, products, settings."""
    return rows(nouns.record.entries(record))


@look("/record/verification", "record verify")
def verification(record: Opened) -> Any:
    """Check chains, parts, originals and tables; this can take minutes. One at a time."""
    with one_check():
        return nouns.record.verify(record)


@contextmanager
def one_check() -> Iterator[None]:
    """Within it, nobody else checks the record. Refuses `record_busy`."""
    if not _verifying.acquire(blocking=False):
        raise Unavailable(
            "record_busy",
            "The record is being checked already.",
            remedy="Ask again when that check is done.",
        )
    try:
        yield
    finally:
        _verifying.release()


@look("/holds", "hold list")
def all_holds(record: Opened, lifted: bool = False) -> Any:
    """What is held, over all lots."""
    return nouns.hold.list(record, lifted=lifted)


@look("/scan", "scan")
def scan(
    record: Opened,
    code: Annotated[
        str,
        Query(
            max_length=8192,
            description="A text as it was scanned or typed; a separator (29) as %1D or {GS}.",
        ),
    ],
) -> Any:
    """What a code is, whether it is well formed, what the record knows of it."""
    return nouns.scan(record, code)


# -- lots ----------------------------------------------------------------------------------------


@look("/lots", "lot list", page="lots.html")
def lots(record: Opened) -> Any:
    """All lots and their states."""
    return nouns.lot.list(record)


_Gtin = Annotated[str, Query(pattern="^([0-9]{14})?$")]
_By = Literal["product", "station", "lane", "reason"]
_Last = Annotated[Annotated[int, Query(ge=1, le=1_000)] | None, Emptied]


@look("/history", "lot history", page="history.html")
def history(record: Opened, gtin: _Gtin = "", by: _By = "product", last: _Last = None) -> Any:
    """Reject rates of closed lots over time, with control limits; `gtin`: of one product."""
    return nouns.lot.history(record, gtin, by=by, last=last or LAST)


@look("/history/chart", "lot history", gives={"image/svg+xml": {}})
def chart(record: Opened, gtin: _Gtin = "", by: _By = "product", last: _Last = None) -> Response:
    """The same drawn, each series with its limits."""
    with heavy(), private_folder() as folder:
        out = folder / "chart.svg"
        nouns.lot.history(record, gtin, by=by, last=last or LAST, out=out)
        return file_answer(out, "image/svg+xml")


@look("/lots/{gtin}/{lot}", "lot show", page=LOT_PAGE)
def lot(record: Opened, name: Lot) -> Any:
    """One lot: its facts, jobs, takes, counts, runs, signatures."""
    return nouns.lot.show(record, name)


@look("/lots/{gtin}/{lot}/smallest-hold", "lot reconcile")
def smallest_hold(record: Opened, name: Lot, pitch: Millimetres = 0) -> Any:
    """Where every number that is not accounted for could be."""
    return nouns.lot.reconcile(record, name, hold=True, pitch=pitch)


@look("/lots/{gtin}/{lot}/odds", "serials odds")
def odds(record: Opened, name: Lot, count: Counted = None) -> Any:
    """How easily a number of the lot could be guessed."""
    return nouns.serials.odds(record, name, count)


@look("/lots/{gtin}/{lot}/fit", "print fit")
def fit(record: Opened, name: Lot, x: Annotated[float, Query(ge=0, le=5)] = 0) -> Any:
    """Whether the lot's symbol fits its space."""
    return nouns.print.fit(record, name, x=x)


@look("/lots/{gtin}/{lot}/labels", "label list")
def labels(record: Opened, name: Lot, state: Short = "") -> Response:
    """The lot's labels in position order; `state`: a state's word, or `doubtful`."""
    return rows(nouns.label.list(record, name, state=state))


@look("/lots/{gtin}/{lot}/labels/{position}", "label show")
def label(record: Opened, name: Lot, position: Number) -> Any:
    """One label and its whole life, by its position."""
    return nouns.label.show(record, name, position=position)


@look("/labels", "label show")
def label_by_code(
    record: Opened,
    code: Annotated[
        str, Query(max_length=8192, description="A label's code as scanned, or a GTIN.")
    ],
    serial: Short = "",
) -> Any:
    """One label and its whole life, by its code, or by its GTIN and number."""
    return nouns.label.show(record, code, serial=serial)


@look("/lots/{gtin}/{lot}/entries", "record entries")
def lot_entries(record: Opened, name: Lot, label: Counted = None) -> Response:
    """The lot's journal; `label`: only what moved the label at that position."""
    return rows(nouns.record.entries(record, name, label=label))


@look("/lots/{gtin}/{lot}/alarms", "alarm list")
def alarms(record: Opened, name: Lot) -> Any:
    """Reasons to stop and look, and what people said of them."""
    return nouns.alarm.list(record, name)


@look("/lots/{gtin}/{lot}/runs", "run list")
def runs(record: Opened, name: Lot) -> Any:
    """Stretches of work on the lot."""
    return nouns.run.list(record, name)


@look("/lots/{gtin}/{lot}/runs/{number}", "run show")
def run(record: Opened, name: Lot, number: Number) -> Any:
    """One run, from its clearance to its end."""
    return nouns.run.show(record, name, number)


@look("/lots/{gtin}/{lot}/challenges", "challenge list", page=SETS_PAGE)
def challenges(record: Opened, name: Lot) -> Any:
    """How the reader was proven."""
    return nouns.challenge.list(record, name)


@look("/lots/{gtin}/{lot}/challenges/{number}", "challenge show", page=SET_PAGE)
def challenge(record: Opened, name: Lot, number: Number) -> Any:
    """One challenge set and its runs."""
    return nouns.challenge.show(record, name, number)


@look("/lots/{gtin}/{lot}/review", "review list", page="review.html")
def review(
    record: Opened,
    name: Lot,
    most: Most,
    kind: Short = "",
    reason: Short = "",
    person: Short = "",
    day: Annotated[date | None, Emptied] = None,
    lane: Annotated[Counted, Emptied] = None,
    after: At = 0,
) -> Any:
    """What a second pair of eyes has to see before the lot closes."""
    return nouns.review.list(
        record,
        name,
        kind=kind,
        reason=reason,
        person=person,
        day=day,
        lane=lane,
        after=after,
        most=most,
    )


@look("/lots/{gtin}/{lot}/review/{group}", "review show")
def review_group(record: Opened, name: Lot, group: Name) -> Any:
    """One group of the review list."""
    return nouns.review.show(record, name, group)


@look("/lots/{gtin}/{lot}/holds", "hold list", page=HOLDS_PAGE)
def holds(record: Opened, name: Lot, lifted: bool = False) -> Any:
    """What of the lot is held."""
    return nouns.hold.list(record, name, lifted=lifted)


# -- rolls and packs -----------------------------------------------------------------------------


@look("/lots/{gtin}/{lot}/rolls", "roll list", page=ROLL_PAGES[0])
def rolls(record: Opened, name: Lot) -> Any:
    """Parent and finished rolls."""
    return nouns.roll.list(record, name)


@look("/lots/{gtin}/{lot}/rolls/{number}", "roll show", page=ROLL_PAGES[1])
def roll(record: Opened, name: Lot, number: Number) -> Any:
    """One roll, and what it lacks for its release."""
    return nouns.roll.show(record, name, number)


@look("/lots/{gtin}/{lot}/pulls", "roll pulls", page=ROLL_PAGES[2])
def pulls(
    record: Opened,
    name: Lot,
    job: At = 0,
    rows: Short = "",
    lane: At = 0,
    roll: At = 0,
    pitch: Millimetres = 0,
    from_end: bool = False,
) -> Any:
    """What has to come off a roll or a stretch of web, and between which neighbours it lies."""
    with heavy():
        return nouns.roll.pulls(
            record, name, job=job, rows=rows, lane=lane, roll=roll, pitch=pitch, from_end=from_end
        )


@look("/lots/{gtin}/{lot}/drawing", "roll draw", gives={"image/svg+xml": {}})
def drawing(
    record: Opened,
    name: Lot,
    job: At = 0,
    rows: Short = "",
    lane: At = 0,
    roll: At = 0,
    pitch: Millimetres = 0,
) -> Response:
    """A roll or a stretch of web to scale, on one sheet."""
    with heavy(), private_folder() as folder:
        out = folder / "drawing.svg"
        nouns.roll.draw(
            record,
            name,
            out=out,
            job=job,
            rows=rows,
            lane=lane,
            roll=roll,
            pitch=pitch,
            sheets=1,
        )
        return file_answer(out, "image/svg+xml")


@look("/lots/{gtin}/{lot}/packs", "pack list", page=PACK_PAGES[0])
def packs(record: Opened, name: Lot, level: Short = "", state: Short = "") -> Any:
    """The lot's bundles, cases and pallets."""
    return nouns.pack.list(record, name, level=level, state=state)


@look("/packs/{key}", "pack show", page=PACK_PAGES[1])
def pack(record: Opened, key: Name) -> Any:
    """One pack, what it is in, and all that is in it; by its key or a scan of its label."""
    return nouns.pack.show(record, key)


@look("/lots/{gtin}/{lot}/tables/{what}", "lot table", gives={one: {} for one in _TABLES.values()})
def table(
    record: Opened,
    name: Lot,
    what: Literal["labels", "moves", "packs", "review"],
    form: Literal["csv", "xlsx"] = "csv",
) -> Response:
    """A table of the lot for a spreadsheet or another program."""
    with heavy(), private_folder() as folder:
        out = folder / f"{what}.{form}"
        nouns.lot.table(record, name, what, out=out)
        return file_answer(out, _TABLES[form])


@look("/lots/{gtin}/{lot}/jobs/{number}", "print again", gives={"text/csv": {}})
def print_job(record: Opened, name: Lot, number: Number) -> Response:
    """The print file of an earlier job once more: the same bytes."""
    with private_folder() as folder:
        out = folder / "job.csv"
        nouns.print.again(record, name, number, out=out)
        return file_answer(out, "text/csv")
