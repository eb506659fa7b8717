"""Images of a web: what is found on them, and the order in which they come."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from serialkeeper.errors import Refused

FLIPS = ("none", "rows", "lanes", "both")
"""What runs against the image: rows from bottom to top, lanes from right to left."""

CLOSE = 0.5
"""Part of a symbol's side within which two places are the same place; labels of one lane stand
at least a whole side apart."""


@dataclass(frozen=True, slots=True)
class Symbol:
    """Something on an image that is a DataMatrix symbol, or looks like one.

    Attributes:
        x, y: its middle in pixels, from the image's upper left corner.
        side: length of a side in pixels.
        angle: degrees by which its sides are turned against the image's, -45 to 45.
        text: as results files hold it, with symbology identifier; empty if it was not read.
        agreement: what the two readers say, see `outside.decoding`.
        detail: why it is unread, or what a person should know of it.
        size: modules, such as `22x22`; empty if unknown.
        unused: unused error correction as the reader reports it, 0 to 1; None if it does not.
    """

    x: float
    y: float
    side: float
    angle: float
    text: str
    agreement: str
    detail: str = ""
    size: str = ""
    unused: float | None = None


@dataclass(frozen=True, slots=True)
class Frame:
    """One image: its name, its size in pixels and what was found on it."""

    name: str
    width: int
    height: int
    symbols: tuple[Symbol, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a label stands.

    Attributes:
        frame: the image, by its number in order from 0.
        symbol: what was found there, read or not.
        x, y: its middle once the image's tilt is taken out.
    """

    frame: int
    symbol: Symbol
    x: float
    y: float


@dataclass(slots=True)
class Row:
    """One row of the web: its height on the straightened image, and its places by lane."""

    y: float
    lanes: dict[int, Place] = field(default_factory=dict)


@dataclass(slots=True)
class Arrangement:
    """All labels in the order of the web.

    Attributes:
        rows: in running direction; lanes count from 1.
        lanes: how many there are; 0 where each image shows one label and lanes are not known.
        tilt: degrees by which each image was straightened.
        joined: pairs of successive images whose overlap was proven.
        merged: labels that were seen on two images and count once.
        left_out: unread marks that stand in no lane, or are too small or large for a symbol.
        holes: places to be looked at again: row, lane, and the place to look at.
        notes: what a person should know.
    """

    rows: list[Row]
    lanes: int
    tilt: list[float]
    joined: int = 0
    merged: int = 0
    left_out: int = 0
    holes: list[tuple[int, int, Place]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def places(self) -> Iterator[tuple[int, int, Place]]:
        """Row (from 1), lane and place of every label, in the order of the web."""
        for number, row in enumerate(self.rows, 1):
            for lane in sorted(row.lanes):
                yield number, lane, row.lanes[lane]


def in_order(names: Sequence[str]) -> list[str]:
    """File names in natural order: numbers in them count as numbers.

    Refuses `images_order` where two names differ in nothing that gives an order.

    >>> in_order(["web10.png", "web9.png"])
    ['web9.png', 'web10.png']
    """
    keyed = sorted((_natural(name), name) for name in names)
    for (key, one), (other_key, other) in pairwise(keyed):
        if key == other_key:
            raise Refused(
                "images_order",
                "The names of two images do not tell which comes first.",
                where=f"{one}, {other}",
                expected="a number in each file name, rising along the web",
                came="the same number in both",
                remedy="Rename the images, or keep those of each camera in a folder of its own.",
            )
    return [name for _, name in keyed]


def missing_numbers(names: Sequence[str]) -> list[str]:
    """Pairs of successive names whose last numbers are not successive: images may be missing."""
    found = []
    for one, other in pairwise(names):
        before, after = _natural(one), _natural(other)
        numbers = [
            place
            for place, piece in enumerate(zip(before, after, strict=False))
            if piece[0] != piece[1]
        ]
        if len(numbers) == 1 and len(before) == len(after):
            (_, first, _), (_, last, _) = before[numbers[0]], after[numbers[0]]
            if last > first + 1:
                found.append(f"{one}, {other}")
    return found


def _natural(name: str) -> tuple[tuple[bool, int, str], ...]:
    """Pieces of a name without its ending: numbers before words, numbers as numbers."""
    stem = name.rpartition(".")[0] or name
    return tuple(
        (False, int(piece), "") if piece.isdigit() else (True, 0, piece.casefold())
        for piece in re.findall(r"[0-9]+|[^0-9]+", stem)
    )


def no_grid(message: str, *, where: str, expected: str, came: str, remedy: str) -> Refused:
    """The refusal of images that do not show the web as said."""
    return Refused("images_grid", message, where=where, expected=expected, came=came, remedy=remedy)
