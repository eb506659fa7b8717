"""DataMatrix symbols (ECC 200) from GS1 element strings, many at a time.

    element string -> codewords -> with pads and error correction -> dark and light modules

ASCII encodation only: two digits share a codeword, every other character has its own, FNC1 is
232. So the size that a code needs is counted easily, does not depend on a library's cleverness,
and can be fixed for a lot from its longest number. The optional denser encodations are never
used, and never a size outside ISO/IEC 16022 (no rectangular extensions).

Why not a library: writers that know FNC1 make one symbol a call and choose sizes themselves;
here ten thousand symbols are a few array operations. The tests hold every step against zint,
libdmtx and zxing-cpp, codeword by codeword and module by module.

Source: ISO/IEC 16022, table 7 (sizes), 5.2.3 (ASCII encodation), annexes B.1 (pads), E
(Reed-Solomon, field polynomial 301) and F (placement of modules); section numbers from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.gs1 import GS, ElementString

FNC1, PAD = 232, 129
"""Codewords: function character 1, and the first pad."""

SQUARE, RECTANGLE = "square", "rectangle"
SHAPES = (SQUARE, RECTANGLE)

QUIET = 1
"""Modules of blank space on each side (ISO/IEC 16022; GS1 General Specifications)."""


@dataclass(frozen=True, slots=True)
class Size:
    """One size of symbol.

    Attributes:
        rows, columns: modules, finder pattern included.
        data, check: codewords that carry data and that correct errors.
        blocks: Reed-Solomon blocks, interleaved.
        down, across: data regions, each with a finder pattern of its own.
    """

    rows: int
    columns: int
    data: int
    check: int
    blocks: int
    down: int
    across: int

    @property
    def name(self) -> str:
        """Rows x columns, such as `22x22`."""
        return f"{self.rows}x{self.columns}"

    @property
    def shape(self) -> str:
        """`square` or `rectangle`."""
        return SQUARE if self.rows == self.columns else RECTANGLE


SIZES = tuple(
    Size(*one)
    for one in (
        (10, 10, 3, 5, 1, 1, 1),
        (12, 12, 5, 7, 1, 1, 1),
        (14, 14, 8, 10, 1, 1, 1),
        (16, 16, 12, 12, 1, 1, 1),
        (18, 18, 18, 14, 1, 1, 1),
        (20, 20, 22, 18, 1, 1, 1),
        (22, 22, 30, 20, 1, 1, 1),
        (24, 24, 36, 24, 1, 1, 1),
        (26, 26, 44, 28, 1, 1, 1),
        (32, 32, 62, 36, 1, 2, 2),
        (36, 36, 86, 42, 1, 2, 2),
        (40, 40, 114, 48, 1, 2, 2),
        (44, 44, 144, 56, 1, 2, 2),
        (48, 48, 174, 68, 1, 2, 2),
        (52, 52, 204, 84, 2, 2, 2),
        (64, 64, 280, 112, 2, 4, 4),
        (72, 72, 368, 144, 4, 4, 4),
        (80, 80, 456, 192, 4, 4, 4),
        (88, 88, 576, 224, 4, 4, 4),
        (96, 96, 696, 272, 4, 4, 4),
        (104, 104, 816, 336, 6, 4, 4),
        (120, 120, 1050, 408, 6, 6, 6),
        (132, 132, 1304, 496, 8, 6, 6),
        (144, 144, 1558, 620, 10, 6, 6),
        (8, 18, 5, 7, 1, 1, 1),
        (8, 32, 10, 11, 1, 1, 2),
        (12, 26, 16, 14, 1, 1, 1),
        (12, 36, 22, 18, 1, 1, 2),
        (16, 36, 32, 24, 1, 1, 2),
        (16, 48, 49, 28, 1, 1, 2),
    )
)
"""The sizes of ISO/IEC 16022, table 7; squares by size, then rectangles by size."""


def size_named(name: str) -> Size:
    """The size of that name. Refuses `bad_value`: there are 30, and no extensions of them."""
    for size in SIZES:
        if size.name == name:
            return size
    raise Refused(
        "bad_value",
        "DataMatrix has no such size.",
        expected=f"one of {', '.join(size.name for size in SIZES)}",
        came=name,
        remedy="Name a size of ISO/IEC 16022; rectangular extensions are not GS1 DataMatrix.",
    )


def smallest(codewords: int, shape: str) -> Size | None:
    """The smallest size of a shape that holds so many codewords; None if none does."""
    return next((one for one in SIZES if one.shape == shape and one.data >= codewords), None)


def encode(codes: Sequence[ElementString]) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Element strings as codewords: FNC1 in first place and for every separator.

    Args:
        codes: of set 82 and GS.

    Returns:
        codewords, one row a code, 0 behind its end; and how many each row has.
    """
    text = np.array([GS + code for code in codes], dtype=np.bytes_)
    signs = text.view(np.uint8).reshape(len(codes), -1) if len(codes) else np.zeros((0, 1), "u1")
    digit = (signs >= ord("0")) & (signs <= ord("9"))
    words = signs + 1
    words[signs == ord(GS)] = FNC1
    kept = signs > 0
    taken = np.zeros(len(codes), dtype=np.bool_)
    for place in range(signs.shape[1] - 1):
        pair = digit[:, place] & digit[:, place + 1] & ~taken
        value = (signs[:, place] - 48) * np.uint8(10) + (signs[:, place + 1] - 48)
        words[pair, place] = value[pair] + np.uint8(130)
        kept[:, place + 1] &= ~pair
        taken = pair
    order = np.argsort(~kept, axis=1, kind="stable")
    count = kept.sum(axis=1)
    packed = np.take_along_axis(words, order, axis=1)
    packed[np.arange(packed.shape[1]) >= count[:, None]] = 0
    return packed[:, : int(count.max(initial=1))], count


