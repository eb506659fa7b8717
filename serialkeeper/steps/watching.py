"""Looking on: what runs where, how far it is, and what of it waits for a person. Nothing is
written, and nothing walks over a lot's labels, however many there are."""

from __future__ import annotations

from collections import Counter, OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules import findings, overview, runs
from serialkeeper.rules.chain import Entry, LotKey
from serialkeeper.rules.doubts import Told, doubt_at
from serialkeeper.rules.jobs import Shape, shape_of
from serialkeeper.rules.moves import (
    DECOMMISSION_REASONS,
    MOVES,
    OPEN_LOT,
    VOIDED,
    State,
    void_reasons,
)
from serialkeeper.rules.overview import OnWeb
from serialkeeper.rules.rolls import GOOD, SLIT
from serialkeeper.rules.runs import Standing
from serialkeeper.store import watching
from serialkeeper.store.line_tables import Roll
from serialkeeper.store.pack_trees import holds_on_lot
from serialkeeper.store.record import Record
from serialkeeper.store.reviews import describe_alarm
from serialkeeper.store.runs import runs_of
from serialkeeper.store.tables import Job, Lot
from serialkeeper.store.view import View, key_of

MOST_LISTED = 60
"""Doubtful labels that are listed; all of them are counted."""

MOST_REMEMBERED = 20
"""Lots of which the last facts are remembered, and lists of doubtful labels of each."""

_TAIL = 60
"""Last entries of a chain that are looked at."""

_MOST_NEWS = 6
_OUT = (State.VOIDED, State.DECOMMISSIONED)

_QUIET = ("taken", "followed", "allocated")
"""Verbs that are no news: they come by themselves, many in a row."""


Facts = tuple[dict[str, Any], OnWeb | None, dict[int, list[dict[str, Any]]]]
"""Facts of a lot; every doubtful label on the web that is shown, None without a web; and the first
of them from those rows on that were asked for."""


@dataclass(slots=True)
class Memory:
    """The last facts of some lots: as long as a lot's chain has the same head they stay true.

    Attributes:
        kept: by lot and print job, the chain's head, and the facts.
        lock: for whoever reads or writes them.
    """

    kept: OrderedDict[tuple[LotKey, int], tuple[bytes, Facts]] = field(default_factory=OrderedDict)
    lock: Lock = field(default_factory=Lock)

    def facts(self, view: View, lot: Lot, job: int) -> Facts:
        """What `facts_of` gives, from memory where it is still true."""
        head, key = view.chain(key_of(lot)).head, (key_of(lot), job)
        with self.lock:
            there = self.kept.get(key)
        if there is not None and there[0] == head:
            return there[1]
        found = facts_of(view, lot, job)
        with self.lock:
            self.kept[key] = head, found
            self.kept.move_to_end(key)
            while len(self.kept) > MOST_REMEMBERED:
                self.kept.popitem(last=False)
        return found


def look(
    record: Record,
    *,
    station: str = "",
    name: str = "",
    job: int = 0,
    row: int = 1,
    memory: Memory | None = None,
) -> dict[str, Any]:
    """What runs at a station, and what else runs.

    Args:
        station: which; this one if empty.
        name: a lot, whether it runs or not; empty for the one that runs at the station.
        job: the print job whose web is shown; 0 for the newest.
        row: the web row from which on doubtful labels are listed.
        memory: what was looked at before.

    Refuses `lot_unknown`, `lot_ambiguous`, `job_unknown`.

    Returns:
        station; runs (station, lot, gtin, run of each that is open); lots that could run (lot,
        gtin, product, expiry, state, printed, alarms); now: what `facts_of` gives, doubts (the
        first of them from that row on), run (the one that is open there) and elsewhere (where else
        one is); None where nothing runs.
    """
    asked = Asked(station or record.station, name, job, row)
    with record.read() as view:
        return look_through(view, asked, memory or Memory())


@dataclass(frozen=True, slots=True)
class Asked:
    """What `look` is asked: its arguments."""

    station: str
    name: str = ""
    job: int = 0
    row: int = 1


