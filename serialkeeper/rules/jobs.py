"""Where the labels of a print job stand on the web: rows and lanes.

Row and lane count one job's own labels, both from 1; lane 1 is left in running direction.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.moves import State

ORDERS = ("rows", "lanes")
"""Position order on the web: row by row (the default), or lane by lane."""

MOST_LANES = 64

_WHOLE = re.compile(r"[0-9]{1,9}")
_ROWS = re.compile(r"([0-9]{1,9})-([0-9]{1,9})")


@dataclass(frozen=True, slots=True)
class Shape:
    """A job's place on the web.

    Attributes:
        ranges: first and last position of each run of labels in the job.
        lanes: lanes across the web.
        by: one of `ORDERS`.
    """

    ranges: tuple[tuple[int, int], ...]
    lanes: int
    by: str

    @property
    def count(self) -> int:
        """Labels in the job."""
        return sum(last - first + 1 for first, last in self.ranges)

    @property
    def rows(self) -> int:
        """Rows on the web."""
        return -(-self.count // self.lanes)

    def grid(self, start: int, size: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and lane of `size` labels from the job's label `start` (0-based)."""
        index = np.arange(start, start + size)
        if self.by == "rows":
            return index // self.lanes + 1, index % self.lanes + 1
        return index % self.rows + 1, index // self.rows + 1

    def lanes_by_position(self, size: int) -> NDArray[np.uint8]:
        """The lane of each position below `size`, 0 where it is not in the job."""
        lanes = np.zeros(size, dtype=np.uint8)
        start = 0
        for first, last in self.ranges:
            index = np.arange(start, start + last - first + 1, dtype=np.int32)
            if self.by == "rows":
                np.remainder(index, self.lanes, out=index)
            else:
                np.floor_divide(index, self.rows, out=index)
            index += 1
            lanes[first : last + 1] = index
            start += len(index)
        return lanes

    def positions(self) -> NDArray[np.int32]:
        """The positions of all labels, in job order."""
        return np.concatenate(
            [np.arange(first, last + 1, dtype=np.int32) for first, last in self.ranges]
        )

    def at(self, row: int, lane: int) -> int:
        """The position at a row and lane; 0 where no label stands."""
        by_rows = self.by == "rows"
        start = (row - 1) * self.lanes + lane - 1 if by_rows else (lane - 1) * self.rows + row - 1
        if not (1 <= row <= self.rows and 1 <= lane <= self.lanes):
            return 0
        for first, last in self.ranges:
            if start <= last - first:
                return first + start
            start -= last - first + 1
        return 0

    def cell(self, position: int) -> tuple[int, int]:
        """Row and lane of a position; 0 and 0 where it is not in the job."""
        rows, lanes = self.cells(np.array([position], dtype=np.int64))
        return int(rows[0]), int(lanes[0])

    def cells(self, positions: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Rows and lanes of positions, 0 where one is not in the job."""
        firsts = np.array([first for first, _ in self.ranges], dtype=np.int64)
        lasts = np.array([last for _, last in self.ranges], dtype=np.int64)
        before = np.concatenate(([0], np.cumsum(lasts - firsts + 1)))[:-1]
        which = np.maximum(np.searchsorted(firsts, positions, side="right") - 1, 0)
        index = before[which] + positions - firsts[which]
        there = (positions >= firsts[which]) & (positions <= lasts[which])
        along = self.lanes if self.by == "rows" else self.rows
        rows, lanes = index // along + 1, index % along + 1
        if self.by != "rows":
            rows, lanes = lanes, rows
        return np.where(there, rows, 0), np.where(there, lanes, 0)

    def places(self, row: NDArray[np.int64], lane: NDArray[np.int64]) -> NDArray[np.int32]:
        """Positions at rows and lanes; 0 where either is 0.

        A row or lane outside the job gives a position far outside every plan.
        """
        if self.by == "rows":
            index = (row - 1) * self.lanes + lane - 1
        else:
            index = (lane - 1) * self.rows + row - 1
        inside = (row >= 1) & (lane >= 1)
        there = inside & (row <= self.rows) & (lane <= self.lanes) & (index < self.count)
        found = np.zeros(len(row), dtype=np.int32)
        found[inside] = 2**31 - 2
        if there.any():
            lasts = np.cumsum([last - first + 1 for first, last in self.ranges])
            which = np.searchsorted(lasts, index[there], side="right")
            ends = np.array([last for _, last in self.ranges], dtype=np.int64)
            found[there] = ends[which] + index[there] - lasts[which] + 1
        return found


@dataclass(frozen=True, slots=True)
class Web:
    """Where every label of a lot stands, its jobs one after the other.

    Attributes:
        row: int32 by position, from 1, counted on over all jobs; 0 where it was not printed.
        lane: uint8 by position, from 1; 0 where it was not printed.
        lanes: lanes of the widest job.
    """

    row: NDArray[np.int32]
    lane: NDArray[np.uint8]
    lanes: int

    @classmethod
    def of(cls, shapes: Iterable[Shape], positions: int) -> Web:
        """The web of these jobs, in order, of a lot with so many positions."""
        row = np.zeros(positions + 1, dtype=np.int32)
        lane = np.zeros(positions + 1, dtype=np.uint8)
        above = lanes = 0
        for shape in shapes:
            places = shape.positions()
            rows, across = shape.grid(0, shape.count)
            row[places], lane[places] = rows + above, across
            above += shape.rows
            lanes = max(lanes, shape.lanes)
        return cls(row, lane, lanes)


def shape_of(ranges: str, lanes: int, by: str) -> Shape:
    """A kept job's place on the web; `ranges` as its row holds them: `first-last ...`."""
    pieces = (piece.split("-") for piece in ranges.split())
    return Shape(tuple((int(first), int(last)) for first, last in pieces), lanes, by)


def parse_rows(text: str) -> tuple[int, int] | None:
    """First and last row from `A-B`, None from nothing. Refuses `bad_value`."""
    if not text:
        return None
    found = _ROWS.fullmatch(text)
    if not found:
        raise Refused(
            "bad_value",
            "The rows are not understood.",
            expected="A-B such as 1-500",
            came=text,
            remedy="Give --rows A-B.",
        )
    return int(found[1]), int(found[2])


def write_ranges(ranges: list[list[int]]) -> str:
    """Ranges as a job's row holds them."""
    return " ".join(f"{first}-{last}" for first, last in ranges)


def read_runs(text: str) -> list[int]:
    """Positions from their short form.

    >>> read_runs("7 9-11")
    [7, 9, 10, 11]
    """
    found: list[int] = []
    for piece in text.split():
        first, _, last = piece.partition("-")
        found += range(int(first), int(last or first) + 1)
    return found


def short_runs(positions: Iterable[int]) -> str:
    """Ascending positions in short form, the reverse of `read_runs`.

    >>> short_runs([7, 9, 10, 11])
    '7 9-11'
    """
    return " ".join(str(a) if a == b else f"{a}-{b}" for a, b in runs(list(positions)))


def check_lanes(lanes: int, by: str) -> None:
    """Refuses `bad_value` for a web that cannot be."""
    if not 1 <= lanes <= MOST_LANES or by not in ORDERS:
        raise Refused(
            "bad_value",
            "The web cannot look like that.",
            expected=f"1 to {MOST_LANES} lanes, order 'rows' or 'lanes'",
            came=f"lanes {lanes}, order {by!r}",
            remedy="Give --lanes as on the printer.",
        )


def ranges_of(states: bytes, state: State, first: int) -> list[list[int]]:
    """Runs of labels in one state as [first, last] positions.

    Args:
        states: state letters of successive positions.
        first: the position of the first letter.
    """
    hit = np.frombuffer(states, np.uint8) == ord(state)
    return runs(np.flatnonzero(hit) + first)


def runs(positions: Iterable[int] | NDArray[np.int64]) -> list[list[int]]:
    """Ascending positions as [first, last] runs without gaps.

    >>> runs([1, 2, 3, 7])
    [[1, 3], [7, 7]]
    """
    places = np.asarray(positions, dtype=np.int64)
    if not len(places):
        return []
    cuts = np.flatnonzero(np.diff(places) > 1)
    starts = np.concatenate((places[:1], places[cuts + 1]))
    ends = np.concatenate((places[cuts], places[-1:]))
    return [[int(a), int(b)] for a, b in zip(starts, ends, strict=True)]


def spread(ranges: Iterable[Sequence[int]]) -> NDArray[np.int64]:
    """The positions of [first, last] ranges, ascending, each once.

    >>> spread([[7, 7], [1, 3], [2, 4]]).tolist()
    [1, 2, 3, 4, 7]
    """
    ends = np.array([pair[:2] for pair in ranges], dtype=np.int64).reshape(-1, 2)
    sizes = ends[:, 1] - ends[:, 0] + 1
    begins = np.cumsum(sizes) - sizes
    return np.unique(np.repeat(ends[:, 0] - begins, sizes) + np.arange(sizes.sum()))


def parse_which(which: str, labels: int) -> list[list[int]]:
    """Positions such as `17`, `3-9` or `17,20,30-40` as ascending runs.

    Refuses `label_unknown` outside the plan and `bad_value` for what is no list.
    """
    ranges: list[tuple[int, int]] = []
    for piece in which.replace(" ", "").split(","):
        first, dash, last = piece.partition("-")
        if not (_WHOLE.fullmatch(first) and (not dash or _WHOLE.fullmatch(last))):
            raise Refused(
                "bad_value",
                "The labels are named by their positions.",
                expected="positions such as 17 or 17,20,30-40",
                came=which,
                remedy="Look the positions up: label list.",
            )
        start, stop = int(first), int(last or first)
        if not 1 <= start <= stop <= labels:
            raise Refused(
                "label_unknown",
                "The lot has no such label.",
                expected=f"positions 1 to {labels}, the lower one first",
                came=piece,
                remedy="Look the positions up: label list.",
            )
        ranges.append((start, stop))
    merged: list[list[int]] = []
    for start, stop in sorted(ranges):
        if merged and start <= merged[-1][1] + 1:
            merged[-1][1] = max(merged[-1][1], stop)
        else:
            merged.append([start, stop])
    return merged