def fill(words: NDArray[np.uint8], count: NDArray[np.int64], size: Size) -> NDArray[np.uint8]:
    """Codewords of `encode` with pads, as many as the size holds.

    Refuses `symbol_too_small` where a code needs more.
    """
    most = int(count.max(initial=0))
    if most > size.data:
        raise too_small(most, size)
    places = np.arange(1, size.data + 1)
    value = PAD + (149 * places) % 253 + 1
    pads = np.where(value > 254, value - 254, value).astype(np.uint8)
    filled = np.tile(pads, (len(words), 1))
    inside = places <= count[:, None]
    width = min(words.shape[1], size.data)
    filled[:, :width] = np.where(inside[:, :width], words[:, :width], filled[:, :width])
    filled[np.where(places == count[:, None] + 1)] = PAD
    return filled


def too_small(codewords: int, size: Size) -> Refused:
    """The refusal of a code that is longer than the symbol holds."""
    larger = smallest(codewords, size.shape)
    return Refused(
        "symbol_too_small",
        f"The code needs {codewords} codewords, a {size.name} symbol holds {size.data}.",
        expected=f"at most {size.data} codewords",
        came=f"{codewords} codewords",
        remedy=f"A {larger.name} symbol holds it."
        if larger
        else "No symbol of that shape holds it: shorten the number or the lot, or take squares.",
    )


def modules(filled: NDArray[np.uint8], size: Size) -> NDArray[np.bool_]:
    """Dark modules of each symbol, symbols x rows x columns, without quiet zone.

    Args:
        filled: one row of `size.data` codewords per symbol.
    """
    whole = np.concatenate([filled, _check_words(filled, size)], axis=1)
    bits = np.unpackbits(whole, axis=1)
    always = np.array([[0, 1]], dtype=np.uint8).repeat(len(bits), axis=0)
    bits = np.concatenate([bits, always], axis=1)
    return bits[:, _places(size)].astype(np.bool_)


def draw(codes: Sequence[ElementString], size: Size) -> NDArray[np.bool_]:
    """Symbols of element strings, all of one size. Refuses `symbol_too_small`."""
    return modules(fill(*encode(codes), size), size)


# Reed-Solomon over the field of 256 elements


