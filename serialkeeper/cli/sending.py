"""`events destination`, `send`, `status`, `settle`: where events go, and whether they arrived."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from types import FrameType
from typing import Annotated, Any

import orjson
import typer

from serialkeeper.cli.answer import FINDINGS, answer, call, printable
from serialkeeper.cli.lot import LotName
from serialkeeper.errors import Unavailable, WrongUsage
from serialkeeper.rules.counts import many
from serialkeeper.rules.destinations import BEHAVIOURS, MOST_BYTES, MOST_EVENTS, Reach
from serialkeeper.rules.documents import STUCK
from serialkeeper.rules.event_forms import FORMS
from serialkeeper.steps import destinations, sending

NEEDS = "needs_person"

Name = Annotated[str, typer.Argument(metavar="NAME", help="The destination's name.")]
To = Annotated[str, typer.Option("--to", metavar="NAME", help="One destination only.")]
Lot = Annotated[str, typer.Option("--lot", metavar="LOT", help="One lot only.")]


def destination(
    name: Name,
    folder: Annotated[Path | None, typer.Option(help="A folder that the receiver reads.")] = None,
    capture: Annotated[
        str, typer.Option(metavar="URL", help="An EPCIS 2.0 capture interface.")
    ] = "",
    form: Annotated[str, typer.Option(help=", ".join(FORMS) + ".")] = "json",
    links: Annotated[
        bool, typer.Option("--links", help="Identifiers as GS1 Digital Links.")
    ] = False,
    sender: Annotated[str, typer.Option(metavar="GLN", help="For a header: who sends.")] = "",
    receiver: Annotated[str, typer.Option(metavar="GLN", help="For a header: to whom.")] = "",
    product: Annotated[
        list[str] | None, typer.Option(metavar="GTIN", help="Only its events; may be repeated.")
    ] = None,
    as_it_happens: Annotated[
        bool, typer.Option("--as-it-happens", help="Before the lot is closed and reviewed.")
    ] = False,
    most_events: Annotated[int, typer.Option(help="Events of one document.")] = MOST_EVENTS,
    most_bytes: Annotated[int, typer.Option(help="Bytes of one document.")] = MOST_BYTES,
    token_secret: Annotated[
        str, typer.Option(metavar="NAME", help="The token is in SERIALKEEPER_SECRET_NAME.")
    ] = "",
    client_certificate: Annotated[
        Path | None, typer.Option(help="Our own certificate, PEM.")
    ] = None,
    client_key: Annotated[Path | None, typer.Option(help="Its key, PEM, mode 0600.")] = None,
    authority: Annotated[
        Path | None, typer.Option(help="The certificates to trust instead of the system's.")
    ] = None,
    error_behaviour: Annotated[
        str, typer.Option(help="Where not every event can be stored: " + " or ".join(BEHAVIOURS))
    ] = BEHAVIOURS[0],
    knows_ids: Annotated[
        bool, typer.Option("--knows-ids", help="The receiver passes over events that it has.")
    ] = False,
    retire: Annotated[bool, typer.Option("--retire", help="Send nothing there any more.")] = False,
) -> None:
    """Add or change a destination; what is left out goes back to its default."""
    result = destinations.set_up(
        call.record(),
        name,
        folder=folder,
        capture=capture,
        form=form,
        links=links,
        sender=sender,
        receiver=receiver,
        products=product or (),
        as_it_happens=as_it_happens,
        most_events=most_events,
        most_bytes=most_bytes,
        reach=Reach(
            error_behaviour,
            knows_ids,
            token_secret,
            *map(_file, (client_certificate, client_key, authority)),
        ),
        retire=retire,
    )
    gone = f"Nothing is sent to {name} any more."
    answer(result, [gone] if retire else [_destination_line(result), _change_line(result)])


def _file(path: Path | None) -> str:
    return str(path.absolute()) if path else ""


def _destination_line(one: dict[str, Any]) -> str:
    gate = "as it happens" if one["as_it_happens"] else "after review"
    only = f", only {' '.join(one['products'])}" if one["products"] else ""
    return f"{one['destination']}: {one['kind']} {one['place']}, {one['form']}{only}, {gate}"


def _change_line(result: dict[str, Any]) -> str:
    if result["added"]:
        return "  Added."
    named = ", ".join(one.replace("_", " ") for one in result["changed"])
    return f"  It was there before. Changed: {named}." if named else "  As it was: nothing changed."


def send(
    once: Annotated[bool, typer.Option("--once", help="Send what there is, and end.")] = False,
    keep_going: Annotated[
        bool, typer.Option("--keep-going", help="Look again and again, until stopped.")
    ] = False,
    to: To = "",
    lot: Lot = "",
    pause: Annotated[
        float, typer.Option(min=0.1, help="Seconds between two looks of --keep-going.")
    ] = 10.0,
) -> None:
    """Send to each destination what it does not have yet.

    Ctrl-C and SIGTERM end it within some 5 seconds; what was under way is asked about by the next
    one.
    """
    if once == keep_going:
        raise WrongUsage(
            "usage",
            "Once, or again and again?",
            expected="--once or --keep-going",
            came="both" if once else "neither",
            remedy="A timer calls --once; a container runs --keep-going.",
        )
    record = call.record()
    with _stopped() as stopping:
        if once:
            result = sending.send(record, to=to, lot=lot, stopping=stopping)
            answer(result, _sent_lines(result))
        else:
            result = sending.keep_sending(
                record,
                to=to,
                lot=lot,
                pause=pause,
                tell=_tell,
                between=call.protect,
                stopping=stopping,
            )
    if result["needs_person"]:
        raise typer.Exit(FINDINGS)
    if result["unavailable"]:
        raise typer.Exit(Unavailable.exit_code)


@contextmanager
def _stopped() -> Iterator[Event]:
    """Is set by Ctrl-C or SIGTERM; the document under way is ended first, if that is soon."""
    stopping = Event()

    def stop(_signal: int, _frame: FrameType | None) -> None:
        stopping.set()

    before = [(one, signal.signal(one, stop)) for one in (signal.SIGINT, signal.SIGTERM)]
    try:
        yield stopping
    finally:
        for one, handler in before:
            signal.signal(one, handler)


def _tell(told: dict[str, Any]) -> None:
    """One line, at once."""
    if call.as_json:
        typer.echo(orjson.dumps(told).decode())
    elif "name" in told:
        where = f"{told['destination']}: lot {told['lot']}"
        typer.echo(printable(f"{where}, {many(told['count'], 'event')} as {told['name']}"))
    elif told["why"] is None:
        typer.echo(printable(f"{told['destination']}: nothing hinders it any more"))
    else:
        why, outcome = told["why"], told["outcome"].replace("_", " ")
        for word, words in _STUCK.items():
            why = why.replace(f": {word}", f": {words}")
        next_step = " (events status, then events settle)" if told["outcome"] == NEEDS else ""
        typer.echo(printable(f"{told['destination']}: {outcome}: {why}{next_step}"))


def _sent_lines(result: dict[str, Any]) -> Iterator[str]:
    for one in result["destinations"]:
        why = f": {one['why']}" if one["why"] else ""
        sent = any(row["documents"] for row in one["lots"])
        outcome = one["outcome"].replace("_", " ")
        if one["outcome"] == "sent" and not sent:
            outcome = "nothing could be sent" if one["lots"] else "has all there is"
        yield f"{one['destination']}: {outcome}{why}"
        for row in one["lots"]:
            why = f": {'; '.join(_reasons(row))}" if row["why"] else ""
            yield (
                f"  lot {row['lot']}: {many(row['events'], 'event')} in "
                f"{many(row['documents'], 'document')}, {row['state'].replace('_', ' ')}{why}"
            )
    if not result["destinations"]:
        yield "There is no destination. Add one: events destination"
    if any(row["state"] == STUCK for one in result["destinations"] for row in one["lots"]):
        yield "  What is stuck waits for a person: events status, then events settle"


_STUCK = {
    "in_doubt": "nobody knows whether the receiver has it",
    "refused": "the receiver refuses it",
    "too_large": "one event alone is too large for the receiver",
    "other_bytes": "it would be written differently than when it was prepared",
    "file_exists": "another file of that name is there",
}
"""What words for a document's state mean, for people."""


