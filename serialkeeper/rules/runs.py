"""Runs: a stretch of work at one station on one lot, and what was checked on the way.

A run begins with a clearance and a passed challenge of the reader, and ends with another of each.
From a stop on, the reader counts as proven again only when it has passed once more. What counts is
the order of the journal: a result belongs into it when it is there, not at the end of the shift.

21 CFR 211.130(e) wants the line inspected immediately before use and the result documented; 211.68
wants equipment checked. The points of the lists, and what needs a challenge, are common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import challenges
from serialkeeper.rules.chain import Entry, canonical
from serialkeeper.rules.changes import Change, Insert, Row
from serialkeeper.rules.fields import parse_grade
from serialkeeper.rules.parts import NO_GRADE
from serialkeeper.rules.remarks import check_remark

STARTED, CLEARED, CHALLENGED, STOPPED = "started", "cleared", "challenged", "stopped"
CLOCK, GRADE, ENDED = "clock", "grade", "ended"
"""What happens in a run."""

PASSED, FAILED, UNPROVEN = "passed", "failed", "unproven"
"""What came of a challenge: a reader that missed a label failed; one that nothing was shown of
proves nothing."""

WITHIN, APART, GOOD, LOW = "within", "apart", "good", "low"
"""What came of a clock check, and of a grade."""

WRONG = (FAILED, UNPROVEN, APART, LOW)
"""Outcomes that need a person."""

CLEARANCE: Mapping[str, Mapping[str, str]] = {
    "before": {
        "line": "no label, product or paper of earlier work is on the line",
        "printer": "no print data of earlier work is in the printer",
        "web": "the mounted stock and artwork are those of the lot's papers",
        "waste": "the waste boxes are empty",
        "counters": "the counters stand at nothing, or where they stand is noted",
    },
    "after": {
        "line": "no label, roll or loose piece of the lot is left on the line",
        "printer": "the lot's print data are out of the printer",
        "waste": "the waste was counted and taken away",
        "counters": "the counters were read",
    },
}
"""The points of a clearance, before and after the work."""

READER_FAILED = "the reader at "
"""How the reason of a hold begins that a failed challenge placed."""

CLOCK_LIMIT = 60
"""Seconds that two clocks may be apart (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened in a run.

    Attributes:
        seq: the lot's entry that tells it.
        run: the run's number in the lot.
        word: STARTED and so on.
        station: where.
        occasion: of a clearance `before` or `after`; of a challenge one of
            `rules.challenges.OCCASIONS`.
        outcome: what came of a challenge, a clock check or a grade; else empty.
        detail: what else the entry tells, canonical JSON.
        person, second, reason, at: of the entry.
    """

    seq: int
    run: int
    word: str
    station: str
    occasion: str
    outcome: str
    detail: str
    person: str
    second: str
    reason: str
    at: str


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a run stands.

    Attributes:
        run, station, by, since: which one, where, who started it and when.
        ended: when; empty while it is open.
        cleared: which clearances are done; one after the work counts until a stop or a challenge.
        last: the last challenge since the start or the last stop.
        passed: the entry of the last passed challenge of the run, 0 for none.
        stops: how many.
    """

    run: int
    station: str
    by: str
    since: str
    ended: str
    cleared: tuple[str, ...]
    last: Event | None
    passed: int
    stops: int

    @property
    def name(self) -> str:
        """What it is called."""
        return f"run {self.run} at {self.station}"

    @property
    def proven(self) -> bool:
        """Whether the reader passed since the start or the last stop."""
        return self.last is not None and self.last.outcome == PASSED

    def missing(self) -> list[str]:
        """What has to come before it can end, in words."""
        wanted = []
        if self.last is None or self.last.occasion != "end" or self.last.outcome == UNPROVEN:
            wanted.append("a challenge at the end (run challenge --when end)")
        if "after" not in self.cleared:
            wanted.append("a clearance after the work (run clearance after)")
        return wanted

    def describe(self) -> dict[str, Any]:
        """As answers tell it."""
        return {
            "run": self.run,
            "station": self.station,
            "by": self.by,
            "since": self.since,
            "ended": self.ended or None,
            "cleared": list(self.cleared),
            "proven": self.proven,
            "stops": self.stops,
            "missing": [] if self.ended else self.missing(),
        }


def standings(events: Iterable[Event]) -> list[Standing]:
    """Where each run of a lot stands, in order of starting.

    Args:
        events: of the lot, in order.
    """
    by_run: dict[int, list[Event]] = {}
    for event in events:
        by_run.setdefault(event.run, []).append(event)
    return [_standing(some) for _, some in sorted(by_run.items())]


def _standing(events: Sequence[Event]) -> Standing:
    """Where a run stands after these events; the first one is its start."""
    cleared: dict[str, None] = {}
    last: Event | None = None
    passed, ended, stops = 0, "", 0
    for event in events:
        match event.word:
            case "cleared":
                cleared[event.occasion] = None
            case "challenged":
                last = event
                passed = event.seq if event.outcome == PASSED else passed
                if event.occasion != "end":
                    cleared.pop("after", None)  # the work goes on
            case "stopped":
                last, stops = None, stops + 1
                cleared.pop("after", None)
            case "ended":
                ended = event.at
    start = events[0]
    return Standing(
        start.run,
        start.station,
        start.person,
        start.at,
        ended,
        tuple(cleared),
        last,
        passed,
        stops,
    )


def failures(events: Iterable[Event], station: str, since: int) -> list[Event]:
    """Failed challenges at a station in entries after `since`."""
    return [
        one
        for one in events
        if one.outcome == FAILED and one.station == station and one.seq > since
    ]


def line(told: Mapping[str, Any]) -> str:
    """A run as `Standing.describe` gives it, in one line."""
    stops = f"{told['stops']} stop{'' if told['stops'] == 1 else 's'}"
    proven = "reader proven" if told["proven"] else "READER NOT PROVEN"
    ended = f"ended {told['ended']}" if told["ended"] else "open"
    return (
        f"run {told['run']} at {told['station']} since {told['since']}: {ended}, {stops}, {proven}"
    )


def sentence(event: Event, told: Mapping[str, Any]) -> str:
    """An event in one line.

    Args:
        told: its detail.
    """
    second = f" and {event.second}" if event.second else ""
    reason = f": {event.reason}" if event.reason else ""
    match event.word:
        case "cleared":
            what = f"clearance {event.occasion} the work, {', '.join(told['checked'])}"
        case "challenged":
            when = challenges.OCCASIONS[event.occasion]
            what = f"challenge {when}: {event.outcome}, {told['caught']} of {told['shown']} caught"
            if told.get("note"):
                what += f" ({told['note']})"
            if set_ := told.get("challenge"):
                what += f" (set {set_}, {told['name']})"
        case "stopped":
            what = "stop"
        case "clock":
            what = f"clock check, {told['of']}: {told['seconds']:+d} s, {event.outcome}"
        case "grade":
            where = f" at position {told['position']}" if told["position"] else ""
            what = (
                f"verifier grade {told['grade']}{where}, {told['instrument']}, calibrated "
                f"{told['calibrated']}: {event.outcome}"
            )
        case _:
            what = event.word
    return f"{event.at}  {what}{reason}; {event.person}{second}"


# -- what may be entered -------------------------------------------------------------------------


def check_clearance(when: str, checked: Sequence[str]) -> list[str]:
    """The points in order. Refuses `bad_value` and `clearance_incomplete`."""
    if when not in CLEARANCE:
        raise Refused(
            "bad_value",
            "A clearance is done before or after the work.",
            expected=" or ".join(CLEARANCE),
            came=when,
            remedy="Say which.",
        )
    points = CLEARANCE[when]
    if set(checked) != set(points):
        strange = [one for one in checked if one not in points]
        missing = [one for one in points if one not in checked]
        raise Refused(
            "clearance_incomplete",
            "A clearance covers every point of its list, each looked at.",
            where="--checked",
            expected=", ".join(points),
            came=f"no point {strange[0]!r}" if strange else f"without {', '.join(missing)}",
            remedy="Look, then name each point: "
            + "; ".join(f"{one}: {points[one]}" for one in (points if strange else missing)),
        )
    return list(points)


def check_challenge(when: str, shown: int, caught: int) -> None:
    """Refuses `bad_value` for a declared challenge that cannot be."""
    challenges.check_occasion(when)
    if not (1 <= shown <= 10_000 and 0 <= caught <= shown):
        raise Refused(
            "bad_value",
            "The challenge cannot have gone like that.",
            expected="1 to 10,000 bad labels shown, and no more caught than shown",
            came=f"{shown} shown, {caught} caught",
            remedy="Count again how many bad labels the reader was shown, and how many it refused.",
        )


def check_occasion(run: Standing, when: str, lot: str) -> None:
    """Refuses `run_state` for a challenge that the run gives no occasion for: at a start or after a
    stop it is the first one that passes, in between one came before."""
    problem = remedy = ""
    if when == "start" and run.stops:
        problem, remedy = "The run has started before, and stopped since.", "Say --when stop."
    elif when == "stop" and not run.stops:
        problem = "The run has not stopped."
        remedy = "If the line did stop, first: run stop. Otherwise say --when interval."
    elif when in ("start", "stop") and run.proven:
        problem = "The reader has passed since."
        remedy = "Say --when interval; after another stop, first: run stop."
    elif when == "start" and run.last is not None and run.last.occasion != "start":
        problem, remedy = "The run has started before.", "Say --when interval."
    elif when == "interval" and run.last is None:
        problem = "The reader was not proven yet since the start or the stop."
        remedy = f"Say --when {'stop' if run.stops else 'start'}."
    if problem:
        raise Refused(
            "run_state",
            problem,
            where=f"{run.name}, lot {lot}",
            expected="the occasion that it is",
            came=f"--when {when}",
            remedy=remedy,
        )


def occasions(run: Standing, lot: str) -> list[str]:
    """For which challenges the run gives an occasion now, the one that is due first; none before
    the line was cleared."""
    if "before" not in run.cleared:
        return []
    there = []
    for when in challenges.OCCASIONS:
        try:
            check_occasion(run, when, lot)
        except Refused:
            continue
        there.append(when)
    return there


def check_cleared(run: Standing, lot: str) -> None:
    """Refuses `run_state` for a run whose line nobody has cleared yet."""
    if "before" not in run.cleared:
        raise Refused(
            "run_state",
            "The line was not cleared yet; what the reader is shown may be anything.",
            where=f"{run.name}, lot {lot}",
            expected="a clearance before the work",
            came="none",
            remedy=f"Inspect the line, then: run clearance {lot} before --checked "
            f"{','.join(CLEARANCE['before'])}",
        )


def check_grade(grade: str, instrument: str, calibrated: date, *, today: date) -> int:
    """The grade in tenths. Refuses `bad_value`."""
    tenths = parse_grade(grade)
    if tenths in (None, NO_GRADE) or not instrument.strip() or calibrated > today:
        raise Refused(
            "bad_value",
            "A verifier's result is not complete.",
            expected="an instrument, a calibration date up to today, a grade such as 3.5/08/660",
            came=f"{instrument or 'no instrument'}, {calibrated}, {grade or 'no grade'}",
            remedy="Give --instrument, --calibrated and --grade.",
        )
    check_remark(instrument, "--instrument", needed=True)
    return int(tenths or 0)


def seconds_apart(shows: datetime, now: datetime) -> int:
    """How many seconds the first time is after the second. Refuses `bad_value` without a zone."""
    if shows.tzinfo is None:
        raise Refused(
            "bad_value",
            "A time without its zone says nothing.",
            expected="a time such as 2026-06-01T09:30:00+02:00",
            came=shows.isoformat(),
            remedy="Give the zone too.",
        )
    return round((shows - now).total_seconds())


# -- what entries do -----------------------------------------------------------------------------


def _event(entry: Entry, key: Row, word: str, occasion: str, outcome: str, told: Row) -> Change:
    row = {**key, "seq": entry.seq, "run": entry.data["run"], "word": word}
    row |= {"station": entry.station, "occasion": occasion, "outcome": outcome}
    row |= {"detail": canonical(told).decode() if told else ""}
    row |= {"person": entry.person, "second": entry.second, "reason": entry.reason}
    return Insert("run_event", {**row, "at": entry.at})


def _told(entry: Entry) -> Row:
    return {name: value for name, value in entry.data.items() if name not in ("run", "when")}


def _plain(word: str) -> Callable[[Entry, Row], list[Change]]:
    return lambda entry, key: [_event(entry, key, word, "", "", _told(entry))]


def _cleared(entry: Entry, key: Row) -> list[Change]:
    return [_event(entry, key, CLEARED, entry.data["when"], "", _told(entry))]


def _challenged(entry: Entry, key: Row) -> list[Change]:
    told = _told(entry)
    outcome = PASSED if told["caught"] == told["shown"] else FAILED
    return [_event(entry, key, CHALLENGED, entry.data["when"], outcome, told)]


def challenged_by_file(entry: Entry, key: Row) -> list[Change]:
    """What a challenge set's run does to the run that is open at its station; older ones name
    none."""
    data = entry.data
    if not data.get("run"):
        return []
    letters = data["outcomes"]
    caught, missed = (letters.count(one) for one in (challenges.CAUGHT, challenges.MISSED))
    told = {"shown": caught + missed, "caught": caught, "note": ""}
    told |= {"challenge": data["challenge"], "challenge_run": data["id"], "name": data["name"]}
    outcome = FAILED if missed else PASSED if challenges.passed(letters) else UNPROVEN
    return [_event(entry, key, CHALLENGED, data["occasion"], outcome, told)]


def _clock_checked(entry: Entry, key: Row) -> list[Change]:
    outcome = WITHIN if abs(entry.data["seconds"]) <= entry.data["limit"] else APART
    return [_event(entry, key, CLOCK, "", outcome, _told(entry))]


def _grade_noted(entry: Entry, key: Row) -> list[Change]:
    outcome = GOOD if entry.data["tenths"] >= entry.data["minimum"] else LOW
    return [_event(entry, key, GRADE, "", outcome, _told(entry))]


HANDLERS: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "run started": _plain(STARTED),
    "run cleared": _cleared,
    "run challenged": _challenged,
    "run stopped": _plain(STOPPED),
    "clock checked": _clock_checked,
    "grade noted": _grade_noted,
    "run ended": _plain(ENDED),
}
"""What entries of a lot's chain do."""
