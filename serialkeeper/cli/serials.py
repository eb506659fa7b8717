"""`serials`: numbers."""

from __future__ import annotations

from typing import Annotated

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.cli.lot import LotName
from serialkeeper.steps import numbering

app = typer.Typer(help="Serial numbers.")


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
    """Give numbers to a lot. Example: serials allocate LOT24A 2052."""
    result = numbering.allocate(call.record(seed), name, count)
    answer(
        result,
        [
            f"{result['count']:,} numbers allocated to lot {result['lot']}, positions "
            f"{result['first']} to {result['last']}"
            + (" (an interrupted allocation is finished)." if result["resumed"] else "."),
            f"  {result['odds']['arithmetic']}",
            f"  The product can be given {result['odds']['left']:,} more.",
            f"  Next: serialkeeper print write {result['lot']} --lanes N --out FILE",
        ],
    )


@app.command()
def odds(
    name: Annotated[str, typer.Argument(help="A lot, or a product's 14-digit GTIN.")],
    count: Annotated[int | None, typer.Argument(help="Numbers to be allocated at once.")] = None,
) -> None:
    """How easily a number could be guessed. Example: serials odds LOT24A 2052."""
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
