"""Hand-off: where events go, what waits and why, what failed, and what a person does about it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any
from urllib.parse import urlsplit

from fastapi import APIRouter
from fastapi import Path as InPath
from starlette.responses import Response

from serialkeeper import nouns
from serialkeeper.outside import secrets
from serialkeeper.rules import destinations
from serialkeeper.rules.destinations import BEHAVIOURS, MOST_BYTES, MOST_EVENTS, Reach
from serialkeeper.rules.documents import STUCK
from serialkeeper.rules.event_forms import FORMS
from serialkeeper.steps import senders
from serialkeeper.store.record import Record
from serialkeeper.web.acting import Done, Form, Sent, act
from serialkeeper.web.answers import file_answer, private_folder, shows
from serialkeeper.web.asking import InHand, Lot, Number, Opened, Short
from serialkeeper.web.sender import AtWork

router = APIRouter(include_in_schema=False)

PAGE, OF_LOT = "hand_off.html", "hand_off_lot.html"

UP_TO_DATE = "up_to_date"
"""The state of a lot of which everything is there."""

MOST_DONE = 20
"""Lots of a destination that are shown although nothing waits there; the newest."""

Called = Annotated[str, InPath(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,39}$")]
"""A destination's name."""

MEDIA_TYPES = {"jsonld": "application/ld+json", "xml": "application/xml", "csv": "text/csv"}
"""Of documents and lists, by the ends of their names."""

ALWAYS = {"forms": list(FORMS), "behaviours": list(BEHAVIOURS), "most_events": MOST_EVENTS}
ALWAYS |= {"most_bytes": MOST_BYTES}


@shows(router, "/hand-off", PAGE, takes=("change",))
def hand_off(record: Opened, change: Short = "") -> dict[str, Any]:
    """Every destination, who sends to it, and what waits there."""
    told = _standing(record)
    there = [one for one in told["destinations"] if one["destination"] == change]
    return {**told, **ALWAYS, "change": there[0] if there else None}


@shows(router, "/hand-off/{gtin}/{lot}", OF_LOT)
def hand_off_of_lot(record: Opened, name: Lot) -> dict[str, Any]:
    """One lot: its gate, its last check, and all of its documents at each destination."""
    told = _standing(record, name)
    for one in told["destinations"]:
        there = senders.documents_there(record, one["destination"], name)
        one["documents"] = there["documents"]
    gtin, _, lot = name.partition("/")
    checked = senders.last_check(record, name)
    return {**told, **ALWAYS, "gtin": gtin, "lot": lot, **checked}


def _standing(record: Record, lot: str = "") -> dict[str, Any]:
    """How all lots, or one, stand at each destination, with senders and gates."""
    told = nouns.events.status(record, lot=lot)
    waiting = [
        (one["destination"], row)
        for one in told["destinations"]
        for row in one["lots"]
        if row["state"] != UP_TO_DATE
    ]
    found = senders.look(record, [(name, f"{row['gtin']}/{row['lot']}") for name, row in waiting])
    for (_, row), more in zip(waiting, found["lots"], strict=True):
        row.update(more)
    for one in told["destinations"]:
        one["at_work"] = found["senders"][one["destination"]]
        late = [row for row in one["lots"] if row["state"] != UP_TO_DATE]
        done = [row for row in one["lots"] if row["state"] == UP_TO_DATE]
        one |= {"lots": late + done[: -MOST_DONE - 1 : -1], "more": max(0, len(done) - MOST_DONE)}
    troubled = {one["destination"]: _trouble(one) for one in told["destinations"]}
    told["destinations"].sort(key=lambda one: -troubled[one["destination"]])
    return told


def _trouble(one: dict[str, Any]) -> int:
    """How much a destination asks for a person; such ones stand first."""
    stuck = any(row["state"] == STUCK for row in one["lots"])
    return 2 * (stuck or one["at_work"]["outcome"] == "needs_person") + bool(one["at_work"]["why"])


@router.get("/hand-off/{gtin}/{lot}/{destination}/{number}")
def document(record: Opened, name: Lot, destination: Called, number: Number) -> Response:
    """A document as it was sent, to the byte."""
    return _document(record, name, destination, number, listed=False)


@router.get("/hand-off/{gtin}/{lot}/{destination}/{number}/list")
def plain_list(record: Opened, name: Lot, destination: Called, number: Number) -> Response:
    """The plain list that lies beside a document in a folder."""
    return _document(record, name, destination, number, listed=True)


def _document(record: Record, lot: str, destination: str, number: int, *, listed: bool) -> Response:
    with private_folder() as folder:
        made = senders.document(record, destination, lot, number, out=folder, listed=listed)
        path = Path(made["file"])
        return file_answer(path, MEDIA_TYPES[path.name.rpartition(".")[2]])


