"""A product's label layout: its symbol, the space for it, and its human-readable lines.

Read from a small TOML file, kept with the product, and frozen in each lot, so that all labels of
a lot have one size of symbol and the same lines.

    lines = ["GTIN {gtin}", "SN {serial}", "LOT {lot}", "EXP {expiry:YYYY-MM-DD}"]
    national = "5212-343-21"

    [symbol]
    shape = "square"
    x = 0.38
    space = [14.0, 14.0]
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

import orjson

from serialkeeper.errors import Refused
from serialkeeper.rules import datamatrix, gs1, readable
from serialkeeper.rules.datamatrix import SHAPES, SQUARE, Size
from serialkeeper.rules.imported import LENGTHS

DEFAULT_MODULE = 380
"""Micrometres: the target X-dimension of GS1 DataMatrix on healthcare items (rules.fit)."""

LONGEST_FILE = 10_000
_KEYS = {"lines", "national", "symbol"}
_SYMBOL_KEYS = {"shape", "size", "x", "space", "longest", "extras"}


@dataclass(frozen=True, slots=True)
class Layout:
    """How a label looks, as far as its code goes.

    Attributes:
        shape: `square` or `rectangle`.
        size: a size of ISO/IEC 16022; empty for the smallest that holds the longest code.
        module: the X-dimension in micrometres.
        space: width and height in micrometres of the place for symbol and quiet zone; zeros
            where it is not known.
        longest: characters of the longest number a lot may have; 0 for the product's own.
        extras: identifiers printed with imported numbers, and the longest value of each.
        lines: the human-readable lines, as in `rules.readable`.
        national: a national number of the product, or empty.
    """

    shape: str = SQUARE
    size: str = ""
    module: int = DEFAULT_MODULE
    space: tuple[int, int] = (0, 0)
    longest: int = 0
    extras: tuple[tuple[str, int], ...] = ()
    lines: tuple[str, ...] = readable.DEFAULT_LINES
    national: str = ""

    def data(self) -> dict[str, Any]:
        """As it stands in the journal and in the tables."""
        return {
            "shape": self.shape,
            "size": self.size,
            "module": self.module,
            "space": list(self.space),
            "longest": self.longest,
            "extras": [list(extra) for extra in self.extras],
            "lines": list(self.lines),
            "national": self.national,
        }

    def shown(self, code: gs1.LabelCode) -> tuple[str, ...]:
        """The human-readable lines of a label."""
        return readable.shown(code, self.lines, self.national)


DEFAULT = Layout()


def layout_of(text: str) -> Layout:
    """A layout as a table keeps it; an empty text is the default."""
    if not text:
        return DEFAULT
    data = orjson.loads(text)
    data["extras"] = tuple((ai, longest) for ai, longest in data["extras"])
    return Layout(**{**data, "space": tuple(data["space"]), "lines": tuple(data["lines"])})


def read_layout(text: str, where: str) -> Layout:
    """A layout file.

    Args:
        text: TOML.
        where: the file, for refusals.

    Refuses `layout_invalid` with the key.
    """
    try:
        told = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise _refused("This is no TOML.", where, "TOML", str(error)) from None
    symbol = told.get("symbol", {})
    if not isinstance(symbol, dict):
        raise _refused("'symbol' is no table.", where, "[symbol]", str(symbol))
    for key in (*sorted(set(told) - _KEYS), *sorted(set(symbol) - _SYMBOL_KEYS)):
        raise _refused(
            "The layout holds a key that nobody reads.",
            where,
            f"{', '.join(sorted(_KEYS))}; in [symbol] {', '.join(sorted(_SYMBOL_KEYS))}",
            key,
        )
    national = _national(told.get("national", ""), where)
    lines = told.get("lines", list(readable.DEFAULT_LINES))
    if not (isinstance(lines, list) and all(isinstance(line, str) for line in lines)):
        raise _refused("'lines' is no list of texts.", where, 'lines = ["SN {serial}"]', str(lines))
    made = _symbol(symbol, where)
    return Layout(**made, lines=readable.check_lines(lines, national), national=national)


def _national(value: Any, where: str) -> str:
    if isinstance(value, str) and len(value) <= 20 and set(value) <= gs1.SET_82:
        return value
    raise _refused(
        "The national number is none.", where, "a text of up to 20 characters", str(value)
    )


def _symbol(told: dict[str, Any], where: str) -> dict[str, Any]:
    shape, size = told.get("shape", SQUARE), told.get("size", "")
    if shape not in SHAPES:
        raise _refused("The symbol has no such shape.", where, " or ".join(SHAPES), str(shape))
    if not isinstance(size, str):
        raise _refused("'size' is no text.", where, 'size = "26x26"', str(size))
    if size:
        named = datamatrix.size_named(size)
        if "shape" in told and named.shape != shape:
            raise _refused("Size and shape contradict each other.", where, shape, size)
        shape = named.shape
    space = told.get("space", [0, 0])
    if not (isinstance(space, list) and len(space) == 2):
        raise _refused("'space' is not width and height.", where, "space = [14.0, 14.0]", "")
    longest = told.get("longest", 0)
    if type(longest) is not int or not 0 <= longest <= 20:
        raise _refused("'longest' is no length.", where, "1 to 20 characters", str(longest))
    return {
        "shape": shape,
        "size": size,
        "module": microns(told.get("x", DEFAULT_MODULE / 1000), 0.05, 5, "x", where),
        "space": tuple(microns(side, 0, 1_000, "space", where) for side in space),
        "longest": longest,
        "extras": tuple(_extras(told.get("extras", {}), where)),
    }


def _extras(told: Any, where: str) -> Iterator[tuple[str, int]]:
    """The longest value of each identifier that is printed with imported numbers."""
    for ai, longest in told.items() if isinstance(told, dict) else [("", told)]:
        if ai not in LENGTHS or type(longest) is not int or not 1 <= longest <= LENGTHS[ai]:
            raise _refused(
                "'extras' does not name identifiers with their longest values.",
                where,
                'extras = { "91" = 4, "92" = 44 }',
                f"{ai} = {longest}",
            )
        yield ai, longest


def microns(value: Any, least: float, most: float, name: str, where: str) -> int:
    """Millimetres as whole micrometres. Refuses `layout_invalid`."""
    if isinstance(value, int | float) and not isinstance(value, bool) and least <= value <= most:
        return round(value * 1000)
    raise _refused(
        f"'{name}' is out of its range.", where, f"{least} to {most} millimetres", str(value)
    )


def _refused(message: str, where: str, expected: str, came: str) -> Refused:
    return Refused(
        "layout_invalid",
        message,
        where=where,
        expected=expected,
        came=came,
        remedy="Correct the layout.",
    )


def longest_code(
    layout: Layout, gtin: str, lot: str, expiry: date, order: tuple[str, ...], serial_length: int
) -> int:
    """Codewords of the longest code that a lot can have.

    No number of so many characters needs more codewords than one of letters only, because two
    digits can share a codeword and nothing else can.
    """
    longest = "A" * (layout.longest or serial_length)
    text = gs1.element_string(gs1.LabelCode(gtin, longest, expiry, lot), order)
    extras = [ai + "A" * length for ai, length in layout.extras]
    if extras:
        text = gs1.ElementString(gs1.GS.join([text, *extras]))
    return int(datamatrix.encode([text])[1][0])


def size_of(layout: Layout, codewords: int) -> Size:
    """The one size of a lot's symbols. Refuses `symbol_too_small`."""
    if layout.size:
        size = datamatrix.size_named(layout.size)
        if size.data < codewords:
            raise datamatrix.too_small(codewords, size)
        return size
    size_found = datamatrix.smallest(codewords, layout.shape)
    if size_found is None:
        largest = [size for size in datamatrix.SIZES if size.shape == layout.shape][-1]
        raise datamatrix.too_small(codewords, largest)
    return size_found
