"""Rolls: where labels stand on them, what may be taken off, and when one may be released.

A parent roll is a range of web rows of one print job; slit, each of its lanes is a roll of its
own. A spare that was put where a bad label stood stands there from then on.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.alarms import Alarm
from serialkeeper.rules.findings import COPIES, MISSED, STAYING
from serialkeeper.rules.jobs import Shape
from serialkeeper.rules.moves import State

FORWARD, REVERSED = WOUND = ("forward", "reversed")
"""Which end comes off first: the first row printed, or the last."""

OPEN, SLIT, RELEASED = "open", "slit", "released"

MARKS = ("splice", "blank")
"""What people mark on a roll."""

WHOLE = 90
"""Per cent of a roll's labels from which a further pass counts as one over the whole roll
(common practice, no source)."""

GOOD = (State.COMMISSIONED, State.VERIFIED)


@dataclass(frozen=True, slots=True)
class Span:
    """A part of the web.

    Attributes:
        job: the print job.
        lane: its lane, 0 for all lanes.
        first, last: its rows, as the job counts them.
    """

    job: int
    lane: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Places:
    """Where every label of a lot stands; element 0 stands for no label.

    Attributes:
        job: int32 by position, 0 for a label that stands nowhere.
        row: int32 by position, from 1, as the job counts its rows.
        lane: uint8 by position, from 1.
        replaced: where bad labels stood before a spare was put there: position to spare.
        stood: job, row and lane of those labels.
    """

    job: NDArray[np.int32]
    row: NDArray[np.int32]
    lane: NDArray[np.uint8]
    replaced: dict[int, int] = field(default_factory=dict)
    stood: dict[int, tuple[int, int, int]] = field(default_factory=dict)

    @classmethod
    def of(cls, jobs: Iterable[tuple[int, Shape]], positions: int) -> Places:
        """As printed: the jobs' numbers and shapes, and how many positions the lot has."""
        job = np.zeros(positions + 1, dtype=np.int32)
        row = np.zeros(positions + 1, dtype=np.int32)
        lane = np.zeros(positions + 1, dtype=np.uint8)
        for number, shape in jobs:
            places = shape.positions()
            rows, lanes = shape.grid(0, shape.count)
            job[places], row[places], lane[places] = number, rows, lanes
        return cls(job, row, lane)

    def moved(self, replacements: Iterable[tuple[int, int]]) -> Places:
        """The same after spares were put in the place of bad labels, in order: (bad, spare)."""
        made = Places(self.job.copy(), self.row.copy(), self.lane.copy())
        for bad, spare in replacements:
            made.replaced[bad] = spare
            made.stood[bad] = made.cell(bad)
            for column in (made.job, made.row, made.lane):
                column[spare], column[bad] = column[bad], 0
        return made

    def cell(self, position: int) -> tuple[int, int, int]:
        """Job, row and lane of a label."""
        return int(self.job[position]), int(self.row[position]), int(self.lane[position])

    def on(self, span: Span) -> NDArray[np.bool_]:
        """Which labels stand on a part of the web, by position."""
        found = (self.job == span.job) & (self.row >= span.first) & (self.row <= span.last)
        if span.lane:
            found &= self.lane == span.lane
        found[0] = False
        there: NDArray[np.bool_] = found
        return there

    def stood_on(self, span: Span) -> list[int]:
        """Labels that stood there until a spare was put in their place."""
        return [
            position
            for position, (job, row, lane) in self.stood.items()
            if job == span.job and span.first <= row <= span.last and span.lane in (0, lane)
        ]


