"""Routes that work: the steps that a script does. What is signed, decided or counted is a person's
and has no route here; neither has what lies in files of the machine (backups, keys, sessions)."""

from __future__ import annotations

from datetime import date
from functools import partial
from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from serialkeeper import nouns
from serialkeeper.rules.gs1 import DEFAULT_ORDER
from serialkeeper.rules.logistic import BARS
from serialkeeper.web.answers import file_answer, heavy, private_folder, route, unplaced
from serialkeeper.web.asking import HIGHEST, Lot, Name, Opened, Sent, Short
from serialkeeper.web.gate import MOST_AT_ONCE

router = APIRouter()

work = partial(route, router, "POST")
"""Declares a route that writes into the record."""

Text = Annotated[str, Field(max_length=400)]
Key = Annotated[str, Field(min_length=1, max_length=400)]
Whole = Annotated[int, Field(strict=True, ge=0, le=HIGHEST)]
Many = Annotated[int, Field(strict=True, ge=1, le=MOST_AT_ONCE)]

Called = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._+ -]{0,119}$")]

_EVENTS = {"json": "application/ld+json", "xml": "application/xml", "xml-1.2": "application/xml"}
_REPORTS = {"pdf": "application/pdf", "html": "text/html"}
_LABELS = {"svg": "image/svg+xml", "pdf": "application/pdf"}


class Asked(BaseModel):
    """What a route is asked for; a word that it does not know is refused."""

    model_config = ConfigDict(extra="forbid")


class NewProduct(Asked):
    """A trade item."""

    gtin: Key
    prefix_length: Whole
    name: Text
    order: list[Text] = Field(list(DEFAULT_ORDER), max_length=20)
    serial_length: Whole = 12
    minimum_grade: Text = "1.5"


class NewLocation(Asked):
    """A site, or a part of one."""

    gln: Key
    prefix_length: Whole
    name: Text
    zone: Text
    extension: Text = ""
    part_of: Text = ""


class NewLot(Asked):
    """A lot's facts; a second person approves them."""

    gtin: Key
    lot: Key
    expiry: date
    target: Whole
    commission_at: Text = "web"
    market: Text = ""
    artwork: Text = ""
    group_limit: Whole = 10_000
    location: Text = ""
    order: Text = ""


class Amount(Asked):
    """How many numbers."""

    count: Many


class NewJob(Asked):
    """A print file: its lanes and the positions in it."""

    lanes: Whole
    first: Whole | None = None
    last: Whole | None = None
    by: Text = "rows"
    name: Called = "job.csv"


class Wanted(Asked):
    """A document of events."""

    form: Literal["json", "xml", "xml-1.2"] = "json"
    links: bool = False
    sender: Text = ""
    receiver: Text = ""
    name: Called = "events"


class Report(Asked):
    """A lot report."""

    form: Literal["pdf", "html"] = "pdf"
    paper: Literal["A4", "Letter"] = "A4"


class NewPack(Asked):
    """One pack and what goes in; or, with `in_order`, packs in the order of the plan."""

    level: Key
    children: list[Key] = Field([], max_length=20_000)
    positions: Text = ""
    into: Text = ""
    in_order: bool = False
    count: Many | None = None
    reason: Text = ""


class NewKeys(Asked):
    """Keys for packs that are still empty."""

    level: Key
    count: Many


class NewLabel(Asked):
    """A label for a pack."""

    form: Literal["svg", "pdf"] = "pdf"
    carrier: Text = BARS
    reason: Text = ""


class Shipment(Asked):
    """Packs that leave."""

    packs: list[Key] = Field(max_length=10_000)
    to: Key
    transaction: Text = ""


@work("/products", "product add")
def add_product(record: Opened, asked: NewProduct) -> Any:
    """Add a product."""
    return nouns.product.add(
        record,
        asked.gtin,
        prefix_length=asked.prefix_length,
        name=asked.name,
        order=tuple(asked.order),
        serial_length=asked.serial_length,
        minimum_grade=asked.minimum_grade,
    )


@work("/locations", "location add")
def add_location(record: Opened, asked: NewLocation) -> Any:
    """Add a location."""
    return nouns.location.add(
        record,
        asked.gln,
        prefix_length=asked.prefix_length,
        name=asked.name,
        zone=asked.zone,
        extension=asked.extension,
        part_of=asked.part_of,
    )


@work("/lots", "lot open")
def open_lot(record: Opened, asked: NewLot) -> Any:
    """Open a lot as a draft."""
    return nouns.lot.open(
        record,
        asked.gtin,
        asked.lot,
        expiry=asked.expiry,
        target=asked.target,
        commission_at=asked.commission_at,
        market=asked.market,
        artwork=asked.artwork,
        group_limit=asked.group_limit,
        location=asked.location,
        order=asked.order,
    )


@work("/lots/{gtin}/{lot}/numbers", "serials allocate")
def allocate(record: Opened, name: Lot, asked: Amount) -> Any:
    """Allocate numbers. Asked for again, it allocates more: after a lost answer, look first."""
    return nouns.serials.allocate(record, name, asked.count)


