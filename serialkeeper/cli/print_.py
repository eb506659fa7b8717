"""`print`: hand-off to the printer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import FINDINGS, answer, call
from serialkeeper.cli.lot import LotName
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.counts import many
from serialkeeper.rules.fit import DEFAULT_USE, SPECIFICATIONS
from serialkeeper.rules.logistic import BARS, X_RANGES
from serialkeeper.rules.pages import PAPERS
from serialkeeper.steps import printing, proofs, symbols

app = typer.Typer(help="Files and symbols for the printer, and whether they fit.")
Use = Annotated[str, typer.Option(help=f"What it is for: {', '.join(SPECIFICATIONS)}.")]


@app.command()
def write(
    name: LotName,
    lanes: Annotated[int, typer.Option(help="Lanes across the web.")],
    out: Annotated[Path, typer.Option(help="The file to make.")],
    first: Annotated[int | None, typer.Option(help="First position.")] = None,
    last: Annotated[int | None, typer.Option(help="Last position.")] = None,
    order: Annotated[str, typer.Option(help="'rows' or 'lanes'.")] = "rows",
) -> None:
    """Issue labels: write their print file."""
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
    """Write an earlier job's file again."""
    result = printing.again(call.record(), name, job, out=out)
    answer(result, ["The same bytes as before:", *_lines(result)])


@app.command("symbols")
def symbols_(
    name: LotName,
    out: Annotated[Path, typer.Option(help="FILE.zip; FILE.csv for --form matrix.")],
    form: Annotated[str, typer.Option(help="'svg', 'png', 'matrix' or 'qr' (links).")] = "svg",
    first: Annotated[int | None, typer.Option(help="First position.")] = None,
    last: Annotated[int | None, typer.Option(help="Last position.")] = None,
    dpi: Annotated[int, typer.Option(help="The printer's dots per inch, for png.")] = 600,
) -> None:
    """Write the symbols of issued labels."""
    result = symbols.write(call.record(), name, out=out, form=form, first=first, last=last, dpi=dpi)
    dots = f" ({result['dots']} dots at {dpi} dpi)" if result["dots"] else ""
    answer(
        result,
        [
            f"{many(result['count'], 'symbol')} {result['size']}, X {result['x']:.3f} mm{dots}; "
            f"labels of the range left out (not issued, or read already): {result['left_out']:,}.",
            f"  file {result['file']}  SHA-256 {result['sha256']}",
            f"  manifest {result['manifest']}",
        ],
    )


@app.command()
def proof(
    name: LotName,
    out: Annotated[Path, typer.Option(help="FILE.svg or FILE.pdf.")],
    position: Annotated[int, typer.Option(min=0, help="Which label; else the first.")] = 0,
    paper: Annotated[str, typer.Option(help=f"{' or '.join(PAPERS)}.")] = "A4",
    use: Use = DEFAULT_USE,
) -> None:
    """Write the page to hold beside the first print."""
    result = proofs.write(call.record(), name, out=out, position=position, paper=paper, use=use)
    told = {True: "reads exactly this", False: "DOES NOT READ THIS", None: "no second reading"}
    fits = {True: "it fits", False: "it does NOT fit", None: "no space is given"}
    answer(
        result,
        [
            f"Proof of {'label ' + str(result['position']) if result['position'] else 'a specimen'}"
            f": {result['size']}, X {result['x']:.3f} mm, {fits[result['fits']]}.",
            *(f"  {line}" for line in result["lines"]),
            *(f"  {reader}: {told[right]}" for reader, right in result["read_back"].items()),
            f"  a verifier has to find at least {result['verifier_minimum']}",
            f"  file {result['file']}  SHA-256 {result['sha256']}",
            CAUTION,
        ],
    )
    right = False not in result["read_back"].values() and result["fits"] is not False
    if not (right and result["in_range"]):
        raise typer.Exit(FINDINGS)


@app.command("fit")
def fit_(
    name: LotName,
    x: Annotated[float, typer.Option(metavar="MM", help="Another X-dimension.")] = 0,
    space: Annotated[
        tuple[float, float], typer.Option(metavar="MM MM", help="Another space: width, height.")
    ] = (0, 0),
    size: Annotated[str, typer.Option(help="Another size, such as 16x48.")] = "",
    use: Use = DEFAULT_USE,
) -> None:
    """Say whether the symbol fits its space."""
    result = symbols.check(call.record(), name, x=x, space=space, size=size, use=use)
    verdict = {True: "It fits.", False: "It does not fit.", None: "No space is given."}
    good = result["fits"] is not False and result["in_range"]
    answer(
        result,
        [
            verdict[result["fits"]]
            + ("" if result["in_range"] else " The X-dimension is not allowed."),
            f"  longest code {result['codewords']} codewords, {result['size']} holds "
            f"{result['holds']}",
            *(f"  {line}" for line in result["arithmetic"]),
            *(
                f"  would fit: {w['size']}, X up to {w['x_up_to']:.3f} mm"
                for w in result["would_fit"]
            ),
            f"  a verifier has to find at least {result['verifier_minimum']}",
            CAUTION,
        ],
    )
    if not good:
        raise typer.Exit(FINDINGS)


@app.command()
def sscc(
    number: Annotated[str, typer.Argument(help="The SSCC, 18 digits.")],
    out: Annotated[Path, typer.Option(help="FILE.svg or FILE.pdf.")],
    carrier: Annotated[str, typer.Option(help=f"{' or '.join(X_RANGES)}.")] = BARS,
    x: Annotated[float, typer.Option(metavar="MM", help="X-dimension.")] = 0,
) -> None:
    """Write the symbol of a logistic label."""
    result = symbols.sscc(number, out=out, carrier=carrier, x=x)
    wide, high = result["needs"]
    answer(
        result,
        [
            f"{result['carrier']} of SSCC {result['sscc']}, X {result['x']:.3f} mm, "
            f"{wide:.2f} x {high:.2f} mm.",
            f"  file {result['file']}  SHA-256 {result['sha256']}",
        ],
    )


def _lines(result: dict[str, Any]) -> list[str]:
    return [
        f"  job {result['job']}: {many(result['count'], 'label')}, positions {result['first']} to "
        f"{result['last']}, {many(result['lanes'], 'lane')}, {many(result['rows'], 'row')}",
        f"  file {result['file']}  SHA-256 {result['sha256']}",
        f"  manifest {result['manifest']}",
    ]