@dataclass(slots=True)
class Fate:
    """What the record knows of a label that is not simply good.

    Attributes:
        state: its state.
        findings: words of its open findings.
        reason: why it was voided or decommissioned.
        removed, absent, seen: the last entry by which it was taken off, proven absent, and read
            on the web though it should not be; 0 for never.
        evidence: what proved it absent.
        copies: whether several labels may carry its number, or it does not stand in its place:
            one cut does not show that the number left.
    """

    position: int
    state: State = State.COMMISSIONED
    findings: tuple[str, ...] = ()
    reason: str = ""
    removed: int = 0
    absent: int = 0
    seen: int = 0
    evidence: str = ""
    copies: bool = False

    @property
    def gone(self) -> bool:
        """Whether it is off the web: taken off or proven absent, and not read there since."""
        return max(self.removed, self.absent) > self.seen

    @property
    def surely_gone(self) -> bool:
        """Whether no label with its number is left in its place or elsewhere on the roll."""
        return self.absent > self.seen or (self.gone and not self.copies)

    def note(self, word: str, seq: int) -> None:
        """A take found this, as that entry says."""
        self.copies |= word in COPIES
        if word not in MISSED:
            self.seen = max(self.seen, seq)

    def missing(self) -> str:
        """What still has to be done before its roll can be released; empty for nothing."""
        stay = [word for word in self.findings if word in STAYING]
        if self.state in (State.REJECTED, State.PULLED):
            return "rejected, and nobody decided: label accept, label void or label decommission"
        if self.state in (State.ISSUED, State.ALLOCATED):
            return "not seen for certain: read the roll again, then accept or void it"
        if self.state in GOOD:
            if self.gone:
                return "recorded as good, and not on the roll: decommission it"
            if self.findings:
                return (
                    "good, and not seen when the roll was read again: read again, or accept "
                    "it with a fresh scan"
                )
            return ""
        if not self.gone:
            since = " since it was read there" if self.removed or self.absent else ""
            return (
                f"{self.state.word}, and nothing shows that it left the web{since}: "
                "roll removed, or read the roll again"
            )
        if not self.surely_gone:
            return (
                f"{self.state.word} and taken off, but its number was read more than once or out "
                "of its place: read the roll again after the cut"
            )
        if stay:
            return "read on the web after it had left: label settle"
        return ""


def concerns(alarm: Alarm, standing: Sequence[int], lane: int) -> bool:
    """Whether an alarm may be of labels of a roll: some stand within its stretch, if that is known.

    Args:
        standing: positions of the roll's labels, ascending.
        lane: the roll's lane, 0 for all lanes.
    """
    if alarm.lane and lane and alarm.lane != lane:
        return False
    next_one = bisect_left(standing, alarm.first)
    return not alarm.first or (next_one < len(standing) and standing[next_one] <= alarm.last)


def is_whole(result: Mapping[str, int]) -> bool:
    """Whether a further pass covered a roll: it read something at most of its labels' places."""
    return result["placed"] * 100 >= WHOLE * result["standing"]


def strangers(passes: Iterable[Mapping[str, int]], blanks: int) -> int:
    """How many readings of things that do not belong on a roll its passes leave unexplained.

    Args:
        passes: what further passes over the roll said, in order; a pass over most of it makes
            what earlier ones said obsolete.
        blanks: blank labels marked on it, which a camera cannot read.
    """
    left = 0
    for result in passes:
        beyond = result["strange"] + max(result["surplus"] - blanks, 0)
        left = beyond if is_whole(result) else max(left, beyond)
    return left


@dataclass(frozen=True, slots=True)
class Survey:
    """What the record knows of a roll.

    Attributes:
        printed: labels that were printed there.
        standing: positions of the labels that stand there now, gone ones among them.
        stood: positions of labels that a spare was put in place of.
        letters: the state letter of each of those, standing ones first.
        fates: what is known of those that are not simply good, by position.
        blanks: blank labels marked on it.
        strangers: readings on it that are of none of its labels.
        alarms: ids of open alarms that concern its labels.
    """

    printed: int
    standing: tuple[int, ...]
    stood: tuple[int, ...]
    letters: str
    fates: list[Fate]
    blanks: int
    strangers: int
    alarms: tuple[int, ...]

    @property
    def gone(self) -> int:
        """Labels that stand there by the plan, and were taken off or proven absent."""
        there = set(self.standing)
        return sum(fate.gone for fate in self.fates if fate.position in there)

    @property
    def expected(self) -> int:
        """What a counter at the rewinder should count: the labels there, and the blanks."""
        return len(self.standing) - self.gone + self.blanks

    def states(self) -> dict[str, int]:
        """How many of its labels are in each state, by word."""
        counts: dict[str, int] = {}
        for letter in self.letters:
            word = State(letter).word
            counts[word] = counts.get(word, 0) + 1
        return counts

    def missing(self) -> list[dict[str, object]]:
        """What still holds the roll, label by label, and what concerns no label of it."""
        listed: list[tuple[int | None, str]] = [
            (fate.position, fate.missing()) for fate in self.fates
        ]
        if self.strangers:
            listed.append(
                (
                    None,
                    f"readings of none of its labels when it was read again: {self.strangers}; "
                    "find them, take them off or mark the blanks, and read the whole roll again",
                )
            )
        for id_ in self.alarms:
            listed.append((None, f"alarm {id_} concerns its labels and is open: alarm acknowledge"))
        return [{"position": position, "missing": why} for position, why in listed if why]


