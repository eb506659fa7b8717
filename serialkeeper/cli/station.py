"""`station`: where people work on the record."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.steps import stations

app = typer.Typer(help="Where people work on the record, and what was left unfinished there.")


@app.command()
def add(
    name: Annotated[
        str, typer.Argument(help="Its name, as SERIALKEEPER_STATION says there; this one if empty.")
    ] = "",
    location: Annotated[str, typer.Option(help="Where it stands: GLN or GLN/EXTENSION.")] = "",
) -> None:
    """Name a station. From then on the record takes entries from named stations only."""
    result = stations.add(call.record(), name, location=location)
    answer(
        result,
        [
            f"{result['station']} is a station of the record.",
            "Entries are taken from named stations only; see them all: station list",
        ],
    )


@app.command("list")
def list_() -> None:
    """Show every station, and what was begun there and not finished.

    What a station left is finished by the command shown, at any station.
    """
    rows = stations.all_stations(call.record())
    lines = [line for row in rows for line in _lines(row)]
    answer(rows, lines or ["The record names no stations: it takes entries from all."])


def _lines(row: dict[str, Any]) -> Iterator[str]:
    since = f"since {row['added']}" if row["added"] else "not named"
    yield f"{row['station']:24} {row['location'] or '-':24} {since}"
    for left in row["unfinished"]:
        yield f"  unfinished since {left['since']}: lot {left['lot']}, {left['what']}"
        yield f"    finish it: {left['command']}"
