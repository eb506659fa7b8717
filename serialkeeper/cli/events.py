"""`events`: standard event files, and their way to those who want them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from serialkeeper.cli import sending
from serialkeeper.cli.answer import answer, call
from serialkeeper.cli.lot import LotName
from serialkeeper.rules.event_forms import FORMS
from serialkeeper.steps import handoff

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
    """Write a lot's events. Example: events write LOT24A --form json --out events.jsonld."""
    result = handoff.write_events(
        call.record(), name, form=form, out=out, links=links, sender=sender, receiver=receiver
    )
    words = [
        f"  {word}, which CBV 1.2 lacks, in {count:,} event{'' if count == 1 else 's'}"
        for word, count in result["words"].items()
    ]
    answer(
        result,
        [
            f"{result['events']:,} event{'' if result['events'] == 1 else 's'} over "
            f"{result['epcs']:,} units and packs of lot {result['lot']} "
            f"written to {result['file']}",
            f"  {FORMS[form].title}, {result['size']:,} bytes, SHA-256 {result['sha256']}",
            *words,
        ],
    )