def look_through(view: View, asked: Asked, memory: Memory) -> dict[str, Any]:
    """What `look` gives, within somebody's look at the record."""
    station, name = asked.station, asked.name
    there = [(where, view.lot_at(key), number) for where, key, number in watching.open_runs(view)]
    mine = [lot for where, lot, _ in there if where == station]
    lot = view.lot(name) if name else mine[0] if mine else None
    now = None
    if lot is not None:
        open_here = [one for one in runs_of(view, key_of(lot)) if not one.ended]
        at_station = [one for one in open_here if one.station == station]
        facts, doubtful, listed = memory.facts(view, lot, asked.job)
        if asked.row not in listed:
            if len(listed) == MOST_REMEMBERED:
                listed.clear()
            doubts = _listed(view, key_of(lot), doubtful, asked.row) if doubtful else []
            listed[asked.row] = doubts
        now = {
            **facts,
            "doubts": listed[asked.row],
            "run": _run(at_station[0], lot) if at_station else None,
            "elsewhere": [one.station for one in open_here if one.station != station],
        }
    return {
        "station": station,
        "runs": [
            {"station": where, "lot": one.number, "gtin": one.gtin, "run": number}
            for where, one, number in there
        ],
        "lots": [] if lot else [_waiting(view, one) for one in view.lots() if _could_run(one)],
        "now": now,
    }


def _could_run(lot: Lot) -> bool:
    return lot.state in OPEN_LOT and lot.labels > 0


def _waiting(view: View, lot: Lot) -> dict[str, Any]:
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "product": view.product_of(lot).name,
        "expiry": lot.expiry,
        "state": lot.state,
        "printed": sum(job.count for job in view.jobs(key_of(lot))),
        "alarms": view.count_open_alarms(key_of(lot)),
    }


def _run(run: Standing, lot: Lot) -> dict[str, Any]:
    """A run, and what is due in it."""
    occasions = runs.occasions(run, lot.full_name)
    return {
        **run.describe(),
        "due": _due(run, occasions),
        "occasions": occasions,
        "last": run.last.outcome if run.last else None,
        "clearance": {when: dict(points) for when, points in runs.CLEARANCE.items()},
    }


def _due(run: Standing, occasions: Sequence[str]) -> str:
    """What has to come next: `clearance`, `challenge`, `end`; empty where the work goes on."""
    if "before" not in run.cleared:
        return "clearance"
    if not run.proven and {"start", "stop"}.intersection(occasions):
        return "challenge"
    return "" if run.missing() else "end"


def facts_of(view: View, lot: Lot, number: int = 0) -> Facts:
    """How far a lot is, from its own rows and entries alone.

    Args:
        number: the print job whose web is shown; 0 for the newest.

    Refuses `job_unknown`.

    Returns:
        lot, gtin, product, expiry, state, target, entries; counts (planned, printed, good,
        doubtful, open, gone); rate (labels a minute or None); reading (the file being read);
        alarms (those that are open); challenges (sets that were made); holds; jobs; news (last
        entries); web (job, rows, lanes, fields, signs, and leaving: how many labels of it that
        left the record nobody has taken off) of a printed lot, else None. And what is doubtful on
        the web, with those that have to come off it, of which none is listed yet.

        Every printed label is in one of good, doubtful, open (not seen yet) and gone (voided or
        decommissioned); what waits for a person is doubtful, whatever its state.
    """
    key = key_of(lot)
    jobs = view.jobs(key)
    job = view.job(key, number) if number else jobs[-1] if jobs else None
    newest = watching.newest_entries(view, key, _TAIL)
    states = view.count_states(key)
    told = watching.open_findings(view, key)
    doubtful = _doubtful(view, key, told, states)
    waiting = Counter(State(state) for _, state in {(at, state) for at, _, state in told})
    rate = watching.rate_of(view, key, newest)
    web, on_web = _web(view, key, job, doubtful) if job else (None, None)
    told_of = {
        "lot": lot.number,
        "gtin": lot.gtin,
        "product": view.product_of(lot).name,
        "expiry": lot.expiry,
        "state": lot.state,
        "target": lot.target,
        "entries": newest[0].seq,
        "counts": {
            "planned": sum(states.values()),
            "printed": sum(one.count for one in jobs),
            **_shares(sum(one.count for one in jobs), states, waiting),
            "doubtful": len(doubtful),
        },
        "rate": None if rate is None else round(rate),
        "reading": watching.reading_now(view, key),
        "alarms": [describe_alarm(row) for row in view.alarms(key) if row.state == "open"],
        "challenges": [row.id for row in view.challenges(key)],
        "holds": [one.describe() for one in holds_on_lot(view, lot)],
        "jobs": [one.id for one in jobs],
        "news": _news(newest),
        "web": web,
    }
    return told_of, on_web, {}


