"""`lot`, what is taken away of it: the report, tables, and the history of closed lots."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import SIGNING_KEY, answer, call
from serialkeeper.cli.lot import LotName, app
from serialkeeper.rules.cautions import AID, CAUTION
from serialkeeper.rules.counts import many
from serialkeeper.rules.history import BY, LAST, PRODUCT
from serialkeeper.rules.pages import PAPERS
from serialkeeper.rules.tables import FORMS, TABLES
from serialkeeper.steps import history as past
from serialkeeper.steps import listing, lot_reports

__all__ = ["app"]


@app.command()
def report(
    name: LotName,
    out: Annotated[Path, typer.Option(help="The file to make, .pdf or .html.", dir_okay=False)],
    paper: Annotated[str, typer.Option(help=f"{' or '.join(PAPERS)}.")] = "A4",
    key: Annotated[
        Path | None,
        typer.Option(
            envvar=SIGNING_KEY,
            dir_okay=False,
            help="The key's file; a checkpoint is taken, signed and printed in the report.",
        ),
    ] = None,
) -> None:
    """Write what the record knows of a lot, for the batch record. It releases nothing."""
    result = lot_reports.write(call.record(), name, out=out, paper=paper, key=key)
    pages = f", {many(result['pages'], 'page')}" if result["pages"] else ""
    made = result["checkpoint"]
    answer(
        result,
        [
            f"Report of lot {result['lot']} written to {result['file']}{pages}",
            f"  {result['size']:,} bytes, SHA-256 {result['sha256']}",
            f"  it tells {many(result['entries'], 'entry', 'entries')}, head {result['head']}",
            *(
                [f"  checkpoint {made['file']}, SHA-256 {made['sha256']}"]
                if made
                else ["  no checkpoint: no key was named (--key, SERIALKEEPER_SIGNING_KEY)"]
            ),
            CAUTION,
        ],
    )


@app.command()
def table(
    name: LotName,
    what: Annotated[str, typer.Argument(metavar="WHAT", help=f"One of: {', '.join(TABLES)}.")],
    out: Annotated[
        Path, typer.Option(help=f"The file to make: .{' or .'.join(FORMS)}.", dir_okay=False)
    ],
) -> None:
    """Write a table of a lot for a spreadsheet or another program; keys stay text."""
    result = listing.write(call.record(), name, what, out=out)
    sheets = f" on {many(result['sheets'], 'sheet')}" if result["sheets"] else ""
    beside = [f"  beside it {result['metadata']}: what its columns are"] * bool(result["metadata"])
    answer(
        result,
        [
            f"{many(result['rows'], 'row')}{sheets} written to {result['file']}",
            f"  {result['size']:,} bytes, SHA-256 {result['sha256']}",
            *beside,
            f"  as of {result['as_of']}: it tells {many(result['entries'], 'entry', 'entries')}, "
            f"head {result['head']}",
        ],
    )


@app.command()
def history(
    gtin: Annotated[str, typer.Argument(help="Only lots of this product.")] = "",
    by: Annotated[str, typer.Option(help=f"One of: {', '.join(BY)}.")] = PRODUCT,
    last: Annotated[int, typer.Option(help="Lots of each product, the newest ones.")] = LAST,
    out: Annotated[
        Path | None, typer.Option(help="Draw it, too: .svg, .html or .pdf.", dir_okay=False)
    ] = None,
    paper: Annotated[str, typer.Option(help=f"{' or '.join(PAPERS)}.")] = "A4",
) -> None:
    """Show reject rates of closed lots over time, with control limits."""
    result = past.show(call.record(), gtin, by=by, last=last, out=out, paper=paper)
    answer(result, _history_lines(result))


def _history_lines(result: dict[str, Any]) -> list[str]:
    lines = [] if result["series"] else ["No closed lot tells of it yet."]
    for one in result["series"]:
        few = "" if one["enough"] else f"; TOO FEW FOR LIMITS, {result['wanted']} are wanted"
        apart = f"; they differ {one['spread']:.2f} x as much as by chance" if one["spread"] else ""
        lines.append(
            f"{one['name']}: {one['rejected']:,} of {one['labels']:,} rejected, "
            f"{100 * one['centre']:.2f} %, in {many(one['lots'], 'lot')}{few}{apart}"
        )
        lines.append(
            f"  {'closed':10} {'lot':20} {'labels':>11} {'rejected':>9} {'%':>7}  limits, %"
        )
        for row in one["samples"]:
            low, high = (f"{100 * limit:.2f}" for limit in row["limits"])
            mark = row["outside"] or ""
            mark = mark.upper() if row["outside_widened"] else mark
            counts = f"{row['labels']:>11,} {row['rejected']:>9,} {100 * row['share']:>7.2f}"
            told = f"  {row['closed'][:10]} {row['lot']:20} {counts}  {low} to {high}  {mark}"
            lines.append(told.rstrip())
    lines += [f"left out, several stations on the same labels: {one}" for one in result["left_out"]]
    lines += [f"drawn: {result['file']}"] if result["file"] else []
    return [*lines, "Small letters: outside by chance alone; capitals: also widened.", AID]
