"""When to stop and look: the alarm rules, alarms over a whole file and alarms while it grows.

An alarm is for people; this tool stops no machine. Repeats of one cause are one alarm as long
as nobody has acknowledged it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from itertools import takewhile
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.findings import CODE, GOOD, ORDER, WORDS, Readings, indices

AT_ONCE = (
    "missed_plant",
    "repeated",
    "other_number",
    "read_twice",
    "foreign",
    "wrong_product",
    "wrong_lot",
)
"""Findings that alarm at the first label (common practice, no source)."""

_MEANS = {
    "in_a_row": "bad labels in a row",
    "share": "too many bad labels in a short stretch",
    "extra_code": "codes were read that belong to no label's place",
    "extra_label": "unread labels stand where the plan has none",
    "still_there": "labels that should be gone are still there",
    "released_roll": "something was found on labels of a released roll",
    "good_gone": "good labels are not on the roll",
    "unchallenged": "the reader was not proven since the start or the last stop (run challenge)",
}
"""What alarms say that are not named after a finding."""

_SAME_CAUSE = {"other_number": "repeated", "read_twice": "repeated"}
"""What a file that is still growing calls repeated may have a closer name when it is whole."""

_CODES_AT_ONCE = frozenset(CODE[word] for word in AT_ONCE)


@dataclass(frozen=True, slots=True)
class Rules:
    """When labels alarm that are bad, but not so bad as to alarm at the first one.

    The defaults are common practice, no source.

    Attributes:
        in_a_row: bad labels in a row in one lane that alarm.
        share: tenths of a per cent; more bad labels than that in a window alarm.
        window: labels in the window.
    """

    in_a_row: int = 3
    share: int = 20
    window: int = 200

    @property
    def most(self) -> int:
        """Bad labels in a window that do not yet alarm."""
        return self.share * self.window // 1000

    def as_dict(self) -> dict[str, int]:
        """The rules as plain data."""
        return asdict(self)


DEFAULT = Rules()


def check_rules(rules: Rules) -> None:
    """Refuses `bad_value` for rules that cannot be meant."""
    if not (
        2 <= rules.in_a_row <= 1_000 and 1 <= rules.share <= 1_000 and 10 <= rules.window <= 100_000
    ):
        raise Refused(
            "bad_value",
            "Alarm rules like these cannot be meant.",
            expected="2 to 1,000 in a row; 0.1 to 100 per cent; a window of 10 to 100,000 labels",
            came=f"{rules.in_a_row} in a row; {rules.share / 10} per cent in {rules.window}",
            remedy="Correct them; a single grave finding alarms at once whatever the rules.",
        )


@dataclass(frozen=True, slots=True)
class Alarm:
    """A reason to stop and look, for people.

    Attributes:
        kind: `in_a_row`, `share` or a finding's word.
        lane: the lane, or 0 for all lanes.
        first, last: positions of the first and last label concerned, 0 where the place of a
            label is not known yet.
        labels: how many labels are concerned.
    """

    kind: str
    lane: int
    first: int
    last: int
    labels: int

    def as_dict(self) -> dict[str, object]:
        """The alarm as plain data."""
        return {
            "kind": self.kind,
            "lane": self.lane or None,
            "first": self.first,
            "last": self.last,
            "labels": self.labels,
        }

    def touches(self, other: Alarm, reach: int) -> bool:
        """Whether at most `reach` positions lie between both stretches."""
        if not (self.first and other.first):
            return True
        return self.first <= other.last + reach and other.first <= self.last + reach

    def joined(self, other: Alarm) -> Alarm:
        """One alarm over both stretches."""
        known = [place for place in (self.first, other.first) if place]
        return replace(
            self,
            first=min(known, default=0),
            last=max(self.last, other.last),
            labels=self.labels + other.labels,
        )


def extra_codes(readings: Readings) -> list[Alarm]:
    """One alarm for codes that were read where no label of the plan stands: strange labels may
    be on the web."""
    beyond = (readings.place == 0) & (readings.number == 0) & (readings.finding != GOOD)
    count = int((beyond & (readings.finding != CODE["unreadable"])).sum())
    return [Alarm("extra_code", 0, 0, 0, count)] if count else []


def extra_labels(readings: Readings) -> list[Alarm]:
    """One alarm for unread readings where no label of the plan stands, of a file without
    positions: blanks, double triggers, or labels that do not belong on the web."""
    beyond = (readings.place == 0) & (readings.number == 0)
    count = int((beyond & (readings.finding == CODE["unreadable"])).sum())
    return [Alarm("extra_label", 0, 0, 0, count)] if count else []


def find(
    places: NDArray[np.int32],
    lanes: NDArray[np.uint8],
    found: NDArray[np.uint8],
    rules: Rules = DEFAULT,
) -> list[Alarm]:
    """Alarms over the labels in web order; neighbouring ones of one cause are one.

    Args:
        places: positions in web order.
        lanes: the lane of each.
        found: `CODE` or `GOOD` of each.
        rules: when to alarm.
    """
    raised: list[Alarm] = []
    bad = found != GOOD
    for word in AT_ONCE:
        hit = places[found == CODE[word]]
        if len(hit):
            raised.append(Alarm(word, 0, int(hit[0]), int(hit[-1]), len(hit)))
    for lane in np.unique(lanes[bad]):
        mine = indices(lanes == lane)
        run_bad = bad[mine]
        outside = np.zeros(1, dtype=np.int8)
        edges = np.flatnonzero(np.diff(run_bad.view(np.int8), prepend=outside, append=outside))
        for start, stop in edges.reshape(-1, 2):
            if stop - start >= rules.in_a_row:
                at = places[mine[start:stop]]
                raised.append(Alarm("in_a_row", int(lane), int(at[0]), int(at[-1]), len(at)))
    for first, last, count in _shares(np.flatnonzero(bad), len(bad), rules):
        raised.append(Alarm("share", 0, int(places[first]), int(places[last]), count))
    return raised


def _shares(bad: NDArray[np.int64], size: int, rules: Rules) -> Iterator[tuple[int, int, int]]:
    """Stretches of labels in which too many in one window are bad: first, last, how many are bad.

    Args:
        bad: which labels are, in order; only their number takes time and memory.
        size: all labels.
    """
    window, most = rules.window, rules.most
    # Windows that hold the bad label k and `most` more begin from `low` to `high`.
    low = np.maximum(bad[most:] - window + 1, 0)
    high = np.minimum(bad[: len(low)], size - window)
    low, high = low[low <= high], high[low <= high]
    if not len(low):
        return
    apart = np.flatnonzero(low[1:] - high[:-1] > window)
    firsts, lasts = low[np.append(0, apart + 1)], high[np.append(apart, -1)] + window - 1
    counts = np.searchsorted(bad, lasts, "right") - np.searchsorted(bad, firsts, "left")
    yield from zip(firsts.tolist(), lasts.tolist(), counts.tolist(), strict=True)


# -- while a file grows --------------------------------------------------------------------


@dataclass(slots=True)
class _Run:
    """Bad readings in a row in one lane: where the last one stood, how many, and from where."""

    ordinal: int = -2
    labels: int = 0
    first: int = 0


@dataclass(slots=True)
class Watch:
    """Alarms as readings come in, in their order, however they come in pieces.

    Attributes:
        rules: when to alarm.
        readings: readings watched so far.
    """

    rules: Rules
    readings: int = 0
    _by_lane: dict[int, int] = field(default_factory=dict)
    _runs: dict[int, _Run] = field(default_factory=dict)
    _window: deque[tuple[int, int]] = field(default_factory=deque)
    _told: int = -1

    def add(
        self, places: NDArray[np.int32], lanes: NDArray[np.uint8], found: NDArray[np.uint8]
    ) -> list[tuple[int, Alarm]]:
        """Watch the next readings; gives what alarms, each with the number of its reading.

        An alarm that goes on is given again at each further bad reading, with the labels that
        are new in it only.

        Args:
            places: where the readings were taken, 0 where unknown.
            lanes: their lanes, 0 where unknown.
            found: `CODE` or `GOOD` of each.
        """
        ordinals = self._ordinals(lanes)
        told: list[tuple[int, Alarm]] = []
        for index in np.flatnonzero(found != GOOD).tolist():
            number, place, lane = self.readings + index, int(places[index]), int(lanes[index])
            made = [self._in_window(number, place), self._in_a_row(lane, ordinals[index], place)]
            if found[index] in _CODES_AT_ONCE:
                made.insert(0, Alarm(ORDER[found[index] - 1], 0, place, place, 1))
            told += [(number, alarm) for alarm in made if alarm]
        self.readings += len(found)
        return told

    def _ordinals(self, lanes: NDArray[np.uint8]) -> NDArray[np.int64]:
        """How many readings of its lane came before each."""
        made = np.zeros(len(lanes), dtype=np.int64)
        for lane in np.unique(lanes).tolist():
            mine = np.flatnonzero(lanes == lane)
            before = self._by_lane.get(lane, 0)
            made[mine] = before + np.arange(len(mine))
            self._by_lane[lane] = before + len(mine)
        return made

    def _in_a_row(self, lane: int, ordinal: int, place: int) -> Alarm | None:
        run = self._runs.setdefault(lane, _Run())
        if run.ordinal != ordinal - 1:
            run.labels, run.first = 0, place
        run.ordinal, run.labels = ordinal, run.labels + 1
        if run.labels < self.rules.in_a_row:
            return None
        if run.labels > self.rules.in_a_row:
            return Alarm("in_a_row", lane, place, place, 1)
        return Alarm("in_a_row", lane, *_span(run.first, place), run.labels)

    def _in_window(self, number: int, place: int) -> Alarm | None:
        window = self._window
        window.append((number, place))
        while window[0][0] <= number - self.rules.window:
            window.popleft()
        if len(window) <= self.rules.most:
            return None
        new = [at for _, at in takewhile(lambda one: one[0] > self._told, reversed(window))]
        self._told = number
        known = [at for at in new if at]
        return Alarm("share", 0, min(known, default=0), max(known, default=0), len(new))


def _span(one: int, other: int) -> tuple[int, int]:
    """First and last of two places; an unknown one says nothing."""
    return (min(one, other) if one and other else one or other), max(one, other)


# -- alarms in the record ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Open:
    """An alarm in the record that nobody has acknowledged yet."""

    id: int
    alarm: Alarm


@dataclass(frozen=True, slots=True)
class Folded:
    """What new alarms do to those of the record: some are raised, some grow.

    Attributes:
        raised, grown: those.
        standing: all that are open now.
    """

    raised: list[Open]
    grown: list[Open]
    standing: list[Open]

    def as_data(self) -> dict[str, list[dict[str, Any]]]:
        """For an entry of the journal."""
        return {
            "raised": [{"id": one.id, **asdict(one.alarm)} for one in self.raised],
            "grown": [
                {name: value for name, value in row.items() if name not in ("kind", "lane")}
                for row in ({"id": one.id, **asdict(one.alarm)} for one in self.grown)
            ],
        }


def fold(new: Iterable[Alarm], standing: Sequence[Open], next_id: int, reach: int) -> Folded:
    """Join new alarms to open ones of the same kind and lane that they touch, the newest of them;
    raise the others.

    Args:
        new: alarms, in order.
        standing: the lot's open alarms, in order of id.
        next_id: the id of the next alarm of the lot.
        reach: positions between two stretches that still touch: the window of the rules.
    """
    before = {one.id: one.alarm for one in standing}
    known = dict(before)
    stretches: dict[tuple[str, int], _Stretches] = {}
    for id_, alarm in before.items():
        stretches.setdefault((alarm.kind, alarm.lane), _Stretches()).note(id_, alarm)
    for alarm in new:
        mine = stretches.setdefault((alarm.kind, alarm.lane), _Stretches())
        joined = mine.touched(alarm, known, reach)
        if joined:
            known[joined] = known[joined].joined(alarm)
        else:
            known[next_id] = alarm
        mine.note(joined or next_id, alarm)
        next_id += not joined
    now = [Open(id_, alarm) for id_, alarm in known.items()]
    raised = [one for one in now if one.id not in before]
    grown = [one for one in now if one.id in before and before[one.id] != one.alarm]
    return Folded(raised, grown, now)


class _Stretches:
    """Alarms of one kind and lane, by id, and the bounds of all their stretches."""

    def __init__(self) -> None:
        self.ids: dict[int, None] = {}
        self.whole: Alarm | None = None

    def note(self, id_: int, alarm: Alarm) -> None:
        """An alarm is there, or has grown by this."""
        self.ids[id_] = None
        self.whole = self.whole.joined(alarm) if self.whole else alarm

    def touched(self, alarm: Alarm, known: Mapping[int, Alarm], reach: int) -> int:
        """The newest alarm that this one touches, 0 for none."""
        if self.whole is None or not self.whole.touches(alarm, reach):
            return 0  # mostly: readings come in order
        return next((one for one in reversed(self.ids) if known[one].touches(alarm, reach)), 0)


def not_raised_yet(alarms: Iterable[Alarm], followed: Sequence[Alarm], reach: int) -> list[Alarm]:
    """Alarms of a whole file without those that were raised while it was followed.

    Args:
        alarms: of the whole file.
        followed: those raised before, acknowledged or not.
        reach: as for `fold`.
    """

    def known(alarm: Alarm) -> bool:
        return any(_cause(alarm) == _cause(one) and one.touches(alarm, reach) for one in followed)

    return [alarm for alarm in alarms if not known(alarm)]


def _cause(alarm: Alarm) -> tuple[str, int]:
    return _SAME_CAUSE.get(alarm.kind, alarm.kind), alarm.lane


def check_acknowledged(cause: str, restart_check: str, first: int, last: int, labels: int) -> None:
    """Refuses `reason_needed` and `bad_value` for an acknowledgement that says too little.

    Args:
        cause: what it was.
        restart_check: how it was seen that the line runs well again.
        first, last: the stretch that was held, or 0 and 0 for the alarm's own.
        labels: labels of the lot.
    """
    for name, text in (("--cause", cause), ("--restart-check", restart_check)):
        if not text.strip():
            raise Refused(
                "reason_needed",
                "An alarm is acknowledged with its cause and a restart check.",
                where=name,
                expected="a few words",
                came="nothing",
                remedy="Say what it was, and how it was seen that the line runs well again.",
            )
    if (first or last) and not 1 <= first <= last <= labels:
        raise Refused(
            "bad_value",
            "The stretch held is no stretch of the lot.",
            where="--held",
            expected=f"FIRST-LAST within 1 to {labels}",
            came=f"{first}-{last}",
            remedy="Give the positions of the first and last label that were held back.",
        )


def means(kind: str) -> str:
    """What an alarm of that kind says."""
    return _MEANS[kind] if kind in _MEANS else WORDS[kind][0]


def stretch(first: int, last: int) -> str:
    """Positions, in short."""
    return f"{first:,}" if first == last else f"{first:,} to {last:,}"


def held_words(told: Mapping[str, Any]) -> str:
    """What somebody said was put aside when they acknowledged an alarm, if that is not only the
    alarm's own stretch. No hold is placed by that.

    >>> held_words({"first": 4, "last": 9, "held": [1, 20]})
    'put aside, as said: positions 1 to 20'
    """
    held = told["held"]
    if not held or not held[0] or list(held) == [told["first"], told["last"]]:
        return ""
    return f"put aside, as said: positions {stretch(*held)}"