def _shares(
    printed: int, states: Mapping[State, int], waiting: Mapping[State, int]
) -> dict[str, int]:
    """Of the printed labels that are not doubtful: good, open, gone.

    Args:
        states: labels of the lot by state.
        waiting: of these, the ones with an open finding.
    """
    good, still = sum(states.get(one, 0) for one in GOOD), states.get(State.ISSUED, 0)
    rejected = states.get(State.REJECTED, 0) + states.get(State.PULLED, 0)
    gone = printed - good - still - rejected  # what was voided before it was printed is in none
    return {
        "good": good - sum(waiting.get(one, 0) for one in GOOD),
        "open": still - waiting.get(State.ISSUED, 0),
        "gone": gone - sum(waiting.get(one, 0) for one in _OUT),
    }


def _doubtful(
    view: View, key: LotKey, told: Sequence[tuple[int, str, str]], states: Mapping[State, int]
) -> dict[int, str]:
    """Every doubtful label and the last word that stands against it, empty for a rejected one
    without an open finding."""
    words = {position: word for position, word, _ in told}
    waiting = (State.REJECTED.value, State.PULLED.value)
    known = len({position for position, _, state in told if state in waiting})
    rejected = states.get(State.REJECTED, 0) + states.get(State.PULLED, 0)
    alone = watching.rejected_alone(view, key, rejected - known)
    return dict(sorted({**words, **dict.fromkeys(alone, "")}.items()))


def _news(newest: Sequence[Entry]) -> list[dict[str, Any]]:
    """What people did last."""
    loud = [entry for entry in newest if entry.verb not in _QUIET]
    return [
        {
            "entry": entry.seq,
            "at": entry.at,
            "verb": entry.verb,
            "person": entry.person,
            "second": entry.second or None,
            "reason": entry.reason or None,
        }
        for entry in loud[:_MOST_NEWS]
    ]


def _web(
    view: View, key: LotKey, job: Job, doubtful: Mapping[int, str]
) -> tuple[dict[str, Any], OnWeb]:
    """A print job's web at a glance, and the doubtful labels on it, row by row."""
    shape = shape_of(job.ranges, job.lanes, job.by)
    leaving = _leaving(view, key, shape)
    replaced = [(one.bad, one.spare) for one in view.replacements(key)]
    on_web = overview.on_web(shape, doubtful, leaving, replaced)
    fields = overview.fields_of(shape)
    probes = [position for row in fields for one in row for position in one.probes]
    letters = watching.letters_at(view, key, probes)
    shown = overview.described(fields, letters, on_web)
    told = {
        "fields": shown,
        "signs": on_web.letters(),
        "leaving": int(np.isin(on_web.positions, leaving).sum()),
    }
    return {"job": job.id, "rows": job.rows, "lanes": job.lanes, **told}, on_web


def _leaving(view: View, key: LotKey, shape: Shape) -> NDArray[np.int64]:
    """Labels of a print job that were voided or decommissioned and may still be on its web, each
    once. Not those that left with their packs, and not numbers that were never printed."""
    fates = {**VOIDED, **DECOMMISSION_REASONS}
    away = ("never printed", "good")
    ranges = [one for one in view.departures(key) if fates[one.reason].ledger not in away]
    if not ranges:
        return np.zeros(0, dtype=np.int64)
    last: dict[int, tuple[int, bool]] = {}
    off = [(one.position, one.seq, True) for one in view.removals(key)]
    told = ("absent", "still_there", "there")
    proofs = [one for one in view.proofs(key) if one.word in told]
    off += [(one.position, one.seq, one.word == "absent") for one in proofs]
    for position, seq, gone in off:
        last[position] = max(last.get(position, (0, False)), (seq, gone))
    there = np.sort(np.concatenate([np.arange(one.first, one.last + 1) for one in ranges]))
    there = there[np.diff(there, prepend=0) > 0]
    rows, _ = shape.cells(there)
    spares = [one.spare for one in view.replacements(key)]
    came_off = [position for position, (_, gone) in last.items() if gone]
    there = there[(rows > 0) | np.isin(there, spares)]
    return there[~np.isin(there, came_off)]


