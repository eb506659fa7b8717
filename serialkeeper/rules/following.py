"""A first look at readings while their file still grows.

Nothing is called good for good before the whole file was judged: a number may come again
further down. What stands here is for people to look at, and for alarms. It is a matter of the
readings and their order only, not of the pieces in which they came.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.rules.alarms import Alarm, Rules, Watch
from serialkeeper.rules.findings import CODE, GOOD, ORDER
from serialkeeper.rules.jobs import MOST_LANES, Web
from serialkeeper.rules.lookup import Lookup
from serialkeeper.rules.results import Interpretation, Plan

SHOWN = 8
"""Doubtful readings that are shown."""

READ_AGAIN, INSPECTED = len(ORDER) + 1, len(ORDER) + 2
"""No findings: the same place read again; a label that an earlier file inspected."""

OUTCOMES = ("seen_good", *ORDER, "read_again", "inspected_before")
"""What a reading may be so far, by its number."""

_NEVER = 2**52
_GONE = {ord("a"): "not_issued", ord("x"): "voided_number", ord("d"): "used_number"}
_INSPECTED = np.array([ord(letter) for letter in "vcrR"], dtype=np.uint8)


@dataclass(frozen=True, slots=True)
class Doubt:
    """A doubtful reading: line of the file, place as far as it is known, what is wrong."""

    line: int
    position: int
    lane: int
    row: int
    word: str

    def as_dict(self) -> dict[str, Any]:
        """The reading as plain data; null for what is not known."""
        return {
            "line": self.line,
            "position": self.position or None,
            "lane": self.lane or None,
            "row": self.row or None,
            "finding": self.word,
        }


@dataclass
class Live:
    """What was seen so far.

    Attributes:
        plan: what the labels should say.
        states: uint8, state letters by position, a filler before the first.
        rules: when labels alarm.
        where, unit: the file and what its rows are called, for refusals.
        readings: how many there were.
        outcomes: how many of each of `OUTCOMES`.
        doubts: the last doubtful ones.
    """

    plan: Plan
    states: NDArray[np.uint8]
    rules: Rules
    where: str
    unit: str = "line"
    readings: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    doubts: deque[Doubt] = field(default_factory=lambda: deque(maxlen=SHOWN))

    def __post_init__(self) -> None:
        self._watch = Watch(self.rules)
        self._read_at = np.zeros(0, dtype=np.int32)
        self._along = _Along()
        self._distance = np.zeros(MOST_LANES + 1, dtype=np.int64)
        self.replan(self.plan, self.states)

    def replan(self, plan: Plan, states: NDArray[np.uint8]) -> None:
        """Go on with a plan that has grown: labels were allocated or printed meanwhile."""
        # A time that is too late refuses the whole file in the end; here nothing rests on it.
        self.plan = replace(plan, latest=_NEVER, lookup=Lookup(plan.told.all()))
        self.states = states
        more = len(states) - len(self._read_at)
        self._read_at = np.concatenate((self._read_at, np.zeros(more, dtype=np.int32)))

    def add(self, rows: pl.DataFrame, first_line: int) -> list[tuple[int, Alarm]]:
        """Look at the next readings; gives what alarms, each with the number of its reading.

        Refuses what `rules.results.Interpretation.add` refuses.
        """
        look = Interpretation(self.plan, self.where, unit=self.unit)
        look.add(rows, first_line)
        shown, _ = look.shown()
        web, number = self.plan.web, shown.number
        if look.placed:
            place = np.where(shown.place < len(web.row), shown.place, 0).astype(np.int32)
            lane = web.lane[place]
            first, home = self._seen_before(number, place)
        else:
            first, home = self._seen_before(number, number)
            place, lane = self._along.add(np.where(first, number, 0), look.lanes(), web)
        # A number that comes again in its own place is proven by that place to be one label;
        # where nothing tells places, it may as well have been printed twice.
        same = (number > 0) & ~first & (place == home) & (place > 0) & look.placed
        code = shown.finding.copy()
        _name(code, (number > 0) & ~first & ~same, "repeated")
        if look.placed:
            _name(code, self._off(number, place, lane, first & (number > 0)), "out_of_place")
        self._name_by_state(code, number, same)
        self.readings += len(code)
        self.outcomes.update(
            {OUTCOMES[one]: int(n) for one, n in enumerate(np.bincount(code)) if n}
        )
        bad = np.where(code <= len(ORDER), code, GOOD).astype(np.uint8)
        for index in np.flatnonzero(bad != GOOD)[-SHOWN:].tolist():
            at = int(place[index])
            row, word = int(web.row[at]), OUTCOMES[bad[index]]
            self.doubts.append(Doubt(first_line + index, at, int(lane[index]), row, word))
        return self._watch.add(place, lane, bad)

    def _name_by_state(
        self, code: NDArray[np.uint8], number: NDArray[np.int32], same: NDArray[np.bool_]
    ) -> None:
        """Labels that should not be on the web, and those that were looked at before."""
        letters = np.where(number > 0, self.states[number], 0)
        for letter, word in _GONE.items():
            _name(code, letters == letter, word)
        code[same & (code == GOOD)] = READ_AGAIN
        code[np.isin(letters, _INSPECTED) & (code == GOOD)] = INSPECTED

    def _seen_before(
        self, number: NDArray[np.int32], place: NDArray[np.int32]
    ) -> tuple[NDArray[np.bool_], NDArray[np.int32]]:
        """Whether each number comes for the first time, and the place where it came first."""
        _, start, group = np.unique(number, return_index=True, return_inverse=True)
        earlier = self._read_at[number]
        first = (np.arange(len(number)) == start[group]) & (earlier == 0)
        home = np.where(earlier != 0, earlier, place[start[group]])
        new = first & (number > 0)
        self._read_at[number[new]] = np.where(place[new] > 0, place[new], number[new])
        return first, home

    def _off(
        self,
        number: NDArray[np.int32],
        place: NDArray[np.int32],
        lane: NDArray[np.uint8],
        read: NDArray[np.bool_],
    ) -> NDArray[np.bool_]:
        """Where number and place do not go together as in the reading before of that lane.

        A counter that has slipped goes on at one distance; that is one matter, not one a label.
        """
        off = np.zeros(len(number), dtype=np.bool_)
        for one in np.unique(lane[read]).tolist():
            mine = np.flatnonzero(read & (lane == one))
            distance = number[mine].astype(np.int64) - place[mine]
            before = np.concatenate((self._distance[one : one + 1], distance[:-1]))
            off[mine] = (distance != 0) & (distance != before)
            self._distance[one] = distance[-1]
        return off


def _name(code: NDArray[np.uint8], where: NDArray[np.bool_], word: str) -> None:
    """Give readings this finding, unless they have a graver one."""
    code[where & ((code == GOOD) | (code > CODE[word]))] = CODE[word]


class _Along:
    """Places by running order: from the last number read on, a label further per reading.

    For the eye only; the whole file is aligned by `rules.alignment`.
    """

    def __init__(self) -> None:
        self._web: Web | None = None
        self._position_at = np.zeros(0, dtype=np.int32)
        self._carried: dict[int, tuple[int, int, int]] = {}

    def add(
        self, number: NDArray[np.int32], camera: NDArray[np.uint8], web: Web
    ) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
        """Place and lane of each reading, 0 where unknown.

        Args:
            number: numbers that were read for the first time, else 0.
            camera: the lane that the file names, 0 for none.
            web: where the labels stand.
        """
        if web is not self._web:
            self._web, there = web, np.flatnonzero(web.row > 0)
            self._position_at = np.zeros(int(web.row.max()) * web.lanes, dtype=np.int32)
            self._position_at[self._step(there)] = there
        place = np.zeros(len(number), dtype=np.int32)
        for one in np.unique(camera).tolist():
            mine = np.flatnonzero(camera == one)
            place[mine] = self._stream(one, number[mine], web.lanes if one else 1)
        return place, np.where(camera > 0, camera, web.lane[place]).astype(np.uint8)

    def _step(self, positions: NDArray[Any]) -> NDArray[np.int64]:
        """Where labels come, row by row."""
        if self._web is None:
            raise LookupError("no web yet")
        row = self._web.row[positions].astype(np.int64)
        step: NDArray[np.int64] = (row - 1) * self._web.lanes + self._web.lane[positions] - 1
        return step

    def _stream(self, camera: int, number: NDArray[np.int32], by: int) -> NDArray[np.int32]:
        """One camera's readings. What is carried on: the step last read, the way, how long ago."""
        last, way, ago = self._carried.get(camera, (-1, 1, 0))
        step = np.where(number > 0, self._step(number), -1)
        read = np.flatnonzero(step >= 0)
        # Index 0 stands for what came before.
        steps = np.concatenate(([last], step[read]))
        ways = np.concatenate(([way], np.where(np.diff(steps) < 0, -1, 1)))
        ways[1:2] = way if last < 0 else ways[1:2]
        rank = np.searchsorted(read, np.arange(len(number)), side="right")
        start = np.concatenate(([-1 - ago], read))
        distance = np.arange(len(number)) - start[rank]
        there = steps[rank] + ways[rank] * distance * by
        known = (steps[rank] >= 0) & (there >= 0) & (there < len(self._position_at))
        self._carried[camera] = (
            int(steps[-1]),
            int(ways[-1]),
            len(number) - 1 - int(start[-1]),
        )
        found = np.where(known, self._position_at[np.where(known, there, 0)], 0)
        return found.astype(np.int32)
