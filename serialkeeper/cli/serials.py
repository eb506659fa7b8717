"""`serials`: numbers."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import answer, call, tally
from serialkeeper.cli.lot import LotName
from serialkeeper.rules.counts import many
from serialkeeper.steps import abandoning, importing, numbering, returning

app = typer.Typer(help="Serial numbers, our own and those that others give.")


@app.command()
def allocate(
    name: LotName,
    count: Annotated[
        int | None, typer.Argument(help="How many; without it, the advice for the target.")
    ] = None,
    seed: Annotated[
        int | None, typer.Option(help="Repeatable chance; practice records only.")
    ] = None,
) -> None:
    """Give numbers to a lot."""
    result = numbering.allocate(call.record(seed), name, count)
    answer(
        result,
        [
            f"{many(result['count'], 'number')} allocated to lot {result['lot']}, positions "
            f"{result['first']} to {result['last']}"
            + (" (an interrupted allocation is finished)." if result["resumed"] else "."),
            f"  {result['odds']['arithmetic']}",
            f"  The product can be given {result['odds']['left']:,} more.",
            f"  Next: serialkeeper print write {result['lot']} --lanes N --out FILE",
        ],
    )


@app.command("import")
def import_(
    name: LotName,
    file: Annotated[Path, typer.Argument(help="One number a line: bare, or its whole code.")],
    issuer: Annotated[str, typer.Option(help="Who gave the numbers.")] = "",
    expires: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="Last day on which they may be printed."),
    ] = None,
) -> None:
    """Take in numbers of an authority or a customer."""
    until = date(expires.year, expires.month, expires.day) if expires else None
    result = importing.import_numbers(call.record(), name, file, issuer=issuer, usable_until=until)
    answer(result, _import_lines(result))


def _import_lines(result: dict[str, Any]) -> list[str]:
    numbers = many(result["count"], "number")
    if result["already_taken"]:
        return [f"{result['name']} was taken in before ({numbers}); nothing changed."]
    lines = [
        f"{numbers} of {result['name']} taken into lot {result['lot']}, positions "
        f"{result['first']} to {result['last']}.",
        f"  Codes are printed in the order {' '.join(result['order'])}"
        + (f", + for ({') ('.join(result['extras'])})." if result["extras"] else "."),
        "  How easily they could be guessed is in the hands of their issuer; no odds are told.",
    ]
    if result["usable_until"]:
        lines.append(f"  They may be printed until {result['usable_until']}.")
    lines += [f"  Look at this: {note}" for note in result["notes"]]
    return [*lines, f"  Next: serialkeeper print write {result['lot']} --lanes N --out FILE"]


@app.command("return")
def return_(
    name: LotName,
    out: Annotated[Path, typer.Option(help="The CSV file to make.")],
    reason: Annotated[str, typer.Option(help="Why, in words.")] = "",
) -> None:
    """Report unused imported numbers back."""
    result = returning.return_numbers(call.record(), name, out=out, reason=reason)
    answer(
        result,
        [
            f"Voided because they were never printed: {many(result['returned'], 'number')}. "
            "They can never be printed now.",
            f"  {result['file']} lists {many(result['listed'], 'unused number')}: "
            f"{tally(result['reasons'])}.",
        ],
    )


@app.command()
def abandon(
    name: LotName,
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why.")],
) -> None:
    """Give up an interrupted import whose file is lost; what is there of it stays."""
    result = abandoning.give_up(call.record(), name, reason=reason)
    answer(
        result,
        [
            f"Given up: {result['name']}, of which {result['done']:,} of "
            f"{many(result['of'], 'number')} came in; what came in stays with lot {result['lot']}.",
            "  Tell the issuer: the rest of the file is not in this record.",
        ],
    )


@app.command()
def odds(
    name: Annotated[str, typer.Argument(help="A lot, or a product's 14-digit GTIN.")],
    count: Annotated[int | None, typer.Argument(help="Numbers to be allocated at once.")] = None,
) -> None:
    """How easily a number could be guessed."""
    result = numbering.odds(call.record(), name, count)
    verdict = "allowed" if result["allowed"] else "refused"
    answer(
        result,
        [
            result["arithmetic"],
            f"At a time {result['bearable_at_a_time']:,} are allowed per prefix: {verdict}.",
            f"The product can be given {result['left']:,} more.",
            "Rule: Delegated Regulation (EU) 2016/161, Article 4(c).",
        ],
    )
