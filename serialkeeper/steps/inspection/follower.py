"""One results file on its way while the camera writes it: what is seen, told and journalled of it.

What is seen on the way is for people: counts so far, and alarms, which are journalled at once.
How far the file was followed is journalled from time to time, so that after a crash the same
command goes on: every alarm once, every label once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path
from time import monotonic
from typing import Any

import numpy as np

from serialkeeper.errors import Refused, SerialKeeperError
from serialkeeper.outside import devices
from serialkeeper.outside.growing import Growing, changed
from serialkeeper.rules import profiles
from serialkeeper.rules.alarms import Alarm, fold
from serialkeeper.rules.following import Doubt, Live
from serialkeeper.rules.moves import OPEN_LOT, check_lot
from serialkeeper.rules.results import Plan
from serialkeeper.steps.inspection.taking import check_other_takes, plan_for, profile_of
from serialkeeper.store.line_tables import FollowRow
from serialkeeper.store.numbers import check_finished
from serialkeeper.store.record import Record
from serialkeeper.store.reviews import describe_alarm
from serialkeeper.store.runs import unproven
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

_RAISED = ("id", "kind", "lane", "first", "last", "labels", "file", "station", "raised")
"""What an onlooker is told of an alarm that was just raised."""

SAVED_EVERY = 10.0
"""Seconds after which it is journalled how far a file was followed."""

LOOK_EVERY = 1.0
"""Seconds between two looks at the record: acknowledged alarms, new print jobs, the word that the
file is finished."""

SETTLED = 1.0
"""Seconds without a new line before a file that was renamed is taken for finished."""


@dataclass(frozen=True, slots=True)
class Progress:
    """What was seen so far; nothing of it is commissioned yet.

    Attributes:
        lot, file: which.
        readings: how many.
        outcomes: how many of each of `rules.following.OUTCOMES`.
        doubts: the last doubtful readings.
        alarms_open: alarms of the lot that nobody has acknowledged.
    """

    lot: str
    file: str
    readings: int
    outcomes: Mapping[str, int]
    doubts: Sequence[Doubt]
    alarms_open: int


class Onlooker:
    """Who looks on while a file is followed; this one does nothing."""

    def saw(self, progress: Progress) -> None:
        """Called some ten times a second."""

    def alarm(self, alarm: dict[str, Any]) -> None:
        """An alarm was raised and journalled."""

    def taken(self, summary: dict[str, Any]) -> None:
        """A finished file was taken in."""

    def asked(self) -> str:
        """`finish`: the file is finished; `stop`: leave it for later; or nothing."""
        return ""


def open_row(record: Record, view: View, lot: Lot, path: Path) -> FollowRow | None:
    """The unfinished following of a file of that name at this station."""
    rows = [
        row
        for row in view.follows(key_of(lot))
        if (row.station, row.name) == (record.station, path.name) and row.state != "finished"
    ]
    return rows[-1] if rows else None


class Follower:
    """One file on its way.

    Attributes:
        row: how far it was followed, as the record has it.
        live: what was seen so far.
    """

    def __init__(
        self, record: Record, name: str, growing: Growing, profile: str, onlooker: Onlooker
    ) -> None:
        self.record, self.growing, self.onlooker = record, growing, onlooker
        self.path = growing.source.path
        with record.read() as view:
            self.lot = view.lot(name)
            self.key = key_of(self.lot)
            check_lot(self.lot.state, *OPEN_LOT, where=self.lot.full_name)
            check_finished(view, self.lot)
            self.rules = view.alarm_rules_at(record.station)
            described, text = profile_of(view, None, profile)
            self.profile = profiles.parse(text, f"profile {described}") if described else None
            row = self._earlier(view, described)
            plan, shapes = plan_for(record, view, self.lot, None, np.zeros(0, dtype=np.bool_))
            self.jobs, states = len(shapes), self._states(view)
            self.expected, self.unproven = view.open_alarms(self.key), self._unproven(view)
        unit = self.profile.unit if self.profile else "line"
        self.live = Live(plan, states, self.rules, str(self.path), unit)
        self.row = row or self._start(described)
        if self.row.station != record.station:
            self._take_over()
        self.mark = self.row.readings
        self.pending: list[Alarm] = []
        self.due = self.ending = False
        self.saved = self.looked = monotonic()

    def _states(self, view: View) -> Any:
        return np.frombuffer(b" " + view.states(self.key, 1, self.lot.labels), np.uint8)

    def _unproven(self, view: View) -> bool:
        return unproven(view, self.lot, self.record.station, practice=self.record.practice)

    # -- beginning, or going on -------------------------------------------------------------

    def _earlier(self, view: View, profile: str) -> FollowRow | None:
        """What an earlier run left of this file; None if it is a new one."""
        row = open_row(self.record, view, self.lot, self.path) or self._left_behind(view)
        if row is None:
            self._check_new(view)
            return None
        if row.profile != profile:
            raise Refused(
                "take_unfinished",
                "The file was followed with another camera profile so far.",
                where=str(self.path),
                expected=f"--profile {row.profile or profiles.DEFAULT}",
                came=profile or profiles.DEFAULT,
                remedy="Give the same profile again; following goes on from where it stopped.",
            )
        if not self.growing.begins_with(row.size, row.sha256):
            raise changed(self.path, f"the first {row.size:,} bytes as read", "other bytes")
        return row

    def _left_behind(self, view: View) -> FollowRow | None:
        """What another station left of this very file: one of its name, with the same readings."""
        return next(
            (
                row
                for row in view.follows(self.key)
                if row.name == self.path.name
                and row.state != "finished"
                and row.readings
                and self.growing.begins_with(row.size, row.sha256)
            ),
            None,
        )

    def _take_over(self) -> None:
        """From here on the file is followed at this station; the other one is refused."""
        with self.record.work(self.key) as work:
            row = self._current(work)
            told = {name: getattr(row, name) for name in ("name", "size", "sha256", "readings")}
            none = {"follow": row.id, "raised": [], "grown": []}
            work.write(self.key, "followed", {**told, **none})
        self.row = row.model_copy(update={"station": self.record.station})

    def _check_new(self, view: View) -> None:
        """Refuses a file that was taken in before and grew since, and what `take` refuses."""
        takes = {take.id: take for take in view.takes(self.key)}
        followed = {row.take for row in view.follows(self.key) if row.state == "finished"}
        others = [take for take in takes.values() if take.id not in followed]
        check_other_takes(self.record, self.lot, others, self.path.name, "a file that grows")
        for take in (takes[one] for one in followed):
            if self.growing.begins_with(take.size, take.sha256):
                raise Refused(
                    "results_name_taken",
                    "The file was taken in as finished, and grew since.",
                    where=f"{self.path}, take {take.id}",
                    expected=f"{take.size:,} bytes",
                    came="more",
                    remedy=f"Cut what follows byte {take.size:,} into a file of its own, with the "
                    "heading, and take that: inspect take.",
                )

    def _start(self, profile: str) -> FollowRow:
        with self.record.work(self.key) as work:
            if open_row(self.record, work, self.lot, self.path):
                raise self._elsewhere()
            row_id = len(work.follows(self.key)) + 1
            data = {"id": row_id, "name": self.path.name, "profile": profile}
            work.write(self.key, "follow started", data)
            return work.follows(self.key)[-1]

    def _elsewhere(self) -> Refused:
        return Refused(
            "followed_elsewhere",
            "Another process follows this file.",
            where=f"{self.path}, lot {self.lot.number}",
            expected="one process for one file",
            came="an entry of another one",
            remedy="Let the other one go on, or stop it and start this one again.",
        )

    # -- on the way ------------------------------------------------------------------------

    def run(self, idle: float | None, *, empty_is_idle: bool) -> str:
        """Follow the file; gives how it ended: finish, idle, rotated or stopped.

        Args:
            idle: seconds, or None.
            empty_is_idle: whether the idle time also ends a file without a reading.
        """
        ended = ""
        try:
            for batch in devices.read(self.path, self.growing.blocks(), self.profile):
                told = []
                if batch.rows.height:
                    devices.check_rehearsed(batch, self.path, welcome=self.record.practice)
                    told = self.live.add(batch.rows, batch.first_line)
                self._look()
                fresh = [alarm for number, alarm in told if number >= self.mark]
                new = min(batch.rows.height, self.live.readings - self.mark)
                if self.unproven and new > 0:
                    fresh.append(Alarm("unchallenged", 0, 0, 0, new))
                if self._news(fresh):
                    self._save()
                self.onlooker.saw(self._progress())
                limit = idle if self.live.readings or empty_is_idle else None
                ended = self._ended(limit, resting=not batch.rows.height)
                if ended:
                    break
        except BaseException:
            with suppress(SerialKeeperError):  # what went wrong first is what is told
                self._save()
            raise
        self._save()
        return ended

    def _progress(self) -> Progress:
        return Progress(
            self.lot.number,
            str(self.path),
            self.live.readings,
            self.live.outcomes,
            self.live.doubts,
            len(self.expected),
        )

    def _look(self) -> None:
        """What others did to the record meanwhile."""
        if monotonic() - self.looked < LOOK_EVERY:
            return
        grown: tuple[Plan, Any] | None = None
        with self.record.read() as view:
            standing, self.unproven = view.open_alarms(self.key), self._unproven(view)
            self.row = self._current(view)
            lot, jobs = view.lot(self.lot.full_name), len(view.jobs(self.key))
            if (lot.labels, jobs) != (self.lot.labels, self.jobs):
                self.lot, self.jobs = lot, jobs
                plan, _ = plan_for(self.record, view, lot, None, np.zeros(0, dtype=np.bool_))
                grown = plan, self._states(view)
        if grown:
            self.live.replan(*grown)
        # What was acknowledged meanwhile does not grow any more: labels that wait for it alarm.
        next_id = max((one.id for one in standing), default=0) + 1
        folded = fold(self.pending, standing, next_id, self.rules.window)
        self.expected, self.due = folded.standing, bool(folded.raised)
        self.looked = monotonic()

    def _current(self, view: View) -> FollowRow:
        """This following as the record has it; refused if another process wrote it on."""
        row = next(row for row in view.follows(self.key) if row.id == self.row.id)
        where = attrgetter("size", "readings", "station")
        if where(row) != where(self.row):
            raise self._elsewhere()
        return row

    def _news(self, told: list[Alarm]) -> bool:
        """Whether something has to be journalled now: an alarm at once, the rest by and by."""
        self.pending += told
        next_id = max((one.id for one in self.expected), default=0) + 1
        folded = fold(told, self.expected, next_id, self.rules.window)
        self.expected = folded.standing
        if folded.raised or self.due:
            return True
        # The first readings at once: by them another station knows the file, if this one dies.
        due = not self.row.readings or monotonic() - self.saved > SAVED_EVERY
        return self.growing.size > self.row.size and due and self.live.readings > 0

    def _save(self) -> None:
        """Journal how far the file was followed, and what alarmed on the way."""
        if self.growing.size == self.row.size and not self.pending:
            return
        # After a crash the file is read again up to where it was; that is journalled already.
        if self.live.readings < self.mark:
            return
        with self.record.work(self.key) as work:
            if self._current(work).state == "finished":
                return
            there = work.alarms(self.key)
            folded = fold(
                self.pending, work.open_alarms(self.key), len(there) + 1, self.rules.window
            )
            data = {
                "follow": self.row.id,
                "name": self.row.name,
                "size": self.growing.size,
                "sha256": self.growing.sha256,
                "readings": self.live.readings,
                **folded.as_data(),
            }
            work.write(self.key, "followed", data)
            row = next(row for row in work.follows(self.key) if row.id == self.row.id)
        self.row, self.mark, self.saved = row, self.live.readings, monotonic()
        self.pending, self.expected, self.due = [], folded.standing, False
        self.tell([one.id for one in folded.raised])

    def tell(self, ids: Sequence[int]) -> None:
        """Tell the onlooker of alarms that were raised."""
        if not ids:
            return
        with self.record.read() as view:
            rows = [row for row in view.alarms(self.key) if row.id in ids]
        for row in rows:
            told = describe_alarm(row)
            raised = {name: told[name] for name in _RAISED}
            self.onlooker.alarm({"lot": self.lot.number, "gtin": self.lot.gtin, **raised})

    def _ended(self, idle: float | None, *, resting: bool) -> str:
        asked = self.onlooker.asked()
        if asked == "stop":
            return "stopped"
        # Whoever says so says it of what was written until then: one more look at the file.
        looked_since, self.ending = (
            self.ending,
            asked == "finish" or self.row.state != "following",
        )
        if not resting:
            return ""
        if looked_since:
            return "finish"
        if self.growing.replaced() and self.growing.quiet > SETTLED:
            return "rotated"
        if idle is not None and self.growing.quiet > idle:
            return "idle"
        return ""
