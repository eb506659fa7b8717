"""`events`: standard event files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.cli.lot import LotName
from serialkeeper.rules.events import FORMS
from serialkeeper.steps import handoff

app = typer.Typer(help="EPCIS event files.")


@app.command()
def write(
    name: LotName,
    out: Annotated[Path, typer.Option(help="The file to make.")],
    form: Annotated[str, typer.Option(help=f"One of: {', '.join(FORMS)}.")] = "json",
) -> None:
    """Write a lot's events. Example: events write LOT24A --form json --out events.jsonld."""
    result = handoff.write_events(call.record(), name, form=form, out=out)
    answer(
        result,
        [
            f"{result['events']:,} event{'' if result['events'] == 1 else 's'} over "
            f"{result['epcs']:,} units of lot {result['lot']} "
            f"written to {result['file']}",
            f"  EPCIS 2.0 {'JSON-LD' if form == 'json' else 'XML'}, {result['size']:,} bytes, "
            f"SHA-256 {result['sha256']}",
        ],
    )
