"""A rehearsed web runs past a camera: which readings it makes, in which order, when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.rehearsal import STRETCHES, Planted, Web, block_target

ROW_MILLISECONDS = 300
"""Time between two rows of the web: 200 rows a minute (common practice, no source)."""

STOP_MILLISECONDS = 60_000
RAMP = 8
"""Rows over which the web comes up to speed after a stop."""

LANES_APART = 10
"""Milliseconds at most between the readings of neighbours in a row."""

NOTHING = -1
"""Instead of a label's index: no code was read."""


@dataclass(frozen=True, slots=True)
class Roll:
    """A stretch of the physical web, and how it runs past the camera.

    Attributes:
        first, last: physical rows, from 0.
        back: the last row comes first, and the lanes lie the other way round.
        mirrored: the camera counts the lanes from right to left.
    """

    first: int
    last: int
    back: bool
    mirrored: bool


@dataclass(frozen=True, slots=True)
class Readings:
    """What the camera saw, in the order of time; one array element per reading.

    Attributes:
        item: int64, index of the label that passed; of the number that belongs to it.
        shown: int64, index of the label whose number was read, or `NOTHING`.
        row, lane: int64, as the camera counts them, from 1.
        time: int64, milliseconds from the start of the run.
    """

    item: NDArray[np.int64]
    shown: NDArray[np.int64]
    row: NDArray[np.int64]
    lane: NDArray[np.int64]
    time: NDArray[np.int64]

    def some(self, chosen: slice | NDArray[np.int64] | NDArray[np.bool_]) -> Readings:
        """Some of the readings."""
        return Readings(
            self.item[chosen],
            self.shown[chosen],
            self.row[chosen],
            self.lane[chosen],
            self.time[chosen],
        )


def web_rows(web: Web, planted: Planted) -> NDArray[np.int64]:
    """The physical web: which row of labels (step, from 0) stands at each of its rows."""
    rows = int(web.steps()[-1]) + 1
    key = np.arange(rows, dtype=np.float64)
    for first in planted.stretches["block"].tolist():
        to = block_target(first, rows)
        long = STRETCHES["block"]
        beside = 0.5 if to > first else -0.5
        key[first : first + long] = to + beside + np.arange(long) / 1000
    again = planted.stretches["stutter"]
    steps = np.concatenate((np.arange(rows), again))
    order = np.argsort(np.concatenate((key, key[again] + 0.0001)), kind="stable")
    return steps[order].astype(np.int64)


def rolls_of(
    rows: int, count: int, *, back: Sequence[int] = (), mirrored: bool = False
) -> list[Roll]:
    """The physical web cut into rolls of equal length; `back`: which of them run backwards."""
    ends = np.linspace(0, rows, count + 1).round().astype(int).tolist()
    return [
        Roll(start, stop - 1, number in back, mirrored)
        for number, (start, stop) in enumerate(pairwise(ends), start=1)
    ]


