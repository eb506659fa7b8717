"""`product`: trade items."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import answer, call, imported
from serialkeeper.rules.serials import DEFAULT_LENGTH
from serialkeeper.steps import products

app = typer.Typer(help="Trade items, their label layouts, and how they are packed.")


@app.command()
def add(
    gtin: Annotated[str, typer.Argument(help="GTIN with 8, 12, 13 or 14 digits.")],
    prefix_length: Annotated[
        int, typer.Option(help="Digits of your GS1 company prefix, 6 to 12 (on your licence).")
    ],
    name: Annotated[str, typer.Option(help="Name for people.")],
    order: Annotated[str, typer.Option(help="Order of the elements in the code.")] = "01 21 17 10",
    serial_length: Annotated[
        int, typer.Option(help="Characters of its numbers, 8 to 20.")
    ] = DEFAULT_LENGTH,
    minimum_grade: Annotated[
        str, typer.Option(help="Lowest in-line grade that passes, 0.0 to 4.0 or a letter.")
    ] = products.DEFAULT_GRADE,
) -> None:
    """Add a product."""
    result = products.add(
        call.record(),
        gtin,
        prefix_length=prefix_length,
        name=name,
        order=tuple(order.split()),
        serial_length=serial_length,
        minimum_grade=minimum_grade,
    )
    answer(
        result, [f"Product {result['gtin']} ({result['name']}) is in the record.", *_lines(result)]
    )


@app.command("import")
def import_(file: Annotated[Path, typer.Argument(help="A CSV file of products.")]) -> None:
    """Add the products of a file."""
    result = products.import_products(call.record(), file)
    answer(result, [f"{imported(result)} products."])


@app.command()
def layout(
    gtin: Annotated[str, typer.Argument(help="The product's GTIN.")],
    file: Annotated[Path, typer.Argument(help="The layout, a TOML file.")],
) -> None:
    """Set the label layout, for lots approved from now on.

    Lines, symbol and the space for it; `serialkeeper guide symbols` shows such a file.
    """
    result = products.set_layout(call.record(), gtin, file)
    answer(result, [f"Labels of {result['gtin']} ({result['name']}):", *layout_lines(result)])


def layout_lines(row: dict[str, Any]) -> list[str]:
    """A layout for people."""
    told = row["layout"]
    space = " x ".join(f"{side / 1000:.2f}" for side in told["space"])
    return [
        f"  symbol {told['size'] or told['shape'] + ', size by the longest code'}, X "
        f"{told['module'] / 1000:.3f} mm, space "
        + (f"{space} mm" if any(told["space"]) else "not given"),
        f"  lines {' | '.join(told['lines'])}"
        + (f", national number {told['national']}" if told["national"] else ""),
    ]


@app.command("packs")
def packs_(
    gtin: Annotated[str, typer.Argument(help="The product's GTIN.")],
    file: Annotated[Path, typer.Argument(help="The levels, a TOML file.")],
) -> None:
    """Set the levels of packs, for lots approved from now on.

    Bundle, case, pallet; `serialkeeper guide packs` shows such a file.
    """
    result = products.set_packs(call.record(), gtin, file)
    answer(result, [f"Packs of {result['gtin']} ({result['name']}):", *pack_lines(result["packs"])])


def pack_lines(levels: list[dict[str, Any]]) -> list[str]:
    """Pack levels for people."""
    return [
        f"  {one['name']} holds {one['holds']:,}, "
        + (f"GTIN {one['gtin']} and number" if one["gtin"] else f"SSCC {one['extension']}...")
        + (", mixed lots" if one["mixed_lots"] else ", one lot")
        + (", part packs allowed" if one["part"] else ", full packs only")
        for one in levels
    ]


@app.command("list")
def list_() -> None:
    """Show all products."""
    rows = products.all_products(call.record())
    answer(rows, [f"{row['gtin']}  {row['name']}" for row in rows] or ["No product yet."])


@app.command()
def show(gtin: Annotated[str, typer.Argument(help="The product's GTIN.")]) -> None:
    """Show one product."""
    result = products.show(call.record(), gtin)
    answer(result, [f"{result['gtin']}  {result['name']}", *_lines(result)])


def _lines(row: dict[str, Any]) -> list[str]:
    return [
        f"  element order {' '.join(row['order'])}, numbers of {row['serial_length']} characters, "
        f"minimum in-line grade {row['minimum_grade']}",
        f"  EPC {row['epc_stem']}…, number prefixes used {row['prefixes_used']:,}",
        *layout_lines(row),
        *pack_lines(row["packs"]),
    ]
