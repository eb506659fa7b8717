"""Runs: a stretch of work at this station on one lot, with its clearance, challenges and stops."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import runs, signatures
from serialkeeper.rules.chain import HOUSE, LotKey, written
from serialkeeper.rules.moves import OPEN_LOT, check_lot, check_second
from serialkeeper.rules.remarks import check_remark
from serialkeeper.rules.runs import Event, Standing
from serialkeeper.store.record import Record, Work
from serialkeeper.store.runs import (
    events_of,
    hold_after_failure,
    open_run,
    runs_of,
    waiting_failures,
    working_at,
)
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def start(record: Record, name: str) -> dict[str, Any]:
    """Begin a run of a lot at this station.

    Refuses `run_state` where a run, of this lot or another, is open here; `lot_state`,
    `lot_unknown`, `role_not_allowed`.

    Returns:
        What `show` gives, and clearance: the points to be looked at first.
    """
    record.check_may("run started")
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot = work.lot(lot.full_name)
        check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        work.lock((HOUSE,))  # so that two lots cannot begin here at once
        there = working_at(work, record.station)
        if there:
            raise Refused(
                "run_state",
                "A run is open at this station; one lot is worked on at a time.",
                where=f"station {record.station}",
                expected="no open run",
                came=f"a run of lot {there[0].full_name}",
                remedy=f"End that first: run end {there[0].full_name}",
            )
        number = len(runs_of(work, key_of(lot))) + 1
        work.write(key_of(lot), "run started", {"run": number})
        told = _describe(work, lot, number)
    return {**told, "clearance": dict(runs.CLEARANCE["before"])}


def clearance(
    record: Record,
    name: str,
    when: str,
    *,
    checked: Sequence[str],
    note: str = "",
    second: str = "",
) -> dict[str, Any]:
    """Say that the line was inspected before or after the work, point by point.

    Args:
        when: `before` or `after`.
        checked: every point of `rules.runs.CLEARANCE` for that.
        note: what else there was to see.
        second: who looked at it too; needed in a live record.

    Refuses `clearance_incomplete`, `bad_value`, `run_unknown`, `second_person_needed`,
    `password_needed`, `role_not_allowed`.

    Returns:
        What `show` gives.
    """
    record.check_may("run cleared")
    points = runs.check_clearance(when, checked)
    data = {"when": when, "checked": points, "note": check_remark(note, "--note", needed=False)}
    with record.read() as view:
        lot = view.lot(name)
        check_second(record.person, second, practice=record.practice)
        if second:
            view.person(second)
    with record.work(key_of(lot)) as work:
        lot, run = _here(work, lot, record.station)
        work.write(key_of(lot), "run cleared", {"run": run.run, **data}, second=second)
        return _describe(work, lot, run.run)


def challenge(
    record: Record, name: str, *, when: str, shown: int, caught: int, note: str = ""
) -> dict[str, Any]:
    """Say how the reader did with bad labels that it was shown; all caught is passed.

    A challenge set whose results are taken in (`challenges.run`) says the same with evidence.
    A reader that missed one holds everything that was taken here since it last passed.

    Args:
        when: one of `rules.challenges.OCCASIONS`.
        shown, caught: how many bad labels, and how many of them the reader refused.
        note: which ones.

    Refuses `bad_value`, `run_unknown`, `run_state` without a clearance before,
    `role_not_allowed`.

    Returns:
        What `show` gives; passed; hold: the number of the hold that was placed, or None;
        next_held: the entries of failures of this run; of files that are still to come, what was
            read meanwhile is held, or all where nobody can tell when it was read.
    """
    record.check_may("run challenged")
    runs.check_challenge(when, shown, caught)
    data: dict[str, Any] = {"when": when, "shown": shown, "caught": caught}
    data["note"] = check_remark(note, "--note", needed=False)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, run = _here(work, lot, record.station)
        runs.check_cleared(run, lot.full_name)
        runs.check_occasion(run, when, lot.full_name)
        work.write(key_of(lot), "run challenged", {"run": run.run, **data})
        held = 0 if shown == caught else hold_after_failure(work, lot, record.station)
        told = _describe(work, lot, run.run)
        waiting = waiting_failures(work, key_of(lot), record.station)
    return {**told, "passed": shown == caught, "hold": held or None, "next_held": waiting}


def stop(record: Record, name: str, *, reason: str) -> dict[str, Any]:
    """Say that the line stopped; the reader is to be proven again before the work goes on.

    Refuses `reason_needed`, `run_unknown`, `role_not_allowed`.

    Returns:
        What `show` gives.
    """
    record.check_may("run stopped")
    why = check_remark(reason, "--reason", needed=True)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, run = _here(work, lot, record.station)
        work.write(key_of(lot), "run stopped", {"run": run.run}, reason=why)
        return _describe(work, lot, run.run)


def clock(record: Record, name: str, *, of: str, shows: datetime) -> dict[str, Any]:
    """Compare a clock with this station's.

    Args:
        of: which clock: the camera's, the printer's, a reference.
        shows: what it shows now.

    Refuses `bad_value`, `reason_needed`, `run_unknown`, `role_not_allowed`.

    Returns:
        What `show` gives, seconds (how much the clock is ahead) and within (of the limit).
    """
    record.check_may("clock checked")
    which = check_remark(of, "--of", needed=True)
    apart = runs.seconds_apart(shows, record.now())
    data = {"of": which, "shows": written(shows), "seconds": apart, "limit": runs.CLOCK_LIMIT}
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, run = _here(work, lot, record.station)
        work.write(key_of(lot), "clock checked", {"run": run.run, **data})
        told = _describe(work, lot, run.run)
    return {**told, "seconds": apart, "within": abs(apart) <= runs.CLOCK_LIMIT}


def grade(
    record: Record,
    name: str,
    *,
    grade: str,
    instrument: str,
    calibrated: date,
    position: int | None = None,
) -> dict[str, Any]:
    """Note what a verifier measured on a label of this run. It decides nothing about the label.

    Args:
        grade: as `grade/aperture/light/angle` or a grade alone.
        instrument: which verifier.
        calibrated: when it was last calibrated.
        position: of the measured label, if it is one of the lot.

    Refuses `bad_value`, `label_unknown`, `run_unknown`, `role_not_allowed`.

    Returns:
        What `show` gives, and good: whether it reaches the lot's minimum.
    """
    record.check_may("grade noted")
    tenths = runs.check_grade(grade, instrument, calibrated, today=record.now().date())
    with record.read() as view:
        lot = view.lot(name)
        if position is not None:
            view.known_label(lot, position)
    data = {"grade": grade, "tenths": tenths, "instrument": instrument.strip()}
    data |= {"calibrated": str(calibrated), "position": position or 0}
    with record.work(key_of(lot)) as work:
        lot, run = _here(work, lot, record.station)
        data |= {"minimum": lot.minimum_grade}
        work.write(key_of(lot), "grade noted", {"run": run.run, **data})
        told = _describe(work, lot, run.run)
    return {**told, "good": tenths >= lot.minimum_grade}


def end(record: Record, name: str) -> dict[str, Any]:
    """End the run of a lot at this station.

    Refuses `run_state` before the challenge at the end and the clearance after the work,
    `run_unknown`, `role_not_allowed`.

    Returns:
        What `show` gives.
    """
    record.check_may("run ended")
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, run = _here(work, lot, record.station)
        missing = run.missing()
        if missing:
            raise Refused(
                "run_state",
                "The run is not at its end yet.",
                where=f"{run.name}, lot {lot.full_name}",
                expected=" and ".join(missing),
                came="no such thing since the last stop",
                remedy="Do it, enter it, then end the run. A reader that cannot pass any more is "
                "entered as it is: what it took since it last passed is held.",
            )
        work.write(key_of(lot), "run ended", {"run": run.run})
        return _describe(work, lot, run.run)


def all_runs(record: Record, name: str) -> dict[str, Any]:
    """The runs of a lot, in order of starting. Refuses `lot_unknown`.

    Returns:
        lot, gtin, runs: run, station, by, since, ended, cleared, proven, stops, missing of each.
    """
    with record.read() as view:
        lot = view.lot(name)
        there = runs_of(view, key_of(lot))
    return {"lot": lot.number, "gtin": lot.gtin, "runs": [one.describe() for one in there]}


def show(record: Record, name: str, number: int) -> dict[str, Any]:
    """A run, and everything that happened in it. Refuses `run_unknown`, `lot_unknown`.

    Returns:
        lot, gtin; what `all_runs` gives of a run; events: entry, at, what, when, outcome, detail,
        person, second, reason, signatures and sentence of each.
    """
    with record.read() as view:
        lot = view.lot(name)
        there = [one.run for one in runs_of(view, key_of(lot))]
        if number not in there:
            raise Refused(
                "run_unknown",
                "The lot has no such run.",
                where=lot.full_name,
                expected=", ".join(map(str, there)) or "none yet",
                came=str(number),
                remedy=f"Look at the lot's runs: run list {lot.number}",
            )
        return _describe(view, lot, number)


def _here(work: Work, lot: Lot, station: str) -> tuple[Lot, Standing]:
    """The lot as it is, and its run that is open at this station. Refuses `run_unknown`."""
    lot = work.lot(lot.full_name)
    run = open_run(work, key_of(lot), station)
    if run is None:
        there = [one for one in runs_of(work, key_of(lot)) if not one.ended]
        raise Refused(
            "run_unknown",
            "No run of the lot is open at this station.",
            where=f"lot {lot.full_name}",
            expected=", ".join(one.name for one in there) or "none is open",
            came=station,
            remedy=f"Begin one (run start {lot.number}), or set SERIALKEEPER_STATION to the "
            "station where it is open.",
        )
    return lot, run


def _describe(view: View, lot: Lot, number: int) -> dict[str, Any]:
    events = [one for one in events_of(view, key_of(lot)) if one.run == number]
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        **runs.standings(events)[0].describe(),
        "events": [_described(view, key_of(lot), one) for one in events],
    }


def _described(view: View, key: LotKey, one: Event) -> dict[str, Any]:
    told = json.loads(one.detail) if one.detail else {}
    signed = signatures.shown(view.entry(key, one.seq)) if one.word == "cleared" else []
    return {
        "entry": one.seq,
        "at": one.at,
        "what": one.word,
        "when": one.occasion or None,
        "outcome": one.outcome or None,
        "detail": told,
        "person": one.person,
        "second": one.second or None,
        "reason": one.reason or None,
        "signatures": signed,
        "sentence": runs.sentence(one, told),
    }