def check_wound(wound: str) -> None:
    """Refuses `bad_value` for a direction that is none."""
    if wound not in WOUND:
        raise Refused(
            "bad_value",
            "A roll is wound forward or reversed.",
            expected="forward: the first row comes off first; reversed: the last row does",
            came=wound,
            remedy="Give --wound forward or --wound reversed.",
        )


def other_way(wound: str) -> str:
    """How a roll is wound after it was rewound."""
    return REVERSED if wound == FORWARD else FORWARD


def free_rows(taken: Iterable[tuple[int, int]], rows: int) -> tuple[int, int]:
    """The first stretch of a job's rows that is on no roll yet; (0, 0) if there is none."""
    first = 1
    for start, stop in sorted(taken):
        if start > first:
            return first, start - 1
        first = max(first, stop + 1)
    return (first, rows) if first <= rows else (0, 0)


def check_rows(first: int, last: int, rows: int, taken: dict[int, tuple[int, int]]) -> None:
    """Refuses `roll_rows` for rows that the job does not have or that are on another roll."""
    expected = came = ""
    if not 1 <= first <= last <= rows:
        expected, came = f"rows from 1 to {rows}, the lower one first", f"{first}-{last}"
    for roll, (start, stop) in taken.items():
        if first <= stop and start <= last:
            expected, came = (
                f"rows that are on no roll; {start}-{stop} are on roll {roll}",
                (f"{first}-{last}"),
            )
    if expected:
        raise Refused(
            "roll_rows",
            "These rows cannot be a roll of their own.",
            expected=expected,
            came=came,
            remedy="Give --rows A-B; look at the rolls there are: roll list.",
        )


def check_open(roll: int, state: str, where: str) -> None:
    """Refuses `roll_state` if a roll was slit or released."""
    if state == OPEN:
        return
    remedy = "Name one of the rolls that it was slit into: roll list."
    if state == RELEASED:
        remedy = "A released roll is not changed any more."
    raise Refused(
        "roll_state",
        "The roll is in a state in which this is not done.",
        where=f"{where}, roll {roll}",
        expected=OPEN,
        came=state,
        remedy=remedy,
    )


def check_removal(fate: Fate, where: str) -> None:
    """Refuses `move_not_allowed` for a label that is good, or off the web already."""
    came = remedy = ""
    if fate.state in GOOD or (fate.state is State.ISSUED and not fate.findings):
        came = fate.state.word
        remedy = (
            "A good label is voided or decommissioned first; a label that no file was read "
            "of yet is inspected first."
        )
    elif fate.removed > fate.seen:
        came, remedy = "a label that was taken off before", "Check the position."
    if came:
        raise Refused(
            "move_not_allowed",
            "This label is not one to be taken off.",
            where=where,
            expected="a label that is rejected, voided, decommissioned or was not told apart, and "
            "is still on the roll",
            came=came,
            remedy=remedy,
        )


def check_replacement(bad: Fate, spare: Fate, places: Places, where: str) -> None:
    """Refuses `move_not_allowed` unless the bad label is off the web and the spare is good."""
    came = ""
    place = f"{where}, position {bad.position}"
    if bad.position in places.replaced:
        came = f"a label that {places.replaced[bad.position]} was put in place of"
    elif bad.state in GOOD or bad.removed <= bad.seen:
        came = f"a label that is {bad.state.word} and was not taken off"
    elif spare.position in places.replaced.values() or spare.position == bad.position:
        place, came = f"{where}, position {spare.position}", "a label that is in use as a spare"
    elif spare.state not in GOOD or spare.findings or spare.gone:
        place = f"{where}, position {spare.position}"
        came = f"a spare that is {spare.state.word}"
        came += ", with an open finding" if spare.findings else ""
    if came:
        raise Refused(
            "move_not_allowed",
            "This spare cannot be put in the place of that label.",
            where=place,
            expected="a bad label that was taken off (roll removed), and a spare that is good and "
            "free",
            came=came,
            remedy="Look at both labels: label show.",
        )


def check_release(missing: list[dict[str, object]], where: str) -> None:
    """Refuses `roll_open_points` while anything still holds the roll."""
    if not missing:
        return
    lines = [
        f"position {one['position']}: {one['missing']}" if one["position"] else str(one["missing"])
        for one in missing
    ]
    raise Refused(
        "roll_open_points",
        f"The roll has open points: {len(lines)}.",
        where=where,
        expected="every rejected or voided label decided, and taken off or proven absent; nothing "
        "else on the roll, and no open alarm",
        came=lines[0],
        remedy="Do what each line says, then release the roll again.",
        more=tuple(lines[1:]),
    )
