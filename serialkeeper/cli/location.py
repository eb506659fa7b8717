"""`location`: sites and parts of them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import answer, call, imported
from serialkeeper.steps import locations

app = typer.Typer(help="Sites and parts of them, each with the time zone of its clocks.")


@app.command()
def add(
    gln: Annotated[str, typer.Argument(help="GLN, 13 digits.")],
    prefix_length: Annotated[
        int, typer.Option(help="Digits of the GS1 company prefix in it, 6 to 12.")
    ],
    name: Annotated[str, typer.Option(help="Name for people.")],
    zone: Annotated[str, typer.Option(help="Time zone such as Europe/Berlin or UTC.")],
    extension: Annotated[str, typer.Option(help="A part of the site, AI (254).")] = "",
    part_of: Annotated[
        str, typer.Option(help="The location around it: GLN or GLN/EXTENSION.")
    ] = "",
) -> None:
    """Add a location."""
    result = locations.add(
        call.record(),
        gln,
        prefix_length=prefix_length,
        name=name,
        zone=zone,
        extension=extension,
        part_of=part_of,
    )
    answer(result, [f"Location {result['location']} is in the record.", *_lines(result)])


@app.command("list")
def list_() -> None:
    """Show all locations."""
    rows = locations.all_locations(call.record())
    lines = [f"{row['location']:34} {row['name']:30} {row['zone']}" for row in rows]
    answer(rows, lines or ["No location yet."])


@app.command()
def show(name: Annotated[str, typer.Argument(help="GLN or GLN/EXTENSION.")]) -> None:
    """Show one location."""
    result = locations.show(call.record(), name)
    answer(result, [f"{result['location']}  {result['name']}", *_lines(result)])


@app.command("import")
def import_(file: Annotated[Path, typer.Argument(help="A CSV file of locations.")]) -> None:
    """Add the locations of a file."""
    result = locations.import_locations(call.record(), file)
    answer(result, [f"{imported(result)} locations."])


def _lines(row: dict[str, Any]) -> list[str]:
    around = f", part of {row['part_of']}" if row["part_of"] else ""
    return [f"  {row['zone']}{around}, EPC {row['epc']}"]
