"""What stands on the label of a pack, and its sheet: GS1-128 symbols, or one GS1 DataMatrix.

A pack with an SSCC says (00); where everything in it is of one lot, also which trade items are in
it and how many, with their expiry and lot: (02) (37) (17) (10). (37) goes only with (00) and (02).
A pack that is named by GTIN and number says (01) (21) (17) (10).

Source: GS1 General Specifications, logistic labels (from memory); which elements need which others
as in the GS1 Barcode Syntax Dictionary, which the tests hold this against.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from serialkeeper.rules import gs1
from serialkeeper.rules.datamatrix import QUIET
from serialkeeper.rules.figures import Cells, Item, Sheet, Text, box
from serialkeeper.rules.identifiers import Elements
from serialkeeper.rules.logistic import BAR_QUIET

_BAR_HEIGHT, _LINE, _GAP = 31.75, 5.0, 3.0


def elements_of(tree: Mapping[str, Any]) -> Elements:
    """What the label of a pack says, in order.

    Args:
        tree: the pack, as `steps.contents.show` gives it.
    """
    lots = tree["contents"]
    dated = _dated(lots[0]) if len(lots) == 1 else ()
    gtin, slash, serial = tree["key"].partition("/")
    if slash:
        return (("01", gtin), ("21", serial), *dated)
    if not dated:
        return (("00", tree["key"]),)
    item, count = _items(tree)
    return (("00", tree["key"]), ("02", item), *dated, ("37", str(count)))


def _dated(lot: Mapping[str, Any]) -> Elements:
    expiry = gs1.write_date(date.fromisoformat(lot["expiry"]))
    return (("17", expiry), ("10", lot["lot"]))


def _items(tree: Mapping[str, Any]) -> tuple[str, int]:
    """The trade items in a pack and how many: packs that have a GTIN, or else units."""
    gtins = {str(child.get("key", "")).partition("/")[0] for child in tree["children"]}
    named = all("/" in child.get("key", "") for child in tree["children"])
    if named and len(gtins) == 1:
        return gtins.pop(), len(tree["children"])
    return tree["gtin"], tree["units"]


def in_bars(elements: Elements) -> list[Elements]:
    """The same in GS1-128 symbols of at most 48 characters each, the SSCC last."""
    there = dict(elements)
    groups = [("02", "17", "37"), ("01", "17"), ("21",), ("10",), ("00",)]
    made: list[Elements] = []
    done: set[str] = set()
    for group in groups:
        if group[0] in there and group[0] not in done:
            some = tuple((ai, there[ai]) for ai in group if ai in there and ai not in done)
            made.append(some)
            done |= {ai for ai, _ in some}
    return made


def bars_sheet(title: str, symbols: Sequence[tuple[str, str]], x: float) -> Sheet:
    """GS1-128 symbols to scale, one below the other.

    Args:
        symbols: bracketed text, and the bars as 1 and 0, of each.
        x: X-dimension in millimetres.
    """
    items: list[Item] = []
    top = 1.0
    width = max(len(bars) for _, bars in symbols) + 2 * BAR_QUIET
    for text, bars in symbols:
        start = 0
        for place in range(1, len(bars) + 1):
            if place == len(bars) or bars[place] != bars[start]:
                if bars[start] == "1":
                    left, wide = (start + BAR_QUIET) * x, (place - start) * x
                    items.append(box(left, top, wide, _BAR_HEIGHT, fill="#000000"))
                start = place
        items.append(Text(BAR_QUIET * x, top + _BAR_HEIGHT + 4.2, text, 3.6))
        top += _BAR_HEIGHT + _LINE + _GAP
    return Sheet(width * x, top, title, items)


def matrix_sheet(title: str, lines: Sequence[str], rows: tuple[str, ...], x: float) -> Sheet:
    """One GS1 DataMatrix to scale, its text below it."""
    side = (len(rows) + 2 * QUIET) * x
    items: list[Item] = [Cells(QUIET * x, QUIET * x, x, rows)]
    items += [Text(QUIET * x, side + 4.2 * (n + 1), line, 3.4) for n, line in enumerate(lines)]
    return Sheet(max(side, 80.0), side + 4.2 * len(lines) + 2, title, items)
