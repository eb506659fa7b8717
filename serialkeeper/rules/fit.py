"""Whether a symbol fits: into its space, with its quiet zone, at an X-dimension that is allowed.

Source: GS1 General Specifications, symbol specification tables 6 (healthcare items, not in
general distribution), 8 (general distribution) and 10 (retail pharmacy), and the quiet zone of
1 X; tables 8 and 10 from memory. Editions differ (later ones allow 0.990 mm in table 6, from
memory): what holds for a product is said by the edition that its partners agreed on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.datamatrix import QUIET, SIZES, Size


@dataclass(frozen=True, slots=True)
class Specification:
    """One row of the GS1 tables for GS1 DataMatrix; X-dimensions in micrometres.

    Attributes:
        use: for what.
        least, target, most: the X-dimension.
        aperture: of the verifier, in thousandths of an inch.
        light: its wavelength in nanometres.
        basis: where the figures come from.
    """

    use: str
    least: int
    target: int
    most: int
    aperture: str
    light: str
    basis: str


SPECIFICATIONS: Mapping[str, Specification] = {
    "healthcare": Specification(
        "healthcare items, not in general distribution", 254, 380, 495, "08", "660", "table 6"
    ),
    "pharmacy": Specification(
        "retail pharmacy items", 396, 495, 990, "08", "660", "table 10, from memory"
    ),
    "distribution": Specification(
        "items in general distribution", 750, 750, 1520, "20", "660", "table 8, from memory"
    ),
}
"""GS1 DataMatrix by use; the first is the default."""

DEFAULT_USE = "healthcare"


def check_use(use: str) -> None:
    """Refuses `bad_value` for a use that there is not."""
    if use not in SPECIFICATIONS:
        raise Refused(
            "bad_value",
            "There is no such use.",
            expected=", ".join(SPECIFICATIONS),
            came=use,
            remedy="Name one of these.",
        )


def verifier_minimum(grade: int, use: str = DEFAULT_USE) -> str:
    """What a verifier has to find at least: grade/aperture/light, such as `1.5/08/660`.

    Args:
        grade: in tenths.
    """
    row = SPECIFICATIONS[use]
    return f"{grade / 10:.1f}/{row.aperture}/{row.light}"


def check_fit(
    size: Size, module: int, space: tuple[int, int], codewords: int, use: str = DEFAULT_USE
) -> dict[str, Any]:
    """Whether a symbol fits, with the arithmetic and what would fit.

    Args:
        size: the symbol.
        module: X-dimension in micrometres.
        space: width and height in micrometres; zeros where it is not known.
        codewords: what the lot's longest code needs.
        use: a key of `SPECIFICATIONS`.

    Returns:
        fits: true, false, or null where no space is given; in_range: whether X is allowed;
        needs, space: millimetres; arithmetic: sentences; would_fit: other ways, best first.
    """
    row = SPECIFICATIONS[use]
    wide, high = needs(size, module)
    known = all(space)
    fits = (wide <= space[0] and high <= space[1]) if known else None
    in_range = row.least <= module <= row.most
    return {
        "fits": fits,
        "in_range": in_range,
        "size": size.name,
        "x": _mm(module),
        "needs": [_mm(wide), _mm(high)],
        "space": [_mm(side) for side in space] if known else None,
        "use": use,
        "arithmetic": [
            _sum(size.columns, module, wide, space[0], "across", known=known),
            _sum(size.rows, module, high, space[1], "down", known=known),
            f"X {_mm(module):.3f} mm is {'inside' if in_range else 'outside'} "
            f"{_mm(row.least):.3f} to {_mm(row.most):.3f} mm for {row.use} "
            f"(GS1 General Specifications, {row.basis}).",
        ],
        "would_fit": [] if not known or (fits and in_range) else ways(codewords, space, use),
    }


def refuse_if_too_large(found: Mapping[str, Any], where: str) -> None:
    """Refuses `symbol_too_large` where `check_fit` said no, and says what would fit."""
    if found["fits"] is not False:
        return
    ways = [f"{one['size']} with X up to {one['x_up_to']:.3f} mm" for one in found["would_fit"]]
    raise Refused(
        "symbol_too_large",
        "The symbol does not fit into its space on the label.",
        where=where,
        expected=f"at most {found['space'][0]:.2f} x {found['space'][1]:.2f} mm",
        came=f"{found['needs'][0]:.2f} x {found['needs'][1]:.2f} mm: "
        + " ".join(found["arithmetic"][:2]),
        remedy=f"Set another layout (product layout). What fits: {'; '.join(ways)}."
        if ways
        else "Nothing fits at an allowed X: give more space, or shorten numbers or lot.",
    )


def needs(size: Size, module: int) -> tuple[int, int]:
    """Width and height in micrometres of a symbol with its quiet zone."""
    return (size.columns + 2 * QUIET) * module, (size.rows + 2 * QUIET) * module


def ways(codewords: int, space: tuple[int, int], use: str) -> list[dict[str, Any]]:
    """Sizes that hold the code and fit the space at an allowed X, the largest X first."""
    row = SPECIFICATIONS[use]
    found: list[dict[str, Any]] = []
    for size in SIZES:
        if size.data >= codewords:
            across, down = size.columns + 2 * QUIET, size.rows + 2 * QUIET
            most = min(space[0] // across, space[1] // down, row.most)
            if most >= row.least:
                found.append({"size": size.name, "x_up_to": _mm(most)})
    return sorted(found, key=lambda one: -one["x_up_to"])[:4]


def _sum(count: int, module: int, needed: int, space: int, way: str, *, known: bool) -> str:
    text = f"{way}: ({count} + 2 x {QUIET}) modules x {_mm(module):.3f} mm = {_mm(needed):.2f} mm"
    if not known:
        return f"{text}; no space is given."
    verdict = "fits" if needed <= space else f"{_mm(needed - space):.2f} mm too much"
    return f"{text} of {_mm(space):.2f} mm: {verdict}."


def _mm(value: int) -> float:
    return value / 1000
