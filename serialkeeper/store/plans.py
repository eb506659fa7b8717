"""What a reading of the web is held against: the lot's plan, and where its labels stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import rolls
from serialkeeper.rules.alarms import Alarm, Rules, fold, not_raised_yet
from serialkeeper.rules.chain import BLOCK
from serialkeeper.rules.findings import GOOD, ORDER
from serialkeeper.rules.jobs import Web, shape_of
from serialkeeper.rules.layout import layout_of
from serialkeeper.rules.lookup import Texts
from serialkeeper.rules.moves import State
from serialkeeper.rules.results import CLOCKS_APART, Grid, Plan
from serialkeeper.rules.rolls import Fate, Places, Span, Survey
from serialkeeper.rules.runs import READER_FAILED
from serialkeeper.store.codes import codes_of, with_extras
from serialkeeper.store.line_tables import Roll, Take
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Job, Lot
from serialkeeper.store.view import View, alarm_of, key_of


def plan_of(
    record: Record,
    view: View,
    lot: Lot,
    *,
    grid: Grid,
    web: Web,
    free: NDArray[Any],
    again: bool = False,
    occupant: NDArray[Any] | None = None,
) -> Plan:
    """What the lot's labels should say; the last ones are as in `rules.results.Plan`.

    Texts are read when they are asked for; they stand in the journal, which never changes.
    """
    moment = record.now()

    def serials(block: int) -> pl.Series:
        with record.read() as now:
            return pl.Series(_numbers(now, lot, block)[1])

    def codes(block: int) -> pl.Series:
        with record.read() as now:
            return codes_of(now, lot, *_numbers(now, lot, block))

    return Plan(
        serials=Texts(lot.labels, serials),
        codes=Texts(lot.labels, codes) if with_extras(view, lot) else None,
        gtin=lot.gtin,
        lot=lot.number,
        expiry=date.fromisoformat(lot.expiry),
        order=tuple(lot.ai_order.split()),
        minimum_grade=lot.minimum_grade,
        grid=grid,
        web=web,
        free=free,
        again=again,
        this_year=moment.year,
        latest=round(moment.timestamp() * 1000) + CLOCKS_APART,
        occupant=occupant,
        layout=layout_of(lot.layout),
    )


def _numbers(view: View, lot: Lot, block: int) -> tuple[int, list[str]]:
    """The first position of a block, and the numbers from there on."""
    first = block * BLOCK + 1
    return first, view.serials(key_of(lot), first, min(BLOCK, lot.labels - first + 1))


def places_of(view: View, lot: Lot) -> Places:
    """Where the lot's labels stand: as printed, and after spares were put in."""
    jobs = [(job.id, shape_of(job.ranges, job.lanes, job.by)) for job in printed_jobs(view, lot)]
    replaced = [(one.bad, one.spare) for one in view.replacements(key_of(lot))]
    return Places.of(jobs, lot.labels).moved(replaced)


def printed_jobs(view: View, lot: Lot) -> list[Job]:
    """The lot's print jobs. Refuses `nothing_printed`."""
    if jobs := view.jobs(key_of(lot)):
        return jobs
    raise Refused(
        "nothing_printed",
        "No label of the lot was printed yet, so there is no web.",
        where=lot.full_name,
        expected="a print job",
        came="none",
        remedy="Check the lot, or write the print file first: print write.",
    )


def span_of(roll: Roll) -> Span:
    """Which part of the web a roll is."""
    return Span(roll.job, roll.lane, roll.first_row, roll.last_row)


