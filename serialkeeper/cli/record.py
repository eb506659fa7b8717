"""`record`: the record itself."""

from __future__ import annotations

from typing import Any

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.steps import reports

app = typer.Typer(help="The record itself.")


@app.callback()
def about() -> None:
    """The record itself."""


@app.command()
def verify() -> None:
    """Check journal, parts, originals and tables. Exit code 3 at the first fault."""
    result = reports.verify_record(call.record())
    answer(result, verify_lines(result))


def verify_lines(result: dict[str, Any]) -> list[str]:
    """A verification for people."""
    return [
        f"Sound: {result['entries']:,} entries in {result['chains']} chains, "
        f"{result['parts']:,} parts ({result['bytes']:,} bytes), replayed and compared with "
        f"{result['rows']:,} table rows.",
        *(
            f"  {name}: {head['entries']} entries, head {head['head']}"
            for name, head in result["heads"].items()
        ),
        "  Keep these heads elsewhere: a history rewritten from its end, head row included, "
        "shows only against a copy kept outside.",
    ]
