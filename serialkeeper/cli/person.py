"""`person`: who works on the record."""

from __future__ import annotations

from typing import Annotated

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.outside import clock
from serialkeeper.rules.moves import LINE_LEAD, ROLES
from serialkeeper.steps import people

app = typer.Typer(help="People who work on the record.")


@app.command()
def add(
    name: Annotated[str, typer.Argument(help="Name as on the shift list.")],
    role: Annotated[str, typer.Option(help=f"One of: {', '.join(ROLES)}.")] = LINE_LEAD,
) -> None:
    """Add a person. Example: person add "Second Person" --role compliance."""
    result = people.add(call.record(), name, role=role, account=clock.account())
    answer(result, [f"{name} is in the record as {role}."])


@app.command("list")
def list_() -> None:
    """Show everybody."""
    rows = people.everybody(call.record())
    answer(rows, [f"{row['name']:30} {row['role']:14} since {row['added']}" for row in rows])
