"""The symbol of a logistic label: an SSCC as GS1-128 or as GS1 DataMatrix, and its readable line.

Source: GS1 General Specifications, logistic labels: GS1-128 with X 0.495 to 0.940 mm, bars at
least 31.75 mm high, quiet zones of 10 X; GS1 DataMatrix with X 0.750 to 1.520 mm (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping

from serialkeeper.errors import Refused
from serialkeeper.rules.datamatrix import QUIET
from serialkeeper.rules.figures import Cells, Item, Sheet, Text, box
from serialkeeper.rules.gs1 import check_digit

BARS, MATRIX = "gs1-128", "datamatrix"
X_RANGES: Mapping[str, tuple[float, float]] = {BARS: (0.495, 0.940), MATRIX: (0.750, 1.520)}
"""Millimetres, by carrier."""

BAR_QUIET = 10
_BAR_HEIGHT, _LINE = 31.75, 5.0


def check_sscc(text: str) -> str:
    """An SSCC: 18 digits, the last one its check digit. Refuses `bad_value`."""
    digits = text.isascii() and text.isdigit() and len(text) == 18
    if digits and check_digit(text[:-1]) == text[-1]:
        return text
    raise Refused(
        "bad_value",
        "This is no SSCC.",
        expected=f"check digit {check_digit(text[:-1])}" if digits else "18 digits",
        came=text,
        remedy="Correct the number.",
    )


def check_x(carrier: str, x: float) -> float:
    """The X-dimension, the smallest allowed where none is given. Refuses `bad_value`."""
    if carrier in X_RANGES:
        least, most = X_RANGES[carrier]
        if not x or least <= x <= most:
            return x or least
    raise Refused(
        "bad_value",
        "There is no such carrier, or its X-dimension is not allowed.",
        expected="; ".join(f"{name}: X {a:.3f} to {b:.3f} mm" for name, (a, b) in X_RANGES.items()),
        came=f"{carrier}, X {x:.3f} mm",
        remedy="Correct it.",
    )


def bars_sheet(sscc: str, bars: str, x: float) -> Sheet:
    """GS1-128 to scale, with its quiet zones and the readable line below."""
    width = (len(bars) + 2 * BAR_QUIET) * x
    items: list[Item] = []
    start = 0
    for place in range(1, len(bars) + 1):
        if place == len(bars) or bars[place] != bars[start]:
            if bars[start] == "1":
                left, wide = (start + BAR_QUIET) * x, (place - start) * x
                items.append(box(left, 1, wide, _BAR_HEIGHT, fill="#000000"))
            start = place
    items.append(Text(width / 2, _BAR_HEIGHT + 5.2, f"(00) {sscc}", 4, "middle"))
    return Sheet(width, _BAR_HEIGHT + 1 + _LINE + 1, f"SSCC {sscc}", items)


def matrix_sheet(sscc: str, rows: tuple[str, ...], x: float) -> Sheet:
    """GS1 DataMatrix to scale, with its quiet zone and the readable line below."""
    side = (len(rows) + 2 * QUIET) * x
    width = max(side, 60.0)
    items: list[Item] = [
        Cells((width - side) / 2 + QUIET * x, QUIET * x, x, rows),
        Text(width / 2, side + 3.8, f"(00) {sscc}", 3.6, "middle"),
    ]
    return Sheet(width, side + _LINE, f"SSCC {sscc}", items)
