"""`record`: the record itself."""

from __future__ import annotations

from typing import Any

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.outside import clock
from serialkeeper.steps import reports
from serialkeeper.store import opening

app = typer.Typer(help="The record itself.")


@app.command()
def verify() -> None:
    """Check journal, parts, originals and tables. Exit code 3 at the first fault."""
    result = reports.verify_record(call.record())
    answer(result, verify_lines(result))


@app.command()
def migrate() -> None:
    """Bring the record of an earlier version to this one. Back it up first.

    Nobody can work on it meanwhile; earlier versions cannot work on it afterwards.
    """
    result = opening.migrate_record(
        call.url,
        person=call.person,
        station=clock.station(),
        now=clock.now,
        chance=clock.chance(),
    )
    answer(result, migrate_lines(result))


def migrate_lines(result: dict[str, Any]) -> list[str]:
    """A migration for people."""
    if result["from"] == result["to"]:
        return [f"The record is of this version already (schema {result['to']})."]
    return [
        f"The record was brought from schema {result['from']} to {result['to']}.",
        "  Check it: serialkeeper record verify",
    ]


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
