"""How the web moves between two anchors, so that a reading's time names its place.

The web moves evenly over short stretches. Between two anchors whose distance in time fits the
usual pitch, the time of a reading in between gives its row; where the web stopped, or the time
is too coarse, it gives nothing, and the count has to do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

TOLERANCE = 0.25
"""Part of a pitch by which a time may miss its place."""
FARTHEST = 20
"""Pitches beyond the last anchor up to which its speed is taken to hold."""
TOGETHER = 8
"""Labels in a row at most that are taken to stand in the places of others by their times."""
CLOSE = 0.35
"""Part of the way to the next anchor within which a second reading is of the same label."""
TIES = 0.001
"""Share of neighbours with equal times from which times are too coarse."""
_NEIGHBOURS = 3


@dataclass(frozen=True, slots=True)
class Tempo:
    """The usual time from one unit of the web to the next.

    Attributes:
        pitch: milliseconds per unit.
        each: labels per unit: a whole row where its lanes are read at once, else one.
        around: float64 per anchor: milliseconds per unit around it, at most the usual.
        nearest: float64 per anchor: the lesser milliseconds per unit to the anchors beside it, 0
            where there is none on a side.
        grain: milliseconds that the times are whole multiples of.
    """

    pitch: float
    each: int
    around: NDArray[np.float64]
    nearest: NDArray[np.float64]
    grain: int

    @classmethod
    def of(
        cls,
        time: NDArray[np.int64],
        step: NDArray[np.int64],
        lanes: int,
        every: NDArray[np.int64],
    ) -> Tempo | None:
        """The tempo of a stream; None where its times tell nothing.

        Args:
            time, step: of the anchors, in file order.
            lanes: labels per row.
            every: times of all readings of the stream.
        """
        if len(time) <= 2 * lanes or (every == 0).any():
            return None
        whole = (step[lanes:] - step[:-lanes]) == lanes
        apart = (time[lanes:] - time[:-lanes])[whole]
        if not len(apart) or np.median(apart) <= 0:
            return None
        row = float(np.median(apart))
        spread = float(np.percentile(np.abs(apart - row), 75))
        if spread > TOLERANCE * row:
            return None
        each = 1
        if lanes > 1:
            within = (np.diff(step) == 1) & (step[1:] % lanes != 0)
            apart = np.diff(time)[within]
            label = float(np.median(apart)) if len(apart) else 0.0
            if label < 0.1 * row / lanes:
                each = lanes
            elif abs(label - row / lanes) > TOLERANCE * row / lanes:
                return None
        local = _local(time, step // lanes, row) / (1 if each > 1 else lanes)
        if each == 1 and float((np.diff(time) == 0).mean()) > TIES:
            return None  # too coarse to part neighbours
        pitch = row if each > 1 or lanes == 1 else row / lanes
        grain = int(np.gcd.reduce(np.diff(every)))
        return cls(pitch, each, local, _nearest(time, step // each), grain)

    def unit(self, step: NDArray[np.int64]) -> NDArray[np.int64]:
        """The unit of each step."""
        return step // self.each

    def one_label(self, anchor: NDArray[np.int64], apart: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether a reading so many milliseconds from an anchor is surely of the same label.

        A label that carries the same number once more pushes the next one a whole pitch away, so
        it stands half-way to the next anchor, or farther.
        """
        most = np.minimum(0.5 * self.around[anchor], CLOSE * self.nearest[anchor])
        close: NDArray[np.bool_] = apart + self.grain < most
        return close

    def out_of_time(self, time: NDArray[np.int64], step: NDArray[np.int64]) -> NDArray[np.int64]:
        """Indices of the anchors that came early, or late, by whole units, in one step or in
        several, between neighbours that came in time: their labels stand in the places of others.

        Args:
            time, step: of the anchors, in file order.
        """
        pitch = np.minimum(self.around[1:], self.around[:-1])
        units = np.diff(step // self.each)
        with np.errstate(divide="ignore", invalid="ignore"):
            apart = np.where(pitch > 0, np.diff(time) / pitch, units)
        off = (np.round(np.clip(apart, -1e6, 1e6)) - units).astype(np.int64)
        jumps = np.flatnonzero(off)
        late = np.concatenate(([0], np.cumsum(off[jumps])))  # before each jump, and at the end
        edges = np.zeros(len(time) + 1, dtype=np.int64)
        for steps in range(1, len(jumps)):
            near = jumps[steps:] - jumps[:-steps] <= TOGETHER
            if not near.any():
                break
            one = np.flatnonzero(near & (late[steps + 1 :] == late[: -steps - 1]))
            np.add.at(edges, jumps[one] + 1, 1)
            np.add.at(edges, jumps[one + steps] + 1, -1)
        return np.flatnonzero(np.cumsum(edges)[:-1] > 0)

    def units(
        self,
        time: NDArray[np.int64],
        readings: NDArray[np.int64],
        one: int,
        other: int,
        step: int,
        next_step: int,
    ) -> NDArray[np.int64] | None:
        """The unit of each reading between two others; None where time does not tell."""
        start, stop = step // self.each, next_step // self.each
        across = float(time[other] - time[one])
        if stop == start:
            return None
        span = across / (stop - start)
        if abs(across - (stop - start) * self.pitch) > TOLERANCE * max(self.pitch, 0.02 * across):
            return None
        exact = start + (time[readings] - time[one]) / span
        return _settled(exact)

    def beyond(
        self, time: NDArray[np.int64], readings: NDArray[np.int64], near: int, step: int
    ) -> NDArray[np.int64] | None:
        """The unit of each reading before the first or behind the last anchor."""
        apart = (time[readings] - time[near]) / self.pitch
        if np.abs(apart).max(initial=0) > FARTHEST:
            return None
        return _settled(step // self.each + apart)


def _settled(exact: NDArray[np.float64]) -> NDArray[np.int64] | None:
    unit = np.round(exact)
    if (np.abs(exact - unit) > TOLERANCE).any():
        return None
    return unit.astype(np.int64)


def _nearest(time: NDArray[np.int64], unit: NDArray[np.int64]) -> NDArray[np.float64]:
    """The lesser milliseconds per unit to the anchors on both sides, 0 at the ends."""
    across = np.maximum(np.diff(unit), 1)
    apart = np.diff(time) / across
    ends = np.zeros(1)
    return np.minimum(np.concatenate((ends, apart)), np.concatenate((apart, ends)))


def _local(time: NDArray[np.int64], row: NDArray[np.int64], usual: float) -> NDArray[np.float64]:
    """Milliseconds per row around each anchor, never more than usual."""
    found = np.full(len(time), usual)
    reach = min(_NEIGHBOURS * 4, (len(time) - 1) // 2)
    if reach < 1:
        return found
    across = (row[2 * reach :] - row[: -2 * reach]).astype(np.float64)
    lasts = (time[2 * reach :] - time[: -2 * reach]).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = np.where(across > 0, lasts / across, usual)
    found[reach:-reach] = np.minimum(usual, np.maximum(speed, 0))
    return found
