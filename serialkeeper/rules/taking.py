"""From the verdicts of a results file and the states they meet to what each label becomes.

Arrays are by position; element 0 stands for no position.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import findings
from serialkeeper.rules.alarms import Alarm, Rules, extra_codes, extra_labels, find
from serialkeeper.rules.alignment import Group
from serialkeeper.rules.chain import BLOCK, Part
from serialkeeper.rules.findings import CODE, GOOD, ORDER, WORDS, Readings, Verdicts
from serialkeeper.rules.jobs import Shape, runs, short_runs
from serialkeeper.rules.moves import INSPECTED
from serialkeeper.rules.parts import (
    NO_GRADE,
    NO_TIME,
    UNCHANGED,
    Finding,
    States,
    pack_findings,
    pack_states,
)
from serialkeeper.rules.results import Interpretation

_ALLOCATED, _ISSUED, _VERIFIED, _COMMISSIONED = (ord(letter) for letter in "aivc")
_REJECTED, _PULLED, _VOIDED, _DECOMMISSIONED = (ord(letter) for letter in "rRxd")


@dataclass(frozen=True)
class Judged:
    """A results file, judged against a plan and the states of its labels.

    Attributes:
        readings, verdicts, notes: what the judgement rests on.
        target: uint8 per position: the letter a label should take, or `UNCHANGED`.
        finding: uint8 per position: `CODE` or `GOOD`.
        found: bool per position: was missing, and is now read in its place.
        alarms: reasons to stop and look.
        groups: by position, the labels among which the readings do not tell.
        together: by position, those labels in short form.
        present: bool per position: stands on the web, also where it should not.
    """

    readings: Readings
    verdicts: Verdicts
    notes: Interpretation
    target: NDArray[np.uint8]
    finding: NDArray[np.uint8]
    found: NDArray[np.bool_]
    alarms: list[Alarm]
    groups: dict[int, Group]
    together: dict[int, str]
    present: NDArray[np.bool_]

    def next_block(self, through: int) -> int | None:
        """The next block from `through` on in which the file says anything."""
        start = through * BLOCK + 1
        concerned = self.concerned(start, len(self.target))
        if not concerned.any():
            return None
        return (start + int(concerned.argmax()) - 1) // BLOCK

    def concerned(self, start: int, stop: int) -> NDArray[np.bool_]:
        """Which positions from start to stop - 1 the file says anything about."""
        said: NDArray[np.bool_] = self.finding[start:stop] != GOOD
        return said | self.verdicts.touched[start:stop]

    def parts(self, block: int, states: NDArray[np.uint8]) -> list[Part]:
        """What the journal keeps of one block.

        Args:
            block: which.
            states: the letters of the block's labels now; a label that somebody moved
                meanwhile (voided, say) stays where it is.
        """
        start, stop = block * BLOCK + 1, min((block + 1) * BLOCK + 1, len(self.target))
        places = np.flatnonzero(self.concerned(start, stop)) + start
        first, last = int(places[0]), int(places[-1])
        now = states[first - start : last + 1 - start]
        finding = self.finding[first : last + 1].copy()
        name_the_gone(finding, self.present[first : last + 1], now)
        made = [pack_states(self._states(first, last, now))]
        listed = self._findings(first, finding)
        if listed:
            made.append(pack_findings(first, last - first + 1, listed))
        return made

    def found_in(self, block: int) -> list[list[int]]:
        """Runs of a block's labels that are missing no more."""
        start, stop = block * BLOCK + 1, (block + 1) * BLOCK + 1
        return runs(np.flatnonzero(self.found[start:stop]) + start)

    def _states(self, first: int, last: int, now: NDArray[np.uint8]) -> States:
        span = slice(first, last + 1)
        target = self.target[span].copy()
        target[~_fits(target, now)] = UNCHANGED
        reading = self.verdicts.reading[span]
        there = reading >= 0
        some = reading[there]
        grade = np.full(len(now), NO_GRADE, dtype=np.uint8)
        time = np.full(len(now), NO_TIME, dtype=np.int64)
        evidence = np.full(len(now), ord("."), dtype=np.uint8)
        grade[there] = self.readings.grade[some]
        time[there] = self.readings.time[some]
        evidence[there] = self.readings.evidence[some]
        return States(first, target, evidence, grade, time)

    def _findings(self, first: int, finding: NDArray[np.uint8]) -> list[Finding]:
        listed = []
        for offset in np.flatnonzero(finding != GOOD).tolist():
            position = first + offset
            word = ORDER[finding[offset] - 1]
            reading = int(self.verdicts.reading[position])
            seen = self.notes.seen.get(reading, "")[:200]
            detail = self._detail(position, word, reading)
            together = self.together.get(position, "") if word == "not_told_apart" else ""
            listed.append(Finding(position, word, seen, detail, together))
        return listed

    def _detail(self, position: int, word: str, reading: int) -> str:
        if word == "not_told_apart":
            group = self.groups[position]
            few = len(group.positions) - group.readings
            many = len(group.positions)
            if few == 1:
                return f"1 of these {many} labels was not seen"
            return f"{few} of these {many} labels were not seen"
        if reading < 0:
            return WORDS[word][0]
        place, number = int(self.readings.place[reading]), int(self.readings.number[reading])
        if word == "out_of_place" and not place:
            return "the number was seen between labels that are not its neighbours"
        if word == "out_of_place" and place == position:
            return "an unread label nearby may have changed places with it"
        if word == "out_of_place":
            return f"the number was seen at position {place}"
        if word in ("repeated", "other_number") and number and place == position:
            return f"the place shows the number of position {number}"
        if word == "low_grade":
            return (
                f"in-line grade {self.readings.grade[reading] / 10:.1f}, "
                f"minimum {self.notes.plan.minimum_grade / 10:.1f}"
            )
        return self.notes.detail.get(reading) or WORDS[word][0]


