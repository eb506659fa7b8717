"""The symbols of images in the order of the web: rows along it, lanes across it.

On each image, symbols are clustered to rows and lanes. An unread label becomes a reading only
where the grid proves it: something like a symbol stands in a lane, or a lane has nothing in a row
that others show, between two labels of its own.

Source: none; the clustering is ours. A web runs along the image's height (common practice, no
source).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import cos, radians, sin
from statistics import median

from serialkeeper.errors import Refused
from serialkeeper.rules.frames import CLOSE, Arrangement, Frame, Place, Row, Symbol, no_grid
from serialkeeper.rules.overlaps import join

ALIKE = (0.6, 1.6)
"""How much smaller or larger than the usual symbol something unread may be to count as one."""


def arrange(
    frames: Sequence[Frame],
    *,
    lanes: int | None = None,
    flip: str = "none",
    overlap: float = 0.0,
) -> Arrangement:
    """Put the symbols of images into the order of the web.

    Args:
        frames: the images in order.
        lanes: lanes across the web; None takes as many as are found.
        flip: one of `FLIPS`.
        overlap: part of an image's height that the next image shows again, 0 to below 1.

    Refuses `images_grid` where the symbols do not stand in rows and lanes as said, and
    `images_empty` where no symbol was read.
    """
    read = [symbol for frame in frames for symbol in frame.symbols if symbol.text]
    if not read:
        raise Refused(
            "images_empty",
            "No symbol was read on any image.",
            where=f"{frames[0].name} to {frames[-1].name}",
            expected="at least one DataMatrix symbol that reads",
            came=f"images without: {len(frames):,}",
            remedy="Check that they are the right images, sharp and at least 3 pixels a module.",
        )
    side = median(symbol.side for symbol in read)
    if lanes in (None, 1) and not overlap and all(_read_on(frame) <= 1 for frame in frames):
        return _one_label_each(frames, side)
    return _Web(frames, side, flip, overlap).arrange(lanes)


def _read_on(frame: Frame) -> int:
    return sum(bool(symbol.text) for symbol in frame.symbols)


def looks_like(symbol: Symbol, side: float) -> bool:
    """Whether something unread is as large as a symbol of that side."""
    return ALIKE[0] * side <= symbol.side <= ALIKE[1] * side


def _one_label_each(frames: Sequence[Frame], side: float) -> Arrangement:
    """Each image is one label: an image without a reading is an unread label."""
    made = Arrangement([], 0, [0.0] * len(frames))
    for number, frame in enumerate(frames):
        marks = [one for one in frame.symbols if not one.text and looks_like(one, side)]
        found = [one for one in frame.symbols if one.text] or marks[:1]
        made.left_out += len(frame.symbols) - len(found)
        symbol = found[0] if found else _nothing(frame.width / 2, frame.height / 2, side, 0.0)
        made.rows.append(Row(symbol.y, {1: Place(number, symbol, symbol.x, symbol.y)}))
        if not symbol.text:
            made.holes.append((number, 1, made.rows[-1].lanes[1]))
    made.notes.append("each image shows one label; lanes are not known")
    return made


def _nothing(x: float, y: float, side: float, angle: float) -> Symbol:
    return Symbol(x, y, side, angle, "", "none", "no symbol was found at its place")


class _Web:
    """Images that show several labels of a web."""

    def __init__(self, frames: Sequence[Frame], side: float, flip: str, overlap: float) -> None:
        self.frames, self.side, self.overlap = frames, side, overlap
        self.up, self.from_right = flip in ("rows", "both"), flip in ("lanes", "both")
        everywhere = median(one.angle for frame in frames for one in frame.symbols if one.text)
        self.tilt = [_tilt(frame, everywhere) for frame in frames]
        self.found = [
            [self._place(number, one) for one in frame.symbols]
            for number, frame in enumerate(frames)
        ]
        self.lanes: list[tuple[float, float]] = []

    def arrange(self, lanes: int | None) -> Arrangement:
        """All of it: lanes over all images, rows of each, overlaps, holes."""
        self._find_lanes(lanes)
        made = Arrangement([], len(self.lanes), [round(tilt, 2) for tilt in self.tilt])
        by_frame = [self._rows_of(number, made) for number in range(len(self.frames))]
        join(by_frame, self.frames, self.side, made, overlap=self.overlap, up=self.up)
        self._find_holes(made)
        return made

    def _place(self, number: int, one: Symbol) -> Place:
        return Place(number, one, *self._turned(number, one.x, one.y, -self.tilt[number]))

    def _turned(self, number: int, x: float, y: float, angle: float) -> tuple[float, float]:
        """A place on an image once the image is turned around its middle."""
        frame, turn = self.frames[number], radians(angle)
        dx, dy = x - frame.width / 2, y - frame.height / 2
        return (
            frame.width / 2 + dx * cos(turn) - dy * sin(turn),
            frame.height / 2 + dx * sin(turn) + dy * cos(turn),
        )

    def _find_lanes(self, lanes: int | None) -> None:
        across = sorted(place.x for found in self.found for place in found if place.symbol.text)
        groups = _clusters(across, CLOSE * self.side)
        if lanes is not None and len(groups) != lanes:
            middles = ", ".join(f"{median(group):.0f}" for group in groups)
            raise no_grid(
                "The symbols do not stand in that many lanes.",
                where=f"{self.frames[0].name} to {self.frames[-1].name}",
                expected=f"lanes: {lanes}",
                came=f"{len(groups)}, with their middles at {middles} pixels",
                remedy="Check --lanes and that all images show the same web, running downwards.",
            )
        self.lanes = [(group[0], group[-1]) for group in groups]
        if self.from_right:
            self.lanes.reverse()

    def _lane_at(self, x: float) -> int:
        """The nearest lane, 0 where none is near."""
        apart = [max(low - x, x - high, 0) for low, high in self.lanes]
        return apart.index(min(apart)) + 1 if min(apart) <= CLOSE * self.side else 0

    def _rows_of(self, number: int, made: Arrangement) -> list[Row]:
        """The rows of one image in running direction; marks only where the grid has a place."""
        rows: list[Row] = []
        lowest = 0.0
        for place in sorted(self.found[number], key=lambda place: place.y):
            if not place.symbol.text:
                continue
            if not rows or place.y - lowest > CLOSE * self.side:
                rows.append(Row(place.y))
            row, lane, lowest = rows[-1], self._lane_at(place.x), place.y
            if lane in row.lanes:
                raise self._two_in_one(place, row.lanes[lane])
            row.lanes[lane] = place
            row.y = median(place.y for place in row.lanes.values())
        for place in self.found[number]:
            if not place.symbol.text and not self._add_mark(rows, place):
                made.left_out += 1
        rows.sort(key=lambda row: row.y, reverse=self.up)
        return rows

    def _two_in_one(self, place: Place, other: Place) -> Refused:
        one = place.symbol
        return no_grid(
            "Two symbols stand in one row of one lane.",
            where=f"{self.frames[place.frame].name}, about x {one.x:.0f}, y {one.y:.0f}",
            expected="one symbol to a label, rows at least one symbol apart",
            came=f"{other.symbol.text}, {one.text}",
            remedy="Crop the images to one code a label, or straighten them.",
        )

    def _add_mark(self, rows: list[Row], place: Place) -> bool:
        """Give an unread mark its place; False where it can be none."""
        lane, one = self._lane_at(place.x), place.symbol
        if not (lane and looks_like(one, self.side) and self._whole(place.frame, one.x, one.y)):
            return False
        for row in rows:
            if abs(row.y - place.y) <= CLOSE * self.side:
                return row.lanes.setdefault(lane, place) is place
            if abs(row.y - place.y) < self.side:
                return False
        rows.append(Row(place.y, {lane: place}))
        return True

    def _find_holes(self, made: Arrangement) -> None:
        """Places to look at again: unread marks, and gaps of a lane in rows that others show."""
        for lane in range(1, made.lanes + 1):
            there = [number for number, row in enumerate(made.rows) if lane in row.lanes]
            for number in range(there[0], there[-1] + 1):
                row = made.rows[number]
                place = row.lanes.get(lane) or self._empty_place(row, lane)
                if place is not None and not place.symbol.text:
                    row.lanes[lane] = place
                    made.holes.append((number, lane, place))

    def _empty_place(self, row: Row, lane: int) -> Place | None:
        """Where a label of that lane should stand; None unless it lies on an image whole."""
        shown = [place for place in row.lanes.values() if place.symbol.text]
        for number in dict.fromkeys(place.frame for place in shown):
            y = median(place.y for place in shown if place.frame == number)
            at = self._turned(number, self._middle(number, lane), y, self.tilt[number])
            if self._whole(number, *at):
                return self._place(number, _nothing(*at, self.side, self.tilt[number]))
        return None

    def _middle(self, number: int, lane: int) -> float:
        """Where a lane runs on one image; where it shows nothing there, where it usually runs."""
        here = [
            place.x
            for place in self.found[number]
            if place.symbol.text and self._lane_at(place.x) == lane
        ]
        return median(here) if here else sum(self.lanes[lane - 1]) / 2

    def _whole(self, number: int, x: float, y: float) -> bool:
        """Whether a symbol in this place of an image lies on it whole."""
        frame, reach = self.frames[number], self.side / 2
        return reach <= x <= frame.width - reach and reach <= y <= frame.height - reach


def _tilt(frame: Frame, otherwise: float) -> float:
    """Degrees by which the image is turned, from its symbols' sides."""
    angles = [one.angle for one in frame.symbols if one.text]
    return median(angles) if len(angles) >= 3 else otherwise


def _clusters(values: list[float], gap: float) -> list[list[float]]:
    """Ascending values in groups with more than `gap` between them."""
    groups = [values[:1]]
    for before, value in pairwise(values):
        if value - before > gap:
            groups.append([])
        groups[-1].append(value)
    return groups
