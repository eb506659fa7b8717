"""`print`: hand-off to the printer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.cli.lot import LotName
from serialkeeper.steps import printing

app = typer.Typer(help="Hand-off to the printer.")


@app.command()
def write(
    name: LotName,
    lanes: Annotated[int, typer.Option(help="Lanes across the web.")],
    out: Annotated[Path, typer.Option(help="The file to make.")],
    first: Annotated[int | None, typer.Option(help="First position.")] = None,
    last: Annotated[int | None, typer.Option(help="Last position.")] = None,
    order: Annotated[str, typer.Option(help="'rows' or 'lanes'.")] = "rows",
) -> None:
    """Issue labels: write their print file. Example: print write LOT24A --lanes 4 --out job.csv."""
    result = printing.write(
        call.record(), name, lanes=lanes, out=out, first=first, last=last, by=order
    )
    follow = f"  Next: serialkeeper inspect take {result['lot']} FILE"
    answer(result, ["Issued to the printer:", *_lines(result), follow])


@app.command()
def again(
    name: LotName,
    job: Annotated[int, typer.Argument(help="The print job's number.")],
    out: Annotated[Path, typer.Option(help="The file to make.")],
) -> None:
    """Write an earlier job's file again. Example: print again LOT24A 1 --out again.csv."""
    result = printing.again(call.record(), name, job, out=out)
    answer(result, ["The same bytes as before:", *_lines(result)])


def _lines(result: dict[str, Any]) -> list[str]:
    return [
        f"  job {result['job']}: {result['count']:,} labels, positions {result['first']} to "
        f"{result['last']}, {result['lanes']} lanes, {result['rows']:,} rows",
        f"  file {result['file']}  SHA-256 {result['sha256']}",
        f"  manifest {result['manifest']}",
    ]
