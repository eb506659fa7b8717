"""Proof that labels are not on a roll: their neighbours in the lane came one after the other.

Where times tell the pitch, the neighbours have to come one label apart; else the camera has to
have counted them one after the other; and where there is only the order of the readings, it is a
proof only in a pass that missed no good label of the lane: a camera that misses labels proves
nothing by what it did not see (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.findings import GOOD, Readings, Verdicts
from serialkeeper.rules.rolls import Places

ROOM = 1.5
"""Pitches between two neighbours from which there is room for a label between them."""
UNEVEN = 0.25
"""Part of a pitch by which most times may miss it."""
FEWEST = 8
"""Pairs of neighbours from which a lane's pitch is known."""
AROUND = 4
"""Pairs on each side by which the speed at one place is judged."""


@dataclass(slots=True)
class Proven:
    """What the order and the times of a pass say of labels that were not read.

    Attributes:
        evidence: of those proven absent, what proves it: `time`, `position` or `order`.
        reasons: a sentence for each label looked at.
    """

    evidence: dict[int, str] = field(default_factory=dict)
    reasons: dict[int, str] = field(default_factory=dict)


def prove(
    readings: Readings,
    told: NDArray[np.int32] | None,
    places: Places,
    members: NDArray[np.bool_],
    verdicts: Verdicts,
    read: NDArray[np.bool_],
    good: NDArray[np.bool_],
) -> Proven:
    """Which unread labels of a roll are proven absent.

    Args:
        readings: all readings, with their places.
        told: the places that the camera itself gave, or None.
        places: where the labels stand.
        members: bool by position: stands on the roll.
        verdicts: one per position.
        read: bool by position: its number was read anywhere.
        good: bool by position: good, and should be there.
    """
    made = Proven()
    home = np.full(len(members), -1, dtype=np.int64)
    own = np.flatnonzero((readings.number > 0) & (readings.number == readings.place))
    home[readings.place[own]] = own
    stray = (readings.place == 0) & ((readings.number > 0) | (readings.finding != GOOD))
    lane_of = places.lane[readings.place]
    for lane in np.unique(places.lane[members]).tolist():
        mine = np.flatnonzero(members & (places.lane == lane))
        mine = mine[np.argsort(places.row[mine], kind="stable")]
        here = np.flatnonzero((lane_of == lane) & (readings.place > 0))
        missed = int((good[mine] & ~read[mine]).sum())
        _Lane(readings, told, places, mine, home[mine], here, stray, missed).prove(
            verdicts.touched[mine] | read[mine], made
        )
    return made


class _Lane:
    """One lane of the roll: its labels from the first row to the last."""

    def __init__(
        self,
        readings: Readings,
        told: NDArray[np.int32] | None,
        places: Places,
        labels: NDArray[np.int64],
        home: NDArray[np.int64],
        here: NDArray[np.int64],
        stray: NDArray[np.bool_],
        missed: int,
    ) -> None:
        self.readings, self.told, self.places = readings, told, places
        self.labels, self.home, self.missed = labels, home, missed
        self.anchors = np.flatnonzero(home >= 0)
        rank = np.full(len(readings.place), -1, dtype=np.int64)
        rank[here] = np.arange(len(here))
        self.rank = rank
        self.strays = np.concatenate(([0], np.cumsum(stray)))
        self._learn_pitch()

    def prove(self, touched: NDArray[np.bool_], made: Proven) -> None:
        """Look at every stretch of labels between two that were read in their places."""
        for label in self.labels[~touched].tolist():
            made.reasons[label] = "it does not lie between two labels that were read"
        far = np.flatnonzero(np.diff(self.anchors) > 1)
        for gap in far.tolist():
            one, other = int(self.anchors[gap]), int(self.anchors[gap + 1])
            between = np.arange(one + 1, other)
            if touched[between].any():
                evidence, reason = "", "a reading stands beside its place"
            else:
                evidence, reason = self._between(one, other)
            for label in self.labels[between[~touched[between]]].tolist():
                made.reasons[label] = reason
                if evidence:
                    made.evidence[label] = evidence

    def _between(self, one: int, other: int) -> tuple[str, str]:
        """Whether two labels came one after the other: evidence, or none, and why."""
        a, b = int(self.home[one]), int(self.home[other])
        low, high = min(a, b), max(a, b)
        names = f"labels {self.labels[one]} and {self.labels[other]}"
        between = self.strays[high] - self.strays[low + 1]
        if abs(int(self.rank[a] - self.rank[b])) != 1 or between:
            return "", f"{names} were not read one after the other"
        pitch = self._pitch(one)
        if pitch:
            apart = abs(int(self.readings.time[a] - self.readings.time[b])) + self.grain
            if apart > ROOM * pitch:
                return "", f"there is room for a label between {names}"
            return "time", f"{names} came one label apart"
        if self.missed:
            return (
                "",
                f"good labels of the lane that the pass missed: {self.missed}, so that order "
                "proves nothing",
            )
        if self.told is not None:
            rows = self.places.row[np.minimum(self.told[[a, b]], len(self.places.row) - 1)]
            if abs(int(rows[0]) - int(rows[1])) != 1:
                return "", f"the camera counted a place between {names}"
            return "position", f"the camera counted {names} one after the other"
        count = len(self.anchors)
        return (
            "order",
            f"nothing was read between {names}, in a pass that missed none of the "
            f"{count} labels of the lane",
        )

    def _learn_pitch(self) -> None:
        """The times from label to label where two neighbours were read."""
        self.pairs = np.zeros(0, dtype=np.int64)
        self.apart = np.zeros(0, dtype=np.int64)
        self.grain = 0
        time = self.readings.time[self.home[self.anchors]]
        if len(time) <= FEWEST or (time == 0).any():
            return
        row = self.places.row[self.labels[self.anchors]]
        next_to = np.flatnonzero((np.diff(self.anchors) == 1) & (np.diff(row) == 1))
        apart = np.abs(np.diff(time))[next_to]
        usual = float(np.median(apart)) if len(apart) else 0.0
        if len(apart) < FEWEST or usual <= 0:
            return
        if np.percentile(np.abs(apart - usual), 75) <= UNEVEN * usual:
            self.pairs, self.apart = self.anchors[next_to], apart
            self.grain = int(np.gcd.reduce(np.diff(time)))  # what the times are multiples of

    def _pitch(self, one: int) -> float:
        """Milliseconds per label around a gap, by the slower count of labels; 0 for unknown."""
        at = int(np.searchsorted(self.pairs, one))
        sides = [self.apart[max(at - AROUND, 0) : at], self.apart[at : at + AROUND]]
        known = [float(np.median(side)) for side in sides if len(side)]
        return min(known, default=0.0)
