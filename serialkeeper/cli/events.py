"""`events`: standard event files, and their way to those who want them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli import sending
from serialkeeper.cli.answer import FINDINGS, answer, call, tally
from serialkeeper.cli.lot import LotName
from serialkeeper.errors import Damaged
from serialkeeper.rules.counts import many
from serialkeeper.rules.event_forms import FORMS
from serialkeeper.steps import agreeing, handoff, rereading

app = typer.Typer(help="EPCIS event files, and their way to those who want them.")
for command in (sending.destination, sending.send, sending.status, sending.settle):
    app.command()(command)


@app.command()
def write(
    name: LotName,
    out: Annotated[Path, typer.Option(help="The file to make.")],
    form: Annotated[
        str,
        typer.Option(help="; ".join(f"{name}: {form.title}" for name, form in FORMS.items()) + "."),
    ] = "json",
    links: Annotated[
        bool, typer.Option("--links", help="Name units by GS1 Digital Links, not EPC URNs.")
    ] = False,
    sender: Annotated[
        str, typer.Option(metavar="GLN", help="Who sends it; with --receiver, for a header.")
    ] = "",
    receiver: Annotated[str, typer.Option(metavar="GLN", help="Who receives it.")] = "",
) -> None:
    """Write a lot's events."""
    result = handoff.write_events(
        call.record(), name, form=form, out=out, links=links, sender=sender, receiver=receiver
    )
    words = [
        f"  {word}, which CBV 1.2 lacks, in {many(count, 'event')}"
        for word, count in result["words"].items()
    ]
    answer(
        result,
        [
            f"{many(result['events'], 'event')} of lot {result['lot']} written to "
            f"{result['file']}; units and packs: {result['epcs']:,}",
            f"  {FORMS[form].title}, {result['size']:,} bytes, SHA-256 {result['sha256']}",
            *words,
            *(f"  It would not be sent now: {why}" for why in result["kept_back"]),
        ],
    )


@app.command()
def check(name: LotName) -> None:
    """Compare what was printed, accepted, recorded and exported of a lot."""
    result = agreeing.check(call.record(), name)
    answer(result, check_lines(result))
    if not result["agrees"]:
        raise typer.Exit(Damaged.exit_code)


def check_lines(result: dict[str, Any]) -> Iterator[str]:
    """A check for people."""
    if result["agrees"]:
        yield f"Lot {result['lot']}: printed = accepted = recorded = exported, number by number."
    else:
        yield f"THE ACCOUNTS OF LOT {result['lot']} DIFFER: {result['difference']}"
    printed = result["printed"]
    yield (
        f"  Numbers in print files: {printed['numbers']:,}; never active: "
        f"{printed['never_active']:,}, of which receivers hear nothing. Of the others:"
    )
    for one in result["sides"]:
        states = f" ({tally(one['states'])})" if one["states"] else ""
        digest = one["sha256"][:16]
        yield f"  {one['side']:<9} {one['numbers']:>11,}, SHA-256 {digest}{states}"
    if result["packed"]["recorded"] or result["packed"]["exported"]:
        packed = result["packed"]
        yield f"  in packs: recorded {packed['recorded']:,}, exported {packed['exported']:,}"
    yield f"  {many(result['events'], 'event')} up to entry {result['entry']:,} of the lot."
    if not result["latest"]:
        yield "  Something happened meanwhile: check once more before anything is sent."


@app.command()
def read(
    file: Annotated[Path, typer.Argument(help="A document of EPCIS events, or a query's answer.")],
    lot: Annotated[str, typer.Option(metavar="LOT", help="The lot whose events they are.")] = "",
    whole: Annotated[
        bool, typer.Option("--whole", help="None of the lots' events may be missing.")
    ] = False,
) -> None:
    """Compare the events of a document with the record's."""
    result = rereading.read_events(call.record(), file, name=lot)
    answer(result, reading_lines(result))
    strange = result["altered"]["count"] + result["unknown"]["count"]
    if strange or (whole and (not result["lots"] or any(one["missing"] for one in result["lots"]))):
        raise typer.Exit(FINDINGS)


def reading_lines(result: dict[str, Any]) -> Iterator[str]:
    """What a document holds, for people."""
    yield (
        f"{many(result['events'], 'event')} in {result['file']}; the record's own, unaltered: "
        f"{result['same']:,}."
    )
    if result["twice"]:
        yield f"  More than once there: {result['twice']:,}."
    for word in ("altered", "unknown"):
        told = result[word]
        for one in told["first"]:
            yield f"  {word.upper()}: event {one['event']}, {one['id']}: {one['why']}"
        if told["count"] > len(told["first"]):
            yield f"  and {told['count'] - len(told['first']):,} more {word}"
    for one in result["lots"]:
        missing = f", {one['missing']:,} missing" if one["missing"] else ""
        first = f", from event {one['first_missing']} on" if one["missing"] else ""
        there = f"{one['found']:,} of {many(one['events'], 'event')}"
        yield f"  lot {one['lot']}: {there}{missing}{first}"
