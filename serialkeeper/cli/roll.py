"""`roll`: what stands on the web, and what has to come off it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import CAUTION, answer, call
from serialkeeper.cli.lot import LotName
from serialkeeper.rules.doubts import SIGNS
from serialkeeper.rules.drawing import MOST_SHEETS
from serialkeeper.steps import drawings

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
