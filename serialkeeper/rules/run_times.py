"""What the times of readings tell of a run: which were made while the reader was not proven.

They tell only where the run's clocks were held against the station's, and agree; a minute is
granted to either side (common practice, no source).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.parts import NO_TIME
from serialkeeper.rules.runs import (
    CHALLENGED,
    CLOCK,
    CLOCK_LIMIT,
    ENDED,
    PASSED,
    STARTED,
    STOPPED,
    WITHIN,
    Event,
    failures,
)

_FOR_EVER = 1 << 62
"""Milliseconds since 1970 that nobody reaches."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """What a failed challenge leaves in doubt among readings that come in after it.

    Attributes:
        failed: the challenge.
        begin, end: milliseconds since 1970: between the last pass before and the first one after
            the failure, and as far around as two clocks may be apart.
        timed: whether the times of readings tell: the run's clocks were held against the
            station's, and none was apart.
        latest: whether the station has had no later run of the lot: a file that does not tell
            when it was read may be of this one.
    """

    failed: Event
    begin: int
    end: int
    timed: bool
    latest: bool

    def covers(self, times: NDArray[np.int64], *, followed: bool) -> NDArray[np.bool_]:
        """Which readings of a file it leaves in doubt.

        Args:
            times: milliseconds since 1970, `rules.parts.NO_TIME` where the file gives none.
            followed: whether the file was followed, so that the journal tells when it came about.
        """
        untold = np.full(len(times), self.latest and not followed)
        if not self.timed:
            return untold
        within = (times > self.begin) & (times <= self.end)
        return np.where(times == NO_TIME, untold, within)


def doubts(events: Sequence[Event], station: str) -> list[Doubt]:
    """What each failed challenge at a station leaves in doubt.

    Args:
        events: of the lot, in order.
    """
    mine = [one for one in events if one.station == station]
    found = []
    for failed in failures(mine, station, 0):
        passed = [one.at for one in mine if one.outcome == PASSED and one.seq < failed.seq]
        later = [one.at for one in mine if one.outcome == PASSED and one.seq > failed.seq]
        found.append(
            Doubt(
                failed,
                _milliseconds(passed[-1]) - CLOCK_LIMIT * 1000 if passed else NO_TIME,
                _milliseconds(later[0]) + CLOCK_LIMIT * 1000 if later else _FOR_EVER,
                _timed(mine, failed.run),
                failed.run == max(one.run for one in mine),
            )
        )
    return found


def _timed(mine: Sequence[Event], run: int) -> bool:
    """Whether a run's clocks were held against the station's, and none was apart."""
    clocks = {
        json.loads(one.detail)["of"]: one.outcome
        for one in mine
        if one.run == run and one.word == CLOCK
    }
    return set(clocks.values()) == {WITHIN}


def outside(
    events: Sequence[Event], station: str, times: NDArray[np.int64]
) -> NDArray[np.bool_] | None:
    """Which readings were made while the station's reader was not proven, as their times tell.

    None if times do not tell: nothing was challenged there, or the clocks of the last run were not
    checked.

    Args:
        times: milliseconds since 1970; one without (`rules.parts.NO_TIME`) is not outside.
    """
    mine = [one for one in events if one.station == station]
    if not mine or not _timed(mine, mine[-1].run):
        return None
    proven = np.zeros(len(times), np.bool_)
    begun = 0
    for one in [*mine, None]:
        ends = one is None or one.word in (STARTED, STOPPED, CHALLENGED, ENDED)
        if begun and ends:
            end = _milliseconds(one.at) + CLOCK_LIMIT * 1000 if one else _FOR_EVER
            proven |= (times >= begun) & (times <= end)
            begun = 0
        if one and one.outcome == PASSED:
            begun = _milliseconds(one.at) - CLOCK_LIMIT * 1000
    found: NDArray[np.bool_] = ~proven & (times != NO_TIME)
    return found


def _milliseconds(at: str) -> int:
    return round(datetime.fromisoformat(at).timestamp() * 1000)