@cache
def _powers() -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Powers of 2 in the field, twice over, and their logarithms."""
    power, log = np.zeros(510, dtype=np.uint8), np.zeros(256, dtype=np.int64)
    value = 1
    for exponent in range(255):
        power[exponent] = power[exponent + 255] = value
        log[value] = exponent
        value <<= 1
        if value > 255:
            value ^= 301
    return power, log


def _times(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> NDArray[np.uint8]:
    power, log = _powers()
    made = power[log[one] + log[other]]
    return np.where((one == 0) | (other == 0), np.uint8(0), made).astype(np.uint8)


@cache
def _feedback(check: int) -> NDArray[np.uint8]:
    """What each value does to the check words, 256 x check: value times generator polynomial."""
    power, _ = _powers()
    polynomial = np.array([1], dtype=np.uint8)
    for root in range(1, check + 1):
        more = _times(polynomial, np.array([power[root]]))
        polynomial = np.append(polynomial, np.uint8(0))
        polynomial[1:] ^= more
    return _times(np.arange(256, dtype=np.uint8)[:, None], polynomial[None, 1:])


def _check_words(filled: NDArray[np.uint8], size: Size) -> NDArray[np.uint8]:
    """The error correction words, interleaved as the symbol carries them."""
    each = size.check // size.blocks
    table = _feedback(each)
    made = np.zeros((len(filled), size.check), dtype=np.uint8)
    for block in range(size.blocks):
        rest = np.zeros((len(filled), each), dtype=np.uint8)
        for place in range(block, size.data, size.blocks):
            step = table[filled[:, place] ^ rest[:, 0]]
            rest[:, :-1] = rest[:, 1:]
            rest[:, -1] = 0
            rest ^= step
        made[:, block :: size.blocks] = rest
    return made


# Placement of the modules


@cache
def _places(size: Size) -> NDArray[np.int64]:
    """For every module the bit it shows; the two behind the last are always light and dark."""
    dark = (size.data + size.check) * 8 + 1
    light = dark - 1
    mapping = _mapping(size.rows - 2 * size.down, size.columns - 2 * size.across)
    mapping = np.where(mapping < 0, np.where(mapping == _DARK, dark, light), mapping)
    height, width = mapping.shape[0] // size.down, mapping.shape[1] // size.across
    whole = np.full((size.rows, size.columns), light, dtype=np.int64)
    for down, across in product(range(size.down), range(size.across)):
        top, left = down * (height + 2), across * (width + 2)
        region = whole[top : top + height + 2, left : left + width + 2]
        region[0, ::2] = dark
        region[1::2, -1] = dark
        region[:, 0] = region[-1, :] = dark
        region[1:-1, 1:-1] = mapping[
            down * height : (down + 1) * height, across * width : (across + 1) * width
        ]
    return whole


_LIGHT, _DARK = -1, -2
_UTAH = ((-2, -2), (-2, -1), (-1, -2), (-1, -1), (-1, 0), (0, -2), (0, -1), (0, 0))
"""Where the eight bits of a codeword lie from the place of the last."""


def _corners(rows: int, columns: int) -> dict[str, tuple[tuple[int, int], ...]]:
    """The four shapes that codewords take at the corners, each with its places."""
    low, right = rows - 1, columns - 1
    top = ((0, right - 1), (0, right), (1, right), (2, right), (3, right))
    return {
        "first": ((low, 0), (low, 1), (low, 2), *top),
        "second": ((low - 2, 0), (low - 1, 0), (low, 0), (0, right - 3), (0, right - 2), *top[:3]),
        "third": ((low - 2, 0), (low - 1, 0), (low, 0), *top),
        "fourth": (
            *((low, 0), (low, right), (0, right - 2), (0, right - 1), (0, right)),
            *((1, right - 2), (1, right - 1), (1, right)),
        ),
    }


def _mapping(rows: int, columns: int) -> NDArray[np.int64]:
    """The bit at each place of the data region: codewords run up and down in diagonals."""
    grid = np.full((rows, columns), _LIGHT, dtype=np.int64)
    free = np.ones((rows, columns), dtype=np.bool_)
    corners = _corners(rows, columns)
    count = 0

    def put(places: Sequence[tuple[int, int]]) -> None:
        nonlocal count
        for bit, (row, column) in enumerate(places):
            grid[row, column] = count * 8 + bit
            free[row, column] = False
        count += 1

    def put_utah(row: int, column: int) -> None:
        put([_wrapped(row + down, column + across, rows, columns) for down, across in _UTAH])

    row, column = 4, 0
    while row < rows or column < columns:
        if row == rows and column == 0:
            put(corners["first"])
        if row == rows - 2 and column == 0 and columns % 4:
            put(corners["second"])
        if row == rows - 2 and column == 0 and columns % 8 == 4:
            put(corners["third"])
        if row == rows + 4 and column == 2 and not columns % 8:
            put(corners["fourth"])
        while True:
            if row < rows and column >= 0 and free[row, column]:
                put_utah(row, column)
            row, column = row - 2, column + 2
            if row < 0 or column >= columns:
                break
        row, column = row + 1, column + 3
        while True:
            if row >= 0 and column < columns and free[row, column]:
                put_utah(row, column)
            row, column = row + 2, column - 2
            if row >= rows or column < 0:
                break
        row, column = row + 3, column + 1
    if free[-1, -1]:
        grid[-1, -1] = grid[-2, -2] = _DARK
    return grid


def _wrapped(row: int, column: int, rows: int, columns: int) -> tuple[int, int]:
    """A place that lies beyond an edge comes in on the other side."""
    if row < 0:
        row, column = row + rows, column + 4 - (rows + 4) % 8
    if column < 0:
        row, column = row + 4 - (columns + 4) % 8, column + columns
    return row, column