# -- forms of a lot ------------------------------------------------------------------------------


@act(router, "/hand-off/{gtin}/{lot}/check", "events check", of=OF_LOT)
def check_lot(record: InHand, form: Sent, name: Lot) -> Done:
    """Compare what was printed, accepted, recorded and exported of a lot."""
    del form
    made = nouns.events.check(record, name)
    if not made["agrees"]:
        told = {"difference": made["difference"]}
        return Done("told.accounts_differ", told, kind="danger")
    numbers = made["sides"][-1]["numbers"]
    return Done("told.accounts_agree", {"numbers": numbers, "events": made["events"]})


@act(router, "/hand-off/{gtin}/{lot}/write", "events write", of=OF_LOT)
def write_file(record: InHand, form: Sent, name: Lot) -> Response:
    """A lot's events as a file; that they were handed out is journalled."""
    kind = form.text("form") or "json"
    with private_folder() as folder:
        made = nouns.events.write(
            record,
            name,
            form=kind,
            out=folder / f"events.{'jsonld' if kind == 'json' else 'xml'}",
            links=form.ticked("links"),
            sender=form.text("sender"),
            receiver=form.text("receiver"),
        )
        path = Path(made["file"])
        return file_answer(path, MEDIA_TYPES[path.name.rpartition(".")[2]])


@act(router, "/hand-off/{gtin}/{lot}/send", "events send", of=OF_LOT)
def send_lot(record: InHand, form: Sent, name: Lot, sender: AtWork) -> Done:
    """Send what one lot has, everywhere, in the background."""
    del form
    return _sent(sender.send(record, to="", lot=name))


@act(router, "/hand-off/{gtin}/{lot}/settle", "events settle", of=OF_LOT)
def settle(record: InHand, form: Sent, name: Lot) -> Done:
    """Say what became of a document that is stuck."""
    stored = form.needed("stored") == "stored"
    where, reason = form.needed("destination"), form.text("reason")
    made = nouns.events.settle(record, where, name, stored=stored, reason=reason)
    return Done("told.settled_stored" if stored else "told.settled_again", {"name": made["name"]})


# -- forms of destinations -----------------------------------------------------------------------


@act(router, "/hand-off/send", "events send", of=PAGE)
def send(record: InHand, form: Sent, sender: AtWork) -> Done:
    """Send to one destination, or all, in the background."""
    return _sent(sender.send(record, to=form.text("to"), lot=""))


def _sent(made: dict[str, Any] | None) -> Done:
    """What is told of a sending; what hinders it stands on the page."""
    if made is None:
        return Done("told.sending")
    told = {"documents": made["documents"], "events": made["events"]}
    if made["unavailable"] or made["needs_person"]:
        return Done("told.sent_not_all", told, kind="abnormal")
    return Done("told.sent", told)


@act(
    router,
    "/hand-off/destination",
    "events destination",
    of=PAGE,
    beside={"destination_exists": "name", "file_missing": "folder", "location_unknown": "sender"},
)
def set_destination(record: InHand, form: Sent) -> Done:
    """Add a destination, or change one."""
    folder, capture, token = (form.text(one) for one in ("folder", "capture", "token"))
    if capture and token:  # it is the server's secret, not that of whoever names it here
        host = destinations.check_url(capture, "json").partition("://")[2]
        secrets.check_host(token, form.needed("name"), urlsplit(f"//{host}").hostname or "")
    made = nouns.events.destination(
        record,
        form.needed("name"),
        folder=Path(folder) if folder else None,
        capture=capture,
        form=form.text("form") or "json",
        links=form.ticked("links"),
        sender=form.text("sender"),
        receiver=form.text("receiver"),
        products=form.text("products").split(),
        as_it_happens=form.ticked("as_it_happens"),
        most_events=form.whole("most_events", MOST_EVENTS),
        most_bytes=form.whole("most_bytes", MOST_BYTES),
        reach=_reach(form),
    )
    return Done("told.destination", {"name": made["destination"]}, "/hand-off")


def _reach(form: Form) -> Reach:
    """How a capture interface is reached; names of secrets and of files, never what is in them."""
    files = (form.text(name) for name in ("certificate", "private", "authority"))
    return Reach(
        form.text("behaviour") or BEHAVIOURS[0],
        form.ticked("knows_ids"),
        form.text("token"),
        *(str(Path(one).absolute()) if one else "" for one in files),
    )


@act(router, "/hand-off/retire", "events destination", of=PAGE)
def retire_destination(record: InHand, form: Sent) -> Done:
    """Send nothing there any more."""
    name = form.needed("name")
    nouns.events.destination(record, name, retire=True)
    return Done("told.destination_retired", {"name": name}, "/hand-off")
