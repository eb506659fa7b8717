"""`roll`: what stands on the web, and what has to come off it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import CAUTION, FINDINGS, answer, call, tally
from serialkeeper.cli.lot import LotName
from serialkeeper.errors import Refused
from serialkeeper.rules.doubts import SIGNS
from serialkeeper.rules.drawing import MOST_SHEETS
from serialkeeper.rules.pulls import as_lines
from serialkeeper.steps import drawings
from serialkeeper.steps import pulls as lists
from serialkeeper.store.record import Record

app = typer.Typer(help="What stands on the web, and what has to come off it.")
JobNumber = Annotated[int, typer.Option("--job", min=0, help="The print job; not needed with one.")]
Rows = Annotated[str, typer.Option(metavar="A-B", help="Only these rows of the job.")]
Lane = Annotated[int, typer.Option(min=0, help="Only this lane; lane 1 is left.")]
Pitch = Annotated[
    float,
    typer.Option(
        metavar="MM",
        min=0,
        help="Millimetres from label to label in a lane; without it there are no metres.",
    ),
]
FromEnd = Annotated[bool, typer.Option("--from-end", help="The last row comes off first.")]


@app.command()
def draw(
    name: LotName,
    out: Annotated[Path, typer.Option(metavar="FILE", help="FILE.svg or FILE.png.")],
    job: JobNumber = 0,
    rows: Rows = "",
    lane: Lane = 0,
    pitch: Pitch = 0,
    paper: Annotated[str, typer.Option(help="A4 or A3, laid across.")] = "A4",
    sheets: Annotated[
        int, typer.Option(min=0, help="Sheets at most; 0 for as many as it takes.")
    ] = MOST_SHEETS,
) -> None:
    """Draw the web to scale. Example: roll draw LOT24A --pitch 30 --out roll.svg."""
    result = drawings.draw(
        call.record(),
        name,
        out=out,
        job=job,
        rows=rows,
        lane=lane,
        pitch=pitch,
        paper=paper,
        sheets=sheets,
    )
    answer(result, _drawn(result))


def _drawn(result: dict[str, Any]) -> list[str]:
    first, last = result["rows"]
    signs = ", ".join(
        f"{letter} {SIGNS[letter].title}: {n:,}" for letter, n in result["signs"].items()
    )
    lines = [
        f"Print job {result['job']}, rows {first:,} to {last:,}: {result['labels']:,} labels, "
        f"{result['doubtful']:,} doubtful, {result['not_inspected']:,} not inspected yet.",
        *([f"  {signs}"] if signs else []),
    ]
    left = result["doubtful"] - result["in_strips"]
    if left:
        lines.append(
            f"  {result['in_strips']:,} are shown large; {left:,} only on the web and in the pull "
            "list (--sheets 0 draws all)."
        )
    lines += [f"  {file}" for file in result["files"]]
    return [*lines, CAUTION]


@app.command()
def pulls(
    name: LotName,
    job: JobNumber = 0,
    rows: Rows = "",
    lane: Lane = 0,
    pitch: Pitch = 0,
    from_end: FromEnd = False,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="FILE.csv, or FILE.txt for paper.")
    ] = None,
    scan: Annotated[
        bool, typer.Option("--scan", help="Go from label to label, waiting for a neighbour's scan.")
    ] = False,
) -> None:
    """List what has to come off the web, in winding order. Example: roll pulls LOT24A --lane 2.

    With --scan exit code 5 if the place of a label was not proven.
    """
    web: dict[str, Any] = {"job": job, "rows": rows, "lane": lane, "from_end": from_end}
    record = call.record()
    result = lists.pulls(record, name, pitch=pitch, out=out, **web)
    head = [
        f"Print job {result['job']}, row {result['first_off']:,} comes off first: "
        f"{tally(result['to_do'])}.",
    ]
    if result["not_inspected"]:
        head.append(
            f"  {result['not_inspected']:,} labels were not inspected yet and are not here."
        )
    if not scan:
        lines = [line for pull in result["pulls"] for line in as_lines(pull)]
        answer(result, [*head, *([f"  {out}"] if out else lines), CAUTION])
        return
    for line in head:
        typer.echo(line, err=call.as_json)
    proven = [_wait(record, name, pull, web) for pull in result["pulls"]]
    done = [cut for cut in proven if cut]
    missing = len(proven) - len(done)
    answer(
        {**result, "proven": done},
        [f"{len(done):,} places proven, {missing:,} not. Nothing was written into the record."],
    )
    if missing:
        raise typer.Exit(FINDINGS)


def _wait(
    record: Record, name: str, pull: dict[str, Any], web: dict[str, Any]
) -> dict[str, Any] | None:
    """Wait for the scan of a label's neighbour; None if it was passed over."""
    for line in as_lines(pull):
        typer.echo(line, err=call.as_json)
    while True:
        typer.echo("  Scan a neighbour (an empty line passes on): ", err=call.as_json, nl=False)
        text = sys.stdin.readline()
        if not text.strip():
            typer.echo("passed over, its place is not proven", err=call.as_json)
            return None
        try:
            cut = lists.neighbour(record, name, pull["position"], scan=text.strip(), **web)
        except Refused as error:
            typer.echo(f"\n{error}", err=True)
            continue
        typer.echo(_cut_here(cut), err=call.as_json)
        return cut


@app.command()
def neighbour(
    name: LotName,
    position: Annotated[int, typer.Argument(help="The label to be taken off.")],
    scan: Annotated[
        str, typer.Option(metavar="TEXT", help="A neighbour's code or number, as scanned.")
    ],
    job: JobNumber = 0,
    rows: Rows = "",
    lane: Lane = 0,
    from_end: FromEnd = False,
) -> None:
    """Prove a place before a cut. Example: roll neighbour LOT24A 17 --scan NUMBER."""
    web: dict[str, Any] = {"job": job, "rows": rows, "lane": lane, "from_end": from_end}
    result = lists.neighbour(call.record(), name, position, scan=scan, **web)
    lines = [_cut_here(result)]
    if not result["doubtful"]:
        lines.append("  The record holds nothing against this label.")
    answer(result, lines)


def _cut_here(cut: dict[str, Any]) -> str:
    which = "next label" if cut["away"] == 1 else f"label {cut['away']}"
    return (
        f"Position {cut['position']} is the {which} {cut['side']} the scanned one, lane "
        f"{cut['lane']} (row {cut['row']})."
    )