def _fits(target: NDArray[np.uint8], now: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Where a label is in a state from which inspection may move it to its target."""
    fits = np.zeros(len(target), dtype=np.bool_)
    for letter, sources in INSPECTED.items():
        fits |= (target == ord(letter)) & _any_of(now, *map(ord, sources))
    return fits


def _any_of(values: NDArray[np.uint8], *some: int) -> NDArray[np.bool_]:
    """Where a value is one of a few: `np.isin` takes eight times the memory."""
    found = np.zeros(len(values), dtype=np.bool_)
    for one in some:
        found |= values == one
    return found


@dataclass(frozen=True)
class Standing:
    """What stands against labels from before.

    Attributes:
        states: uint8, state letters by position, a filler before the first.
        missing: bool by position: not seen by an earlier file, and nothing else.
        barred: bool by position: another finding is open; a good reading does not undo it.
        elsewhere: bool by position: the number was seen elsewhere by another file.
        planted: bool by position: the label was made bad on purpose.
    """

    states: NDArray[np.uint8]
    missing: NDArray[np.bool_]
    barred: NDArray[np.bool_]
    elsewhere: NDArray[np.bool_]
    planted: NDArray[np.bool_]


def decide(
    readings: Readings,
    notes: Interpretation,
    standing: Standing,
    jobs: list[Shape],
    *,
    good: int,
    rules: Rules,
    resumed: bool,
    where: str,
) -> Judged:
    """What each label of the lot should become.

    Args:
        readings, notes: the whole file, interpreted.
        standing: what stands against the labels from before.
        jobs: what was printed when the file was first looked at.
        good: the letter of a label that is called good: commissioned, or verified where
            the lot commissions at application.
        rules: when to alarm.
        resumed: whether some of the file was written before an interruption.
        where: file and lot, for refusals.

    Refuses `results_claimed` if labels of the file were inspected before.
    """
    states = standing.states
    verdicts = findings.judge(readings, len(states) - 1)
    if not resumed:
        _check_claims(verdicts, standing, where)
    touched = verdicts.touched
    lanes = _lanes(jobs, len(states))
    finding = verdicts.finding.copy()
    # Printed after the file was first looked at, so it stood on the web before it was issued.
    finding[touched & (states == _ISSUED) & (lanes == 0)] = CODE["not_issued"]
    doubtful = np.array(notes.aligned.doubtful if notes.aligned else [], dtype=np.int64)
    finding[doubtful[finding[doubtful] == GOOD]] = CODE["out_of_place"]
    seen_before = touched & (finding == GOOD) & standing.barred & (states == _ISSUED)
    finding[seen_before] = CODE["read_twice"]
    moved = (finding == CODE["out_of_place"]) & _any_of(states, _COMMISSIONED, _VERIFIED)
    moved |= verdicts.placed & standing.elsewhere & (finding == GOOD)
    finding[moved] = CODE["read_twice"]  # once in its place, once elsewhere, in two files
    name_the_gone(finding, touched, states)
    finding[touched & (finding == GOOD) & standing.planted] = CODE["missed_plant"]
    target = np.full(len(states), UNCHANGED, dtype=np.uint8)
    bad = touched & (finding != GOOD)
    target[touched & ~bad & (states == _ISSUED)] = good
    target[bad & _any_of(states, _ISSUED, _VERIFIED)] = _REJECTED
    target[bad & (states == _COMMISSIONED)] = _PULLED
    groups = _without_places(finding, notes, verdicts, standing, lanes)
    del seen_before, moved, bad
    web = findings.indices((lanes > 0) & (touched | (finding != GOOD)))
    raised = find(web, lanes[web], finding[web], rules)
    raised += extra_codes(readings)
    raised += [] if notes.placed else extra_labels(readings)
    found = verdicts.placed & standing.missing
    together = {group: short_runs(group.positions) for group in set(groups.values())}
    named = {position: together[group] for position, group in groups.items()}
    return Judged(readings, verdicts, notes, target, finding, found, raised, groups, named, touched)


def _without_places(
    finding: NDArray[np.uint8],
    notes: Interpretation,
    verdicts: Verdicts,
    standing: Standing,
    lanes: NDArray[np.uint8],
) -> dict[int, Group]:
    """Name the labels at whose places no reading stands, or not for certain; gives the groups."""
    made = notes.aligned
    if made is None:
        finding[_unseen(verdicts, standing, lanes)] = CODE["not_seen"]
        return {}
    silent = ~verdicts.touched & (standing.states == _ISSUED) & ~standing.missing
    unseen = np.array(made.unseen, dtype=np.int64)
    finding[unseen[silent[unseen]]] = CODE["not_seen"]
    groups: dict[int, Group] = {}
    for group in made.groups:
        for position in group.positions:
            if silent[position]:
                groups[position] = group
    finding[list(groups)] = CODE["not_told_apart"]
    return groups


def name_the_gone(
    finding: NDArray[np.uint8], touched: NDArray[np.bool_], states: NDArray[np.uint8]
) -> None:
    """Labels that should not be on the web, and were seen there."""
    for letter, word in (
        (_VOIDED, "voided_number"),
        (_DECOMMISSIONED, "used_number"),
        (_ALLOCATED, "not_issued"),
    ):
        finding[touched & (states == letter)] = CODE[word]


def _check_claims(verdicts: Verdicts, standing: Standing, where: str) -> None:
    states = standing.states
    told = _any_of(states, _COMMISSIONED, _VERIFIED, _REJECTED, _PULLED)
    claimed = np.flatnonzero(verdicts.placed & told & ~standing.elsewhere)
    if len(claimed):
        raise Refused(
            "results_claimed",
            "Labels of this file were inspected already.",
            where=where,
            expected="labels that were printed and not inspected",
            came=f"inspected labels: {len(claimed):,}, from position {claimed[0]} to {claimed[-1]}",
            remedy="Give each label's first pass in one file only; cut the overlap away.",
        )


def _lanes(jobs: list[Shape], size: int) -> NDArray[np.uint8]:
    """The lane of each position, 0 where it was not printed."""
    lanes = np.zeros(size, dtype=np.uint8)
    for shape in jobs:
        lanes |= shape.lanes_by_position(size)  # no position is in two jobs
    return lanes


def _unseen(verdicts: Verdicts, standing: Standing, lanes: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Printed labels without a reading, between the first and last place of the file, in
    lanes that the file covers; those that are missing already are not named again."""
    states = standing.states
    placed = verdicts.placed
    unseen = np.zeros(len(states), dtype=np.bool_)
    if not placed.any():  # readings of one number only, all of them elsewhere
        return unseen
    covered = slice(int(placed.argmax()), len(placed) - int(placed[::-1].argmax()))
    seen_in = np.unique(lanes[placed])
    unseen[covered] = _any_of(lanes[covered], *seen_in[seen_in > 0].tolist())
    unseen &= ~verdicts.touched & (states == _ISSUED) & ~standing.missing
    return unseen
