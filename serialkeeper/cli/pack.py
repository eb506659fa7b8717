"""`pack`: bundles, cases and pallets, and what is in them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.cli.label import positions as typed
from serialkeeper.cli.lot import LotName
from serialkeeper.errors import WrongUsage
from serialkeeper.outside.files import read_text
from serialkeeper.rules import pack_tree
from serialkeeper.rules.levels import NAMES
from serialkeeper.rules.pack_entries import STATES
from serialkeeper.steps import contents, pack_files, packing

app = typer.Typer(help="Bundles, cases and pallets: filling, changing and showing them.")
LARGEST_LIST = 10_000_000
"""Characters of a list of scans."""

LevelName = Annotated[str, typer.Argument(metavar="LEVEL", help=f"{', '.join(NAMES)}.")]
PackKey = Annotated[
    str, typer.Argument(metavar="PACK", help="SSCC, GTIN/NUMBER, or a scan of the pack's label.")
]
Children = Annotated[
    list[str] | None,
    typer.Argument(metavar="CHILD", help="Codes as scanned, numbers, packs; or @FILE, one a line."),
]
Where = Annotated[str, typer.Option(help="Labels of the lot: 17,20,30-40, or @FILE.")]


@app.command()
def build(
    name: LotName,
    level: LevelName,
    children: Children = None,
    positions: Where = "",
    into: Annotated[str, typer.Option(metavar="PACK", help="An empty pack that has a key.")] = "",
    file: Annotated[
        Path | None, typer.Option(help="CSV: pack,level,child. Fills packs of all levels in it.")
    ] = None,
    in_order: Annotated[
        bool, typer.Option("--in-order", help="Fill packs with what is loose, in plan order.")
    ] = False,
    packs: Annotated[
        int | None, typer.Option(min=1, help="With --in-order: so many packs at most.")
    ] = None,
    reason: Annotated[str, typer.Option(help="Why a pack is not full.")] = "",
) -> None:
    """Fill a pack, or many. Example: pack build LOT24A case --in-order."""
    ways = [bool(children or positions), file is not None, in_order]
    if sum(ways) != 1 or (into and not ways[0]) or (packs and not in_order):
        raise WrongUsage(
            "usage",
            "It has to be clear what goes into the pack.",
            where="pack build",
            expected="children or --positions, with or without --into; or --file; or --in-order",
            came="none or several of these",
            remedy="See: serialkeeper pack build --help",
        )
    record = call.record()
    if file:
        result = pack_files.build_from_file(record, name, file, reason=reason)
    elif in_order:
        result = packing.build_in_order(record, name, level, count=packs, reason=reason)
    else:
        given = [word for child in children or () for word in _words(child)]
        where = typed(positions) if positions else ""
        result = packing.build(
            record, name, level, given, positions=where, into=into, reason=reason
        )
    answer(result, _built(result))


def _words(child: str) -> list[str]:
    if not child.startswith("@"):
        return [child]
    text = read_text(Path(child[1:]), LARGEST_LIST).replace("\r\n", "\n")
    return [line for line in text.split("\n") if line.strip()]


def _built(result: dict[str, Any]) -> Iterator[str]:
    made = result["packs"]
    for one in made[:20]:
        yield f"{one['level']} {one['key']}: {one['held']:,} in it" + ", part" * one["part"]
    if len(made) > 20:
        yield f"and {len(made) - 20:,} more, the last {made[-1]['level']} {made[-1]['key']}"
    yield (
        f"{result['count']:,} filled, {result['part']:,} of them part packs; of lot "
        f"{result['lot']} {result['units_packed']:,} units are packed, "
        f"{result['units_loose']:,} loose."
    )


@app.command()
def number(
    name: LotName,
    level: LevelName,
    count: Annotated[int, typer.Argument(metavar="N", min=1, help="How many.")],
) -> None:
    """Give packs their keys before they are filled. Example: pack number LOT24A case 50."""
    result = packing.number(call.record(), name, level, count)
    answer(result, result["keys"])


@app.command()
def show(
    pack: PackKey,
    out: Annotated[Path | None, typer.Option(help="Draw the tree into FILE.svg, too.")] = None,
    all_units: Annotated[bool, typer.Option("--all", help="Name every unit.")] = False,
) -> None:
    """Show a pack, what is in it and around it. Example: pack show 095212340000000013."""
    record = call.record()
    result = contents.draw(record, pack, out=out) if out else contents.show(record, pack)
    answer(result, pack_tree.lines(result, all_units=all_units))


@app.command("list")
def list_(
    name: LotName,
    level: Annotated[str, typer.Option(help="Only this level.")] = "",
    state: Annotated[str, typer.Option(help=f"part, empty, {', '.join(STATES)}.")] = "",
) -> None:
    """List a lot's packs, and the SSCCs left. Example: pack list LOT24A --state part."""
    result = contents.all_packs(call.record(), name, level=level, state=state)
    answer(result, _listed(result))


def _listed(result: dict[str, Any]) -> Iterator[str]:
    for one in result["levels"]:
        left = one["ssccs_left"]
        key = f"GTIN {one['gtin']} and number" if left is None else f"SSCC, {left:,} left"
        yield f"{one['level']}: holds {one['holds']:,}, {key}"
    for row in result["packs"]:
        bad = f", {row['doubtful']} not good" if row["doubtful"] else ""
        yield (
            f"{row['key']:32}  {row['level']:7} {row['state']:14} {row['held']:>6,} of "
            f"{row['holds']:,}, {row['units']:,} units" + bad + ", loose" * row["loose"]
        )
