"""`hold`: what is neither packed nor sent until somebody lifts it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.cli.label import positions as typed
from serialkeeper.cli.lot import LotName
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.holds import sentence
from serialkeeper.steps import holds

app = typer.Typer(help="What is neither packed nor sent until somebody lifts it.")


@app.command()
def place(
    name: LotName,
    reason: Annotated[str, typer.Option(help="Why, in words.")],
    case: Annotated[str, typer.Option(metavar="REF", help="An investigation's reference.")] = "",
    positions: Annotated[
        str | None, typer.Option(help="These labels: 17,30-40, every fourth 1-997/4, or @FILE.")
    ] = None,
    roll: Annotated[
        int | None, typer.Option(metavar="N", min=1, help="The labels on this roll.")
    ] = None,
    pack: Annotated[
        str | None, typer.Option(metavar="PACK", help="This pack: SSCC, GTIN/NUMBER, or a scan.")
    ] = None,
) -> None:
    """Hold a whole lot, labels of it, a roll or a pack."""
    where = typed(positions) if positions else positions
    result = holds.place(
        call.record(), name, reason=reason, case=case, positions=where, roll=roll, pack=pack
    )
    answer(result, _placed(result))


def _placed(result: dict[str, Any]) -> Iterator[str]:
    covers = result["covers"]
    yield f"Placed: {sentence(result)}"
    yield (
        f"  Good units that it covers: {covers['good']:,}; units in packs: {covers['packed']:,}. "
        "None of them is packed or sent from now on."
    )
    if covers["gone"]:
        yield (
            f"  Left before, in shipped packs: {covers['gone']:,}; a hold keeps nothing back that "
            "is gone."
        )
    yield f"  Compliance lifts it: serialkeeper hold lift {result['lot']} {result['hold']} --reason"
    yield CAUTION


@app.command()
def lift(
    name: LotName,
    number: Annotated[int, typer.Argument(metavar="N", min=1, help="The hold: hold list.")],
    reason: Annotated[str, typer.Option(help="Why, in words.")],
) -> None:
    """Lift a hold."""
    result = holds.lift(call.record(), name, number, reason=reason)
    still = ", ".join(result["still"])
    answer(
        result,
        [
            f"Lifted: {sentence(result)}",
            f"  Still open: {still}" if still else f"  Lot {result['lot']} has no open hold now.",
        ],
    )


@app.command("list")
def list_(
    name: Annotated[str, typer.Argument(metavar="[LOT]", help="Only this lot's.")] = "",
    every: Annotated[bool, typer.Option("--all", help="Lifted ones, too.")] = False,
) -> None:
    """List open holds: on what, why, by whom, since when."""
    result = holds.all_of(call.record(), name, lifted=every)
    answer(result, [sentence(one) for one in result["holds"]] or ["Nothing is held."])
