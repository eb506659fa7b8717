"""Which readings of a file are certainly in order: the anchors of an alignment.

The readings of one camera, in file order, should name the labels of the web one after the
other. Those that agree with everything before and after them are found vectorised; only where
some disagree is the longest increasing chain worked out, and of it only the members that every
longest chain shares are anchors: a tie is never broken by chance.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

NEAR = 3
"""Steps from one label to the next that still look like the web running on."""


@dataclass(frozen=True, slots=True)
class Running:
    """How a camera reads the grid of the plan.

    Attributes:
        back: whether rows come from the last to the first.
        lanes: plan lanes in the order in which a row's labels are read.
    """

    back: bool
    lanes: tuple[int, ...]

    def ranks(self, most: int) -> NDArray[np.int64]:
        """The rank of each plan lane up to `most` in a row, -1 for one that is not read."""
        found = np.full(most + 1, -1, dtype=np.int64)
        found[list(self.lanes)] = np.arange(len(self.lanes))
        return found

    def steps(
        self, row: NDArray[np.int64], lane: NDArray[np.int64], rows: int
    ) -> NDArray[np.int64]:
        """Where labels come along: 0, 1, 2 ... in running order; -1 outside the lanes."""
        rank = self.ranks(int(max(lane.max(initial=0), *self.lanes)))[lane]
        along = rows - row if self.back else row - 1
        return np.where((rank < 0) | (row < 1), -1, along * len(self.lanes) + rank)


def find_running(
    row: NDArray[np.int64], lane: NDArray[np.int64], lanes: tuple[int, ...], rows: int
) -> Running:
    """The running under which most labels follow upon their predecessor.

    Args:
        row, lane: plan row and lane of the numbers read, in file order.
        lanes: plan lanes that are read, ascending.
        rows: rows of the plan.
    """
    orders = {lanes, lanes[::-1], _learned(row, lane, lanes)}
    tries = [Running(back, order) for order in sorted(orders) for back in (False, True)]

    def follows(running: Running) -> int:
        step = np.diff(running.steps(row, lane, rows))
        return int(((step >= 1) & (step <= NEAR)).sum())

    # The first of equals is the plain one: forward, lanes from left to right.
    return max(tries, key=follows)


def _learned(
    row: NDArray[np.int64], lane: NDArray[np.int64], lanes: tuple[int, ...]
) -> tuple[int, ...]:
    """The order of lanes in a row as the file itself shows it, for swapped lanes."""
    same = row[1:] == row[:-1]
    most = max(int(lane.max(initial=0)), *lanes) + 1
    pairs = np.bincount(lane[:-1][same] * most + lane[1:][same], minlength=most * most)
    follows = pairs.reshape(most, most)
    start = min(lanes, key=lambda one: int(follows[:, one].sum() - follows[one].sum()))
    order = [start]
    while len(order) < len(lanes):
        left = [one for one in lanes if one not in order]
        order.append(max(left, key=lambda one: int(follows[order[-1], one])))
    return tuple(order)


def find_anchors(step: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which elements every longest increasing chain of `step` shares.

    Args:
        step: running order of the numbers read, in file order; repeated ones count once,
            where they fit best between their neighbours, or first.
    """
    anchor = np.zeros(len(step), dtype=np.bool_)
    if not len(step):
        return anchor
    kept = np.flatnonzero(np.concatenate(([True], step[1:] != step[:-1])))
    kept = kept[~_strays(step[kept])]  # before repeats are left out: the first may be astray
    kept = kept[_once(step[kept])]
    if not len(kept):
        return anchor
    x = step[kept]
    before = np.concatenate(([-1], np.maximum.accumulate(x)[:-1]))
    after = np.concatenate((np.minimum.accumulate(x[::-1])[::-1][1:], [np.iinfo(np.int64).max]))
    agrees = (before < x) & (x < after)
    anchor[kept[agrees]] = True
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (~agrees).view(np.int8), [0]))))
    for start, stop in edges.reshape(-1, 2).tolist():
        certain = _certain(x[start:stop].tolist())
        anchor[kept[start:stop][certain]] = True
    return anchor


def _once(x: NDArray[np.int64]) -> NDArray[np.int64]:
    """Indices of one element of each value, ascending."""
    order = np.argsort(x, kind="stable")
    ranked = x[order]
    same = np.flatnonzero(ranked[1:] == ranked[:-1])
    if not len(same):
        return np.arange(len(x))
    near = (np.diff(x) >= 1) & (np.diff(x) <= NEAR)
    fits = np.concatenate(([False], near)).astype(np.int8) + np.concatenate((near, [False]))
    some = np.unique(np.concatenate((order[same], order[same + 1])))
    best = some[np.lexsort((some, -fits[some], x[some]))]
    chosen = best[np.concatenate(([True], x[best[1:]] != x[best[:-1]]))]
    others = np.setdiff1d(some, chosen, assume_unique=True)
    return np.delete(np.arange(len(x)), others)


def _strays(x: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Single elements far away from two neighbours that belong together."""
    stray = np.zeros(len(x), dtype=np.bool_)
    if len(x) < 3:
        return stray
    across = x[2:] - x[:-2]
    far = (np.abs(x[1:-1] - x[:-2]) > 64) & (np.abs(x[2:] - x[1:-1]) > 64)
    stray[1:-1] = far & (across > 0) & (across <= 64)
    return stray


def _certain(x: list[int]) -> list[int]:
    """Indices of the elements that every longest increasing chain shares."""
    up = _lengths(x)
    down = _lengths([-value for value in reversed(x)])[::-1]
    longest = max(up)
    on = [i for i in range(len(x)) if up[i] + down[i] - 1 == longest]
    levels: dict[int, int] = {}
    for i in on:
        levels[up[i]] = levels.get(up[i], 0) + 1
    return [i for i in on if levels[up[i]] == 1]


def _lengths(x: list[int]) -> list[int]:
    """The length of the longest increasing chain that ends at each element."""
    tails: list[int] = []
    found = []
    for value in x:
        at = bisect_left(tails, value)
        if at == len(tails):
            tails.append(value)
        else:
            tails[at] = value
        found.append(at + 1)
    return found