def run(
    web: Web,
    planted: Planted,
    physical: NDArray[np.int64],
    roll: Roll,
    rng: np.random.Generator,
) -> Readings:
    """All readings of one roll.

    Args:
        web, planted: labels and faults.
        physical: `web_rows`.
        roll: which stretch, and which way.
        rng: chance, for the noise of times only.
    """
    passing = _passing(planted, physical, roll)
    step = web.steps()
    starts = np.searchsorted(step, np.arange(step[-1] + 2))
    there = physical[passing]
    long = starts[there + 1] - starts[there]
    which = np.repeat(np.arange(len(passing)), long)
    item = np.arange(len(which)) - np.repeat(np.cumsum(long) - long, long) + starts[there][which]
    lane = web.lane[item]
    turned = roll.back != roll.mirrored
    camera_lane = web.lanes + 1 - lane if turned else lane
    counter = roll.last - passing if roll.back else passing - roll.first
    counter = counter + 1 + _slips(planted, physical, passing)
    apart = min(LANES_APART, ROW_MILLISECONDS // (2 * web.lanes))
    time = _row_times(planted, physical, passing)[which] + camera_lane * apart
    time += rng.integers(0, max(apart // 4, 1), len(time))
    readings = Readings(item, _shown(planted, item, len(step)), counter[which], camera_lane, time)
    readings = _unread(planted, step, readings)
    readings = _twice(planted, readings, max(apart // 2, 1))
    readings = readings.some(_seen(web, planted, step, readings))
    return readings.some(np.argsort(readings.time, kind="stable"))


def _passing(planted: Planted, physical: NDArray[np.int64], roll: Roll) -> NDArray[np.int64]:
    """Physical rows in the order in which they pass the camera, drawn back ones again."""
    passing = np.arange(roll.first, roll.last + 1)
    if roll.back:
        passing = passing[::-1]
    long = STRETCHES["overlap"]
    steps = physical[passing]
    pieces, done = [], 0
    ahead = long - 1 if roll.back else 0
    for first in planted.stretches["overlap"].tolist():
        found = np.flatnonzero(steps == first + ahead)
        if len(found) and found[0] + long <= len(passing):
            pieces.append((int(found[0]), int(found[0]) + long))
    made = []
    for start, stop in sorted(pieces):
        made += [passing[done:stop], passing[start:stop]]
        done = stop
    return np.concatenate([*made, passing[done:]])


def _slips(
    planted: Planted, physical: NDArray[np.int64], passing: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Rows by which the counter is ahead at each passing row."""
    return np.cumsum(_begins(planted, "slip", physical, passing))


def _begins(
    planted: Planted, fault: str, physical: NDArray[np.int64], passing: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Where a row with this fault passes, the first time only."""
    hit = np.isin(physical[passing], planted.stretches[fault])
    first = np.zeros(len(passing), dtype=np.bool_)
    first[np.unique(passing, return_index=True)[1]] = True
    return hit & first


def _row_times(
    planted: Planted, physical: NDArray[np.int64], passing: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Milliseconds at which each row passes: even, but for stops and what follows them."""
    each = np.full(len(passing), float(ROW_MILLISECONDS))
    drawn_back = np.zeros(len(passing), dtype=np.bool_)
    drawn_back[1:] = (np.diff(passing) != 1) & (np.diff(passing) != -1)
    stops = np.flatnonzero(_begins(planted, "stop", physical, passing) | drawn_back)
    for stop in stops.tolist():
        slow = np.arange(1, RAMP + 1)[: len(passing) - stop]
        each[stop : stop + len(slow)] *= RAMP / slow
        each[stop] += STOP_MILLISECONDS
    times: NDArray[np.int64] = (np.cumsum(each) - each[:1]).astype(np.int64)
    return times


def _shown(planted: Planted, item: NDArray[np.int64], size: int) -> NDArray[np.int64]:
    """Whose number stands on each label that passes."""
    shown = np.arange(size)
    repeated, swapped = planted.labels["repeated"], planted.labels["swapped"]
    shown[repeated + 1] = repeated
    shown[swapped], shown[swapped + 1] = swapped + 1, swapped
    gone, into = np.split(planted.labels["displaced"], 2)
    shown[into] = gone
    return shown[item]


def _unread(planted: Planted, step: NDArray[np.int64], readings: Readings) -> Readings:
    """Without a code: single labels, and blind stretches."""
    blind = np.zeros(len(step), dtype=np.bool_)
    blind[planted.labels["unreadable"]] = True
    blind |= _in_stretch(planted, "blind", step)
    readings.shown[blind[readings.item]] = NOTHING
    return readings


def _in_stretch(planted: Planted, fault: str, step: NDArray[np.int64]) -> NDArray[np.bool_]:
    inside = np.zeros(len(step), dtype=np.bool_)
    for first in planted.stretches[fault].tolist():
        start, stop = np.searchsorted(step, (first, first + STRETCHES[fault]))
        inside[start:stop] = True
    return inside


def _twice(planted: Planted, readings: Readings, later: int) -> Readings:
    """Labels that trigger the camera twice."""
    doubles = np.concatenate((planted.labels["double"], planted.labels["double_unread"]))
    twice = np.flatnonzero(np.isin(readings.item, doubles))
    unread = np.isin(readings.item[twice], planted.labels["double_unread"])
    whole = np.concatenate((np.arange(len(readings.item)), twice))
    made = readings.some(whole)
    made.time[len(readings.item) :] += later
    made.shown[len(readings.item) :][unread] = NOTHING
    return made


def _seen(
    web: Web, planted: Planted, step: NDArray[np.int64], readings: Readings
) -> NDArray[np.bool_]:
    """Readings that were taken: not of missed labels, of gaps, of a lane without readings."""
    missed = np.zeros(len(step), dtype=np.bool_)
    missed[planted.labels["not_seen"]] = True
    missed[np.split(planted.labels["displaced"], 2)[0]] = True
    missed |= _in_stretch(planted, "gap", step)
    for first in planted.stretches["dropout"].tolist():
        start, stop = np.searchsorted(step, (first, first + STRETCHES["dropout"]))
        places = np.arange(start, stop)
        missed[places[web.lane[places] == planted.lane_of(first, web.lanes)]] = True
    seen: NDArray[np.bool_] = ~missed[readings.item]
    return seen