@work("/lots/{gtin}/{lot}/numbers/import", "serials import", file=True)
def import_numbers(
    record: Opened, name: Lot, file: Sent, issuer: Short = "", usable_until: date | None = None
) -> Any:
    """Take in a file of numbers that others gave; the body is the file."""
    with heavy(), unplaced(file.parent):
        return nouns.serials.import_(record, name, file, issuer=issuer, usable_until=usable_until)


@work("/lots/{gtin}/{lot}/jobs", "print write", gives={"text/csv": {}})
def print_job_of(record: Opened, name: Lot, asked: NewJob) -> Response:
    """Issue labels to the printer. The answer is the print file; Content-Location names the job,
    whose file can be had again."""
    with private_folder() as folder:
        out = folder / asked.name
        made = nouns.print.write(
            record,
            name,
            lanes=asked.lanes,
            out=out,
            first=asked.first,
            last=asked.last,
            by=asked.by,
        )
        gtin, lot = name.split("/", 1)
        there = f"/lots/{gtin}/{quote(lot, safe='')}/jobs/{made['job']}"
        return file_answer(out, "text/csv", content_location=there)


@work("/lots/{gtin}/{lot}/takes", "inspect take", file=True)
def take(
    record: Opened,
    name: Lot,
    file: Sent,
    profile: Short = "",
    roll: Annotated[int, Query(ge=0, le=HIGHEST)] = 0,
) -> Any:
    """Take in a results file; the body is the file. `roll`: that roll, read once more. The same
    file sent again changes nothing."""
    with unplaced(file.parent):
        return nouns.inspect.take(record, name, file, profile=profile, again_roll=roll)


@work(
    "/lots/{gtin}/{lot}/events",
    "events write",
    gives={media_type: {} for media_type in _EVENTS.values()},
)
def write_events(record: Opened, name: Lot, asked: Wanted) -> Response:
    """Write the lot's events. The answer is the document; that it was handed out is journalled."""
    with private_folder() as folder:
        out = folder / asked.name
        more = asked.model_dump(include={"form", "links", "sender", "receiver"})
        nouns.events.write(record, name, out=out, **more)
        return file_answer(out, _EVENTS[asked.form])


@work("/lots/{gtin}/{lot}/events/check", "events check")
def check_events(record: Opened, name: Lot) -> Any:
    """Compare what was printed, accepted, recorded and exported of the lot. Where they differ,
    `agrees` is false; that it was done is journalled."""
    return nouns.events.check(record, name)


@work("/events/comparison", "events read", file=True)
def compare_events(record: Opened, file: Sent, lot: Short = "") -> Any:
    """Compare a document of events with the record; the body is the document. `lot`: whose events
    they have to be. Nothing is written."""
    with unplaced(file.parent):
        return {**nouns.events.read(record, file, name=lot), "file": file.name}


@work("/lots/{gtin}/{lot}/report", "lot report", gives={one: {} for one in _REPORTS.values()})
def report_lot(record: Opened, name: Lot, asked: Report) -> Response:
    """Write the lot report, without a checkpoint. The answer is the file; that it was made is
    journalled."""
    with private_folder() as folder:
        out = folder / f"report.{asked.form}"
        nouns.lot.report(record, name, out=out, paper=asked.paper)
        return file_answer(out, _REPORTS[asked.form])


@work("/lots/{gtin}/{lot}/packs", "pack build")
def build_pack(record: Opened, name: Lot, asked: NewPack) -> Any:
    """Fill one pack, or packs in the order of the plan."""
    return nouns.pack.build(
        record,
        name,
        asked.level,
        asked.children,
        positions=asked.positions,
        into=asked.into,
        in_order=asked.in_order,
        count=asked.count,
        reason=asked.reason,
    )


@work("/lots/{gtin}/{lot}/packs/keys", "pack number")
def number_packs(record: Opened, name: Lot, asked: NewKeys) -> Any:
    """Give keys to packs that are still empty."""
    return nouns.pack.number(record, name, asked.level, asked.count)


@work("/packs/{key}/labels", "pack label", gives={one: {} for one in _LABELS.values()})
def label_pack(record: Opened, key: Name, asked: NewLabel) -> Response:
    """Make a pack's label, and count it. The answer is the label."""
    with private_folder() as folder:
        out = folder / f"label.{asked.form}"
        nouns.pack.label(record, key, out=out, carrier=asked.carrier, reason=asked.reason)
        return file_answer(out, _LABELS[asked.form])


@work("/shipments", "pack ship")
def ship(record: Opened, asked: Shipment) -> Any:
    """Say that packs left for a place."""
    return nouns.pack.ship(record, asked.packs, to=asked.to, transaction=asked.transaction)


@work("/scan", "scan", file=True)
def scan_image(record: Opened, file: Sent) -> Any:
    """What the symbols on an image are; the body is the image. Nothing is written."""
    with unplaced(file.parent):
        return nouns.scan(record, file)