def _listed(view: View, key: LotKey, doubtful: OnWeb, row: int) -> list[dict[str, Any]]:
    """The first doubtful labels from a row on, with what stands against each."""
    some = doubtful.first(row, MOST_LISTED)
    places = [one[0] for one in some]
    letters = watching.letters_at(view, key, places)
    told: dict[int, list[Told]] = {}
    for found in watching.findings_at(view, key, places):
        one = Told(found.position, found.word, found.detail, found.state == "open", found.together)
        told.setdefault(found.position, []).append(one)
    made = []
    for cell in some:
        state = State(letters[cell[0]])
        gone = () if state in _STANDING else view.departures_at(key, cell[0])
        reasons = [one.reason for one in gone]
        doubt = doubt_at(cell, state, told.get(cell[0], []), (reasons or [""])[-1])
        made.append(
            {
                "position": doubt.position,
                "row": doubt.row,
                "lane": doubt.lane,
                "sign": doubt.sign,
                "state": doubt.state,
                "finding": doubt.finding or None,
                "what_to_do": doubt.act,
                "why": doubt.text,
            }
        )
    return made


_STANDING = (*GOOD, State.ISSUED, State.REJECTED, State.PULLED)
"""States of labels that have not left."""


AROUND = 3
"""Rows shown before and behind a label."""


def label_place(record: Record, name: str, position: int) -> dict[str, Any]:
    """What a decision on one label rests on: where it stands, and what may be done.

    Refuses `lot_unknown`.

    Returns:
        place: job, row, lane, rolls, or None where it stands nowhere; needs: what its acceptance
        needs, words of `rules.findings`, or None where its state allows none; moves: names of
        `rules.moves.MOVES` that its state allows, and `settle`; void_reasons: those that fit it;
        around: the rows near it, each of position, row, lane, state.
    """
    with record.read() as view:
        lot = view.lot(name)
        key = key_of(lot)
        label = view.label_at(key, position)
        if label is None:
            return {"place": None, "needs": None, "moves": [], "void_reasons": [], "around": []}
        state, place, around = State(label.state), None, list[list[dict[str, Any]]]()
        replaced = [(one.bad, one.spare) for one in view.replacements(key)]
        for job in view.jobs(key):
            shape = shape_of(job.ranges, job.lanes, job.by)
            cell = overview.cells_now(shape, np.array([position]), replaced)
            row, lane = (int(one[0]) for one in cell)
            if row:
                rolls = [one.id for one in view.rolls(key) if _stands_on(one, job.id, row, lane)]
                place = {"job": job.id, "row": row, "lane": lane, "rolls": rolls}
                around = _around(view, key, shape, row)
        found = view.findings(key, first=position, last=position, state="open")
        words = [row.word for row in found]
        return {
            "place": place,
            "needs": _needs(state, words),
            "moves": _moves(state, words),
            "void_reasons": list(void_reasons(state, seen=bool(words))),
            "around": around,
        }


def _stands_on(roll: Roll, job: int, row: int, lane: int) -> bool:
    there = (roll.job, roll.lane or lane) == (job, lane) and roll.first_row <= row <= roll.last_row
    return there and roll.state != SLIT


def _moves(state: State, words: Sequence[str]) -> list[str]:
    """What a person may do with a label."""
    allowed = [move.name for move in MOVES.values() if state in move.sources and not move.inspected]
    gone = state in (State.VOIDED, State.DECOMMISSIONED)
    return [*allowed, *(["settle"] if gone and words else [])]


def _around(view: View, key: LotKey, shape: Shape, middle: int) -> list[list[dict[str, Any]]]:
    """The labels of the rows near one, as they were printed."""
    rows = range(max(1, middle - AROUND), min(shape.rows, middle + AROUND) + 1)
    there = {(row, lane): shape.at(row, lane) for row in rows for lane in range(1, shape.lanes + 1)}
    letters = watching.letters_at(view, key, [one for one in there.values() if one])
    return [
        [
            {"position": at, "row": row, "lane": lane, "state": State(letters[at]).word}
            for lane in range(1, shape.lanes + 1)
            if (at := there[row, lane])
        ]
        for row in rows
    ]


def _needs(state: State, words: Sequence[str]) -> list[str] | None:
    """What has to be given for an acceptance; None where the state allows none."""
    unseen = bool(words) and set(words) <= set(findings.NOT_SEEN)
    if state not in (State.REJECTED, State.PULLED) and not (
        unseen and state in (*GOOD, State.ISSUED)
    ):
        return None
    return sorted({findings.WORDS[word][1] for word in words}) or [findings.SECOND]