def fates_of(view: View, lot: Lot, *, among: NDArray[np.bool_] | None = None) -> dict[int, Fate]:
    """What the record knows of every label that is not simply good, by position.

    Args:
        among: the labels to tell of by reason of their state, by position (element 0 unused); what
            findings, removals and proofs are about is told of all the same. None for all.
    """
    key = key_of(lot)
    known: dict[int, Fate] = {}

    def of(position: int) -> Fate:
        return known.setdefault(position, Fate(position))

    letters = view.states(key, 1, lot.labels)
    odd = ~np.isin(np.frombuffer(letters, np.uint8), [ord(State.COMMISSIONED), ord(State.VERIFIED)])
    if among is not None:
        odd &= among[1 : len(odd) + 1]
    for position in (np.flatnonzero(odd) + 1).tolist():
        of(position)
    for found in view.findings(key):
        if found.state == "open":
            of(found.position).findings += (found.word,)
        if found.position in known:
            known[found.position].note(found.word, found.seq)
    for gone in view.departures(key):
        span = odd[gone.first - 1 : gone.last]
        for position in (np.flatnonzero(span) + gone.first).tolist():
            known[position].reason = gone.reason
    for removal in view.removals(key):
        fate = of(removal.position)
        fate.removed = max(fate.removed, removal.seq)
    for proof in view.proofs(key):
        fate = of(proof.position)
        if proof.word == "absent" and proof.seq > fate.absent:
            fate.absent, fate.evidence = proof.seq, proof.evidence
        elif proof.word in ("still_there", "there"):
            fate.seen = max(fate.seen, proof.seq)
    for position, fate in known.items():
        fate.state = State(chr(letters[position - 1]))
    return known


@dataclass(frozen=True)
class Ground:
    """What all rolls of a lot rest on: where labels stand, in which states, with which fates."""

    places: Places
    letters: str
    fates: dict[int, Fate]


def ground_of(view: View, lot: Lot) -> Ground:
    """What the lot's rolls rest on; read once for all of them."""
    letters = " " + view.states(key_of(lot), 1, lot.labels).decode()
    return Ground(places_of(view, lot), letters, fates_of(view, lot))


def survey_of(view: View, lot: Lot, roll: Roll, ground: Ground | None = None) -> Survey:
    """What the record knows of a roll."""
    ground = ground or ground_of(view, lot)
    key, places, span = key_of(lot), ground.places, span_of(roll)
    job = view.job(key, roll.job)
    printed = Places.of([(job.id, shape_of(job.ranges, job.lanes, job.by))], lot.labels)
    standing = np.flatnonzero(places.on(span)).tolist()
    stood = sorted(places.stood_on(span))
    there = [*standing, *stood]
    blanks = sum(
        mark.labels for mark in view.marks(key) if mark.word == "blank" and mark.roll == roll.id
    )
    passes = [result for _, result in passes_of(view, lot, roll)]
    return Survey(
        printed=int(printed.on(span).sum()),
        standing=tuple(standing),
        stood=tuple(stood),
        letters="".join(ground.letters[position] for position in there),
        fates=[ground.fates[one] for one in sorted(there) if one in ground.fates],
        blanks=blanks,
        strangers=rolls.strangers(passes, blanks),
        alarms=tuple(
            one.id
            for one in view.open_alarms(key)
            if rolls.concerns(one.alarm, standing, roll.lane)
        ),
    )


def passes_of(view: View, lot: Lot, roll: Roll) -> list[tuple[Take, dict[str, int]]]:
    """Further passes over a roll, or over the one that it was slit from, and what they said."""
    takes = [take for take in view.takes(key_of(lot)) if take.roll in (roll.id, roll.parent or -1)]
    if not takes:
        return []
    results = {
        entry.data["take"]: entry.data["again"]
        for entry in view.entries(key_of(lot))
        if entry.verb == "take finished" and "again" in entry.data
    }
    return [(take, results[take.id]) for take in takes if take.id in results]


def in_short(view: View, lot: Lot, roll: Roll, ground: Ground | None = None) -> dict[str, Any]:
    """A roll in short."""
    survey = survey_of(view, lot, roll, ground)
    return {
        "lot": lot.number,
        "roll": roll.id,
        "parent": roll.parent or None,
        "job": roll.job,
        "lane": roll.lane or None,
        "rows": [roll.first_row, roll.last_row],
        "wound": roll.wound,
        "state": roll.state,
        "labels": len(survey.standing),
        "gone": survey.gone,
        "expected": survey.expected,
        "states": survey.states(),
        "missing": len(survey.missing()),
    }


