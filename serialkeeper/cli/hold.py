"""`hold`: what is kept back, and why."""

from __future__ import annotations

from typing import Annotated

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.cli.label import positions as typed
from serialkeeper.cli.lot import LotName
from serialkeeper.steps import holds

app = typer.Typer(help="Keeping lots, labels and packs back from packing and shipping.")
Why = Annotated[str, typer.Option(help="Why, in words.")]


@app.command()
def place(
    name: LotName,
    reason: Why,
    case: Annotated[str, typer.Option(metavar="REF", help="An investigation's reference.")] = "",
    positions: Annotated[str, typer.Option(help="Only labels: 17,20,30-40, or @FILE.")] = "",
    roll: Annotated[
        int, typer.Option(min=0, help="Only the labels on this roll, wherever they go.")
    ] = 0,
    pack: Annotated[
        str, typer.Option(help="Only this pack: nothing in it changes, and it stays.")
    ] = "",
) -> None:
    """Hold a lot or a part of it. Example: hold place LOT24A --positions 30-40 --reason TEXT."""
    where = typed(positions) if positions else ""
    result = holds.place(
        call.record(), name, reason=reason, case=case, positions=where, roll=roll, pack=pack
    )
    answer(
        result,
        [
            f"Hold {result['hold']} of lot {result['lot']}: {result['what']}, {reason}",
            "  It is neither packed nor shipped until somebody lifts it: "
            f"hold lift {result['lot']} {result['hold']} --reason TEXT",
        ],
    )


@app.command()
def lift(
    name: LotName,
    number: Annotated[int, typer.Argument(metavar="HOLD", min=1, help="The hold's number.")],
    reason: Why,
) -> None:
    """Lift a hold. Example: hold lift LOT24A 1 --reason "labels compared, all right"."""
    result = holds.lift(call.record(), name, number, reason=reason)
    answer(
        result,
        [
            f"Hold {number} of lot {result['lot']} is lifted ({result['what']}); "
            f"{result['standing']} stand."
        ],
    )


@app.command("list")
def list_(
    name: Annotated[str, typer.Argument(metavar="[LOT]", help="Only this lot's.")] = "",
    every: Annotated[bool, typer.Option("--all", help="Those that were lifted, too.")] = False,
) -> None:
    """Show what is held, by whom and why."""
    rows = holds.all_holds(call.record(), name, lifted=every)
    lines = []
    for row in rows:
        case = f" ({row['case']})" if row["case"] else ""
        lines.append(
            f"lot {row['lot']}, hold {row['hold']} on {row['what']}: {row['reason']}{case}, "
            f"{row['by']}, {row['at']}"
        )
        if row["lifted_at"]:
            lines.append(
                f"  lifted {row['lifted_at']} by {row['lifted_by']}: {row['lifted_reason']}"
            )
    answer(rows, lines or ["Nothing is held."])
