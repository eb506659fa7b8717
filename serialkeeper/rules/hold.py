"""The smallest hold: which places of the web could hold a number that is not accounted for.

Labels of a lane keep their order. So a label that was not seen lies between the last label before
it and the first label behind it that stand in their places for certain; nothing outside could be
it. Labels that the readings do not tell apart share the places of all of them. A number that was
read twice is held wherever it was read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.doubts import Stretch
from serialkeeper.rules.jobs import runs

Cell = tuple[int, int]
"""A web row and a lane of one print job."""

WHY = (
    "repeated",
    "read_twice",
    "other_number",
    "out_of_place",
    "not_told_apart",
    "not_seen",
    "not_found",
    "not_inspected",
)
"""Why a number is held, the gravest first: the finding that is open; `not_found` for one that was
voided so."""

SEEN_ELSEWHERE = ("repeated", "read_twice", "out_of_place")
"""Findings on numbers that were read in other places than their own, or in several."""

NOT_PROVING = ("repeated", "other_number", "out_of_place")
"""Findings on labels whose own place shows another number, or none of theirs."""


def gravity(why: str) -> int:
    """For sorting: the gravest reason first; what is none of them last."""
    return WHY.index(why) if why in WHY else len(WHY)


@dataclass(frozen=True, slots=True)
class Interval:
    """Some rows of one lane, and what bounds them.

    Attributes:
        lane, first, last: the lane, and its rows.
        before, after: positions of the labels that stand for certain next to it, before its first
            row and behind its last; 0 for the end of the web.
    """

    lane: int
    first: int
    last: int
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class Held:
    """Numbers that lie somewhere within the same places.

    Attributes:
        why: one of `WHY`.
        positions: whose numbers they are, ascending.
        places: where they could be.
    """

    why: str
    positions: tuple[int, ...]
    places: tuple[Interval, ...]


@dataclass(frozen=True, slots=True)
class Sighting:
    """One reading of a number, and what was read around it.

    Attributes:
        told: the position that the camera gave, 0 for none.
        before, after: positions whose numbers were read exactly, next to it in the file; 0 for
            none.
        before_told, after_told: the positions that the camera gave for those two.
        one_lane: whether the camera watches one lane only.
    """

    told: int
    before: int
    after: int
    before_told: int
    after_told: int
    one_lane: bool


class Web:
    """One print job's web, with what is proven on it.

    Args:
        stretch: the whole job.
        told: bool, like the stretch: a reading shows which label stands there.
    """

    def __init__(self, stretch: Stretch, told: NDArray[np.bool_]) -> None:
        self.stretch, self.told = stretch, told
        places = np.argwhere(stretch.position > 0)
        numbers = stretch.position[places[:, 0], places[:, 1]]
        self._index = dict(zip(numbers.tolist(), map(tuple, places.tolist()), strict=True))
        rows = np.arange(len(told))[:, None]
        self._above = np.maximum.accumulate(np.where(told, rows, -1), axis=0)
        below = np.where(told, rows, len(told))
        self._filled = (stretch.position > 0).sum(axis=0)
        self._below = np.minimum.accumulate(below[::-1], axis=0)[::-1]

    def __contains__(self, position: int) -> bool:
        return position in self._index

    def cell(self, position: int) -> Cell:
        """Web row and lane of a label of the job."""
        row, column = self._index[position]
        return row + self.stretch.first, self.stretch.lanes[column]

    def between(self, position: int) -> tuple[int, int, int]:
        """Lane, first and last row of the places between the labels of its lane that stand for
        certain around a label; its own place where that is proven."""
        row, column = self._index[position]
        lane = self.stretch.lanes[column]
        first, last = row, row
        if not self.told[row, column]:
            first = int(self._above[row, column]) + 1
            last = min(int(self._below[row, column]), int(self._filled[column])) - 1
        return lane, first + self.stretch.first, last + self.stretch.first

    def seen_at(self, sighting: Sighting) -> list[Cell]:
        """The places at which a reading may have been taken.

        With positions it is the one that the camera gave, corrected where both readings around it
        show that the camera's counter was off; without, what lies between the labels read around
        it, or beside these if nothing does.
        """
        if sighting.told:
            apart = sighting.before_told - sighting.before
            slipped = (
                sighting.before and sighting.after and sighting.after_told - sighting.after == apart
            )
            place = sighting.told - apart if slipped else sighting.told
            return [self.cell(place)] if place in self else []
        known = [self.cell(one) for one in (sighting.before, sighting.after) if one in self]
        if len(known) < 2:
            return known
        (row, lane), (end, other) = sorted(known)
        if sighting.one_lane and lane == other:
            inner = [(one, lane) for one in range(row + 1, end)]
        else:
            lanes = self.stretch.lanes
            inner = [
                (one, across)
                for one in range(row, end + 1)
                for across in lanes
                if (row, lane) < (one, across) < (end, other)
            ]
        return inner or known

    def interval(self, lane: int, first: int, last: int) -> Interval:
        """Rows of a lane with the labels that stand for certain around them."""
        column = self.stretch.lanes.index(lane)
        top, end = first - self.stretch.first, last - self.stretch.first
        above = int(self._above[top - 1, column]) if top else -1
        below = int(self._below[end + 1, column]) if end + 1 < len(self.told) else len(self.told)
        return Interval(
            lane,
            first,
            last,
            int(self.stretch.position[above, column]) if above >= 0 else 0,
            int(self.stretch.position[below, column]) if below < len(self.told) else 0,
        )

    def intervals(self, cells: Iterable[Cell]) -> tuple[Interval, ...]:
        """The cells as rows of lanes, as few intervals as there can be."""
        by_lane: dict[int, set[int]] = {}
        for row, lane in cells:
            by_lane.setdefault(lane, set()).add(row)
        return tuple(
            self.interval(lane, first, last)
            for lane in sorted(by_lane)
            for first, last in runs(sorted(by_lane[lane]))
        )


def smallest_hold(
    web: Web,
    missing: Mapping[int, str],
    together: Mapping[int, Sequence[int]],
    sightings: Mapping[int, Sequence[Sighting]],
) -> list[Held]:
    """What has to be held for every number that is not accounted for.

    Args:
        web: the job's web.
        missing: why each is held, by position; they may stand on another job's web.
        together: for `not_told_apart`: the labels among which it is.
        sightings: each reading of a number that was read elsewhere.
    """
    groups: dict[tuple[str, tuple[Interval, ...]], list[int]] = {}
    runs_of: dict[tuple[int, int, int], tuple[Interval, ...]] = {}
    for position, why in sorted(missing.items()):
        places: tuple[Interval, ...] = ()
        if why == "not_told_apart" and position in together:
            places = web.intervals(web.cell(one) for one in together[position] if one in web)
        elif seen := sightings.get(position, ()):
            cells = [cell for one in seen for cell in web.seen_at(one)]
            if len(seen) < 2 and position in web:  # the other reading, or its label, is not known
                lane, first, last = web.between(position)
                cells += [(row, lane) for row in range(first, last + 1)]
            places = web.intervals(cells)
        elif position in web:
            run = web.between(position)
            if run not in runs_of:
                runs_of[run] = (web.interval(*run),)
            places = runs_of[run]
        if places:
            groups.setdefault((why, places), []).append(position)
    return [Held(why, tuple(some), places) for (why, places), some in groups.items()]


def merged(web: Web, held: Iterable[Held]) -> list[tuple[Interval, list[Held]]]:
    """The fewest intervals that cover all holds, by lane and row, each with the holds in it."""
    listed = list(held)
    cells = {
        (row, place.lane)
        for one in listed
        for place in one.places
        for row in range(place.first, place.last + 1)
    }
    made = web.intervals(cells)
    inside: dict[Interval, list[Held]] = {interval: [] for interval in made}
    starts = {lane: [i for i in made if i.lane == lane] for lane in {i.lane for i in made}}
    for one in listed:
        found = {
            interval
            for place in one.places
            for interval in starts[place.lane]
            if interval.first <= place.first <= interval.last
        }
        for interval in found:
            inside[interval].append(one)
    return list(inside.items())