def all_in_short(view: View, lot: Lot) -> list[dict[str, Any]]:
    """Every roll of a lot in short."""
    there = view.rolls(key_of(lot))
    ground = ground_of(view, lot) if there else None
    return [in_short(view, lot, roll, ground) for roll in there]


def summary_of(view: View, lot: Lot, done: Take, *, already: bool) -> dict[str, Any]:
    """A finished take as its command answers; `already` if these bytes were taken before."""
    key = key_of(lot)
    counts = view.count_findings(key, done.id)
    finished, held = _finished(view, lot, done)
    states: dict[str, int] = {}
    for state, count in view.count_states(key).items():
        states[state.word] = states.get(state.word, 0) + count
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "take": done.id,
        "readings": done.readings,
        "states": states,
        "findings": {word: counts[word] for word in ORDER if word in counts},
        "open_findings": len(view.findings(key, take=done.id, state="open")),
        "ambiguous": counts.get("not_told_apart", 0),
        "held_though_plausible": finished["plausible"],
        "alarms": finished["alarms"],
        "alarms_open": view.count_open_alarms(key),
        "notes": finished.get("notes", []),
        "already_taken": already,
        "profile": done.profile,
        "hold": held or None,
        **({"roll": done.roll, "again": finished["again"]} if done.roll else {}),
    }


def _finished(view: View, lot: Lot, done: Take) -> tuple[dict[str, Any], int]:
    """What the last entry of a take tells, and the hold that was placed with it because its reader
    had failed; 0 for none."""
    finished: dict[str, Any] = {}
    last = 0
    for entry in view.entries(key_of(lot)):
        if entry.verb == "take finished" and entry.data["take"] == done.id:
            finished, last = dict(entry.data), entry.seq
        if last and entry.seq == last + 1:
            failed = entry.verb == "held" and entry.reason.startswith(READER_FAILED)
            return finished, entry.data["id"] if failed else 0
    return finished, 0


def raise_alarms(
    work: Work,
    lot: Lot,
    alarms: Sequence[Alarm],
    found: NDArray[np.uint8],
    rules: Rules,
    *,
    name: str,
    follow: int = 0,
    unproven: int = 0,
) -> tuple[list[int], dict[str, Any]]:
    """What the last entry of a take tells of its alarms, and the ids of those that are new.

    Args:
        alarms: all of the file.
        found: what it found, `CODE` or `GOOD` by position.
        rules: by which they were found.
        name: the file's name.
        follow: the following that raised some of them already, 0 for none.
        unproven: readings of a reader that was not proven, 0 if it was.
    """
    key = key_of(lot)
    alarms = [*alarms, *_on_released(work, lot, found)]
    if unproven:
        alarms.append(Alarm("unchallenged", 0, 0, 0, unproven))
    there = work.alarms(key)
    followed = [alarm_of(row) for row in there if follow and row.follow == follow]
    new = not_raised_yet(alarms, followed, rules.window)
    folded = fold(new, work.open_alarms(key), len(there) + 1, rules.window)
    told = {
        "name": name,
        "follow": follow,
        "alarms": [alarm.as_dict() for alarm in alarms],
        "rules": rules.as_dict(),
        **folded.as_data(),
    }
    return [one.id for one in folded.raised], told


def _on_released(view: View, lot: Lot, found: NDArray[np.uint8]) -> list[Alarm]:
    """One alarm for findings on labels of rolls that were released already."""
    released = [roll for roll in view.rolls(key_of(lot)) if roll.state == rolls.RELEASED]
    if not released:
        return []
    places = places_of(view, lot)
    there = np.zeros(len(found), dtype=np.bool_)
    for roll in released:
        there |= places.on(span_of(roll))
    hit = np.flatnonzero(there & (found != GOOD))
    return [Alarm("released_roll", 0, int(hit[0]), int(hit[-1]), len(hit))] if len(hit) else []