def _reasons(row: dict[str, Any]) -> list[str]:
    """Why a lot waits, in words."""
    return [_STUCK.get(one, one) for one in row["why"]]


def status(to: To = "", lot: Lot = "") -> None:
    """How far each lot has come at each destination."""
    result = destinations.status(call.record(), to=to, lot=lot)
    answer(result, _status_lines(result))
    if result["needs_person"]:
        raise typer.Exit(FINDINGS)


def _status_lines(result: dict[str, Any]) -> Iterator[str]:
    for one in result["destinations"]:
        yield _destination_line(one)
        for row in one["lots"]:
            yield (
                f"  lot {row['lot']}: {row['state'].replace('_', ' ')}; there: "
                f"{many(row['events'], 'event')} in {many(row['documents'], 'document')}; "
                f"waiting: {row['waiting']:,}"
            )
            yield from (f"    {why}" for why in row["why"])
            if now := row["open"]:
                why = _STUCK.get(now["why"], now["why"])
                said = ". It says: ".join(one for one in (why, now["said"]) if one)
                held = f"events {now['events'].replace(' ', ', ')} of the lot"
                yield f"    {now['name']}, {held}, {now['state']}: {said}".rstrip(": ")
            if last := row["last"]:
                receipt = f", receipt {last['receipt']}" if last["receipt"] else ""
                yield f"    last: {last['name']}, {last['ended']}{receipt}"
    if not result["destinations"]:
        yield "There is no destination. Add one: events destination"


def settle(
    name: Name,
    lot: LotName,
    stored: Annotated[
        bool, typer.Option("--stored", help="The receiver has all events of the document.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="It has none of them; they are sent again.")
    ] = False,
    reason: Annotated[str, typer.Option(metavar="TEXT", help="How that is known.")] = "",
) -> None:
    """Decide about a document that is stuck."""
    if stored == again:
        raise WrongUsage(
            "usage",
            "Does the receiver have the events, or not?",
            expected="--stored or --again",
            came="both" if stored else "neither",
            remedy="Ask whoever keeps the receiver, and give what they say as the reason.",
        )
    result = destinations.settle(call.record(), name, lot, stored=stored, reason=reason)
    done = "has its events" if stored else "does not have its events; they are sent again"
    answer(result, [f"{result['name']} of lot {result['lot']}: {name} {done}."])
