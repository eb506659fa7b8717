"""Inspection: what the camera saw becomes what happened to every label.

A take reads the whole file first, so that a bad file changes nothing and every repetition
in it is known before anything is called good. Then it writes one block of positions per
transaction. An interrupted take goes on where it stopped when the same file comes again.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.outside import camera
from serialkeeper.rules import findings
from serialkeeper.rules.chain import BLOCK, Part
from serialkeeper.rules.findings import CODE, GOOD, ORDER, WORDS, Readings, Verdicts
from serialkeeper.rules.jobs import Shape
from serialkeeper.rules.moves import OPEN_LOT, check_lot
from serialkeeper.rules.parts import (
    NO_GRADE,
    NO_TIME,
    UNCHANGED,
    Finding,
    States,
    pack_findings,
    pack_states,
)
from serialkeeper.rules.replay import LotKey, parse_ranges
from serialkeeper.rules.results import Interpretation, Plan
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Job, Lot, Take
from serialkeeper.store.view import View, key_of

_A, _I, _V, _C, _R, _P, _X, _D = (ord(s) for s in "aivcrRxd")


@dataclass(frozen=True)
class _Judged:
    """A file, judged: what each label should become.

    Attributes:
        target: uint8 per position 0..N: new state letter or `UNCHANGED`.
        finding: uint8 per position: `CODE` or `GOOD`.
    """

    readings: Readings
    verdicts: Verdicts
    notes: Interpretation
    target: NDArray[np.uint8]
    finding: NDArray[np.uint8]
    alarms: list[dict[str, object]]


def take(record: Record, name: str, path: Path) -> dict[str, Any]:
    """Take in a results file of the default profile, first pass.

    The same bytes again change nothing. Refuses everything that `outside.camera.read` and
    `rules.results` refuse, and `results_name_taken`, `results_claimed`,
    `results_rehearsed`, `lot_state`, `nothing_to_print` where nothing was printed.

    Returns:
        lot, readings, states, findings, ambiguous, held_though_plausible, alarms,
        already_taken.
    """
    sha256, size = camera.digest(path)
    with record.read() as view:
        lot = view.lot(name)
        key = key_of(lot)
        old = _known(view, key, record, path, sha256)
        if old and old.state == "finished":
            return _summary(view, lot, key, old, already=True)
        check_lot(lot.state, *OPEN_LOT, where=f"{lot.gtin}/{lot.number}")
        plan, jobs = _plan(record, view, lot, key)
        states = np.frombuffer(b" " + view.states(key, 1, lot.labels), np.uint8)
    through = old.through if old else 0
    with camera.Originals() as originals:
        notes, readings = _read(record, path, plan, originals, sha256)
        judged = _judge(lot, readings, notes, states, jobs, through, path)
        if old is None:
            old = _start(record, lot, key, path, originals, sha256, size, len(readings.place))
    while (block := _next_block(judged, old.through)) is not None:
        old = _write_block(record, lot, key, old, judged, block)
    with record.work(lot.id) as work:
        if next(t for t in work.takes(key) if t.id == old.id).state != "finished":
            data = {
                "take": old.id,
                "plausible": judged.verdicts.plausible,
                "alarms": judged.alarms,
            }
            work.write(lot.id, "take finished", data, key=key)
    with record.read() as view:
        return _summary(view, lot, key, old, already=False)


def _known(view: View, key: LotKey, record: Record, path: Path, sha256: str) -> Take | None:
    """The earlier take of the same bytes, if there is one."""
    takes = view.takes(key)
    for earlier in takes:
        if earlier.sha256 == sha256:
            return earlier
    for earlier in takes:
        if (earlier.station, earlier.name) == (record.station, path.name):
            raise Refused(
                "results_name_taken",
                "A file of that name with other content was taken before.",
                where=f"{path}, take {earlier.id}",
                expected=f"SHA-256 {earlier.sha256}",
                came=sha256,
                remedy="If the file was changed, find out by whom; if it is another file, "
                "give it another name.",
            )
    return None


def _plan(record: Record, view: View, lot: Lot, key: LotKey) -> tuple[Plan, list[Job]]:
    jobs = view.jobs(key)
    if not jobs:
        raise Refused(
            "nothing_to_print",
            "No label of the lot was printed yet, so none can have been seen.",
            where=f"{lot.gtin}/{lot.number}",
            expected="a print job",
            came="none",
            remedy="Check the lot, or write the print file first: print write.",
        )
    shapes = [_shape(job) for job in jobs]

    def grid(row: NDArray[np.int64], lane: NDArray[np.int64]) -> NDArray[np.int32]:
        # Rows and lanes count one job's labels; with several jobs they name no place.
        if len(shapes) > 1:
            return np.zeros(len(row), dtype=np.int32)
        return shapes[0].places(row, lane)

    pieces = [
        pl.Series(view.serials(key, first, min(BLOCK, lot.labels - first + 1)))
        for first in range(1, lot.labels + 1, BLOCK)
    ]
    plan = Plan(
        serials=pl.concat(pieces),
        gtin=lot.gtin,
        lot=lot.number,
        expiry=date.fromisoformat(lot.expiry),
        order=tuple(lot.ai_order.split()),
        minimum_grade=lot.minimum_grade,
        grid=grid,
        this_year=record.now().year,
    )
    return plan, jobs


def _shape(job: Job) -> Shape:
    return Shape(tuple(parse_ranges(job.ranges)), job.lanes, job.by)


def _read(
    record: Record, path: Path, plan: Plan, originals: camera.Originals, sha256: str
) -> tuple[Interpretation, Readings]:
    notes = Interpretation(plan, str(path))
    for batch in camera.read(path, originals):
        if batch.rehearsed and not record.practice:
            raise Refused(
                "results_rehearsed",
                "The file comes from a rehearsal.",
                where=str(path),
                expected="a camera's own file",
                came="rows marked as rehearsed",
                remedy="Use a practice record for rehearsals.",
            )
        notes.add(batch.rows, batch.first_line)
    if originals.finish() != sha256:
        raise Refused(
            "results_truncated",
            "The file changed while it was read.",
            where=str(path),
            expected=f"SHA-256 {sha256}",
            came="other bytes",
            remedy="Wait until the camera has written the file, then take it again.",
        )
    return notes, notes.finish()


def _judge(
    lot: Lot,
    readings: Readings,
    notes: Interpretation,
    states: NDArray[np.uint8],
    jobs: list[Job],
    through: int,
    path: Path,
) -> _Judged:
    """What each label should become, from the verdicts and the states they meet.

    Blocks below `through` were written before an interruption and are left alone.
    """
    verdicts = findings.judge(readings, lot.labels)
    ahead = np.arange(len(states)) > through * BLOCK
    inspected = np.isin(states, (_C, _V, _R, _P))
    claimed = np.flatnonzero(verdicts.placed & inspected & ahead)
    if len(claimed):
        raise Refused(
            "results_claimed",
            "Labels of this file were inspected already.",
            where=f"{path}, lot {lot.number}",
            expected="labels that were printed and not inspected",
            came=f"{len(claimed):,} inspected labels, from position {claimed[0]} to {claimed[-1]}",
            remedy="Give each label's first pass in one file only; cut the overlap away.",
        )
    finding = verdicts.finding.copy()
    touched = verdicts.touched
    finding[touched & (states == _X)] = CODE["voided_number"]
    finding[touched & (states == _D)] = CODE["used_number"]
    finding[touched & (states == _A)] = CODE["not_issued"]
    target = np.full(len(states), UNCHANGED, dtype=np.uint8)
    good = touched & (finding == GOOD) & (states == _I)
    target[good] = _C if lot.commission_at == "web" else _V
    bad = touched & (finding != GOOD)
    target[bad & np.isin(states, (_I, _V))] = _R
    target[bad & (states == _C)] = _P
    lanes = _lanes(jobs, len(states))
    finding[_unseen(verdicts, states, lanes)] = CODE["not_seen"]
    web = np.flatnonzero((lanes > 0) & (touched | (finding != GOOD)))
    alarms = findings.alarms(web.astype(np.int32), lanes[web], finding[web])
    return _Judged(
        readings, verdicts, notes, target, finding, [alarm.as_dict() for alarm in alarms]
    )


def _lanes(jobs: list[Job], size: int) -> NDArray[np.int32]:
    """The lane of each position, 0 where it was not printed."""
    lanes = np.zeros(size, dtype=np.int32)
    for job in jobs:
        shape = _shape(job)
        lanes[shape.positions()] = shape.grid(0, shape.count)[1]
    return lanes


def _unseen(
    verdicts: Verdicts, states: NDArray[np.uint8], lanes: NDArray[np.int32]
) -> NDArray[np.bool_]:
    """Printed labels without a reading, between the first and last place of the file, in
    lanes that the file covers."""
    placed = np.flatnonzero(verdicts.placed)
    covered = np.zeros(len(states), dtype=np.bool_)
    covered[placed[0] : placed[-1] + 1] = True
    in_lanes: NDArray[np.bool_] = np.isin(lanes, np.unique(lanes[placed]))
    unseen: NDArray[np.bool_] = covered & ~verdicts.touched & (states == _I) & in_lanes
    return unseen


def _start(
    record: Record,
    lot: Lot,
    key: LotKey,
    path: Path,
    originals: camera.Originals,
    sha256: str,
    size: int,
    readings: int,
) -> Take:
    with record.work(lot.id) as work:
        data = {
            "id": len(work.takes(key)) + 1,
            "name": path.name,
            "station": record.station,
            "sha256": sha256,
            "size": size,
            "readings": readings,
        }
        work.keep_original(key, sha256, originals.pieces())
        work.write(lot.id, "take started", data, key=key)
        return work.takes(key)[-1]


def _next_block(judged: _Judged, through: int) -> int | None:
    """The next block from `through` on in which the file says anything."""
    start = through * BLOCK + 1
    concerned = (judged.verdicts.touched[start:]) | (judged.finding[start:] != GOOD)
    if not concerned.any():
        return None
    return (start + int(concerned.argmax()) - 1) // BLOCK


def _write_block(
    record: Record, lot: Lot, key: LotKey, old: Take, judged: _Judged, block: int
) -> Take:
    """One block of positions in one transaction."""
    start, stop = block * BLOCK + 1, min((block + 1) * BLOCK + 1, len(judged.target))
    concerned = judged.verdicts.touched[start:stop] | (judged.finding[start:stop] != GOOD)
    places = np.flatnonzero(concerned) + start
    first, last = int(places[0]), int(places[-1])
    with record.work(lot.id) as work:
        current = next(t for t in work.takes(key) if t.id == old.id)
        if current.through > block:
            return current  # another process wrote it
        now = np.frombuffer(work.states(key, first, last), np.uint8)
        states = _states_of(judged, first, last, now)
        listed = _findings_of(judged, first, last)
        parts: list[Part] = [pack_states(states)]
        if listed:
            parts.append(pack_findings(first, last - first + 1, listed))
        work.write(
            lot.id,
            "taken",
            {"take": old.id, "through": block + 1},
            parts=parts,
            key=key,
        )
        current.through = block + 1
        return current


def _states_of(judged: _Judged, first: int, last: int, now: NDArray[np.uint8]) -> States:
    """The states part of positions first..last, given the states they are in now.

    A label that somebody moved meanwhile (voided, say) stays where it is.
    """
    span = slice(first, last + 1)
    target = judged.target[span].copy()
    fits = (
        ((target == _C) & (now == _I))
        | ((target == _V) & (now == _I))
        | ((target == _R) & ((now == _I) | (now == _V)))
        | ((target == _P) & (now == _C))
    )
    target[~fits] = UNCHANGED
    reading = judged.verdicts.reading[span]
    there = reading >= 0
    grade = np.full(len(now), NO_GRADE, dtype=np.uint8)
    time = np.full(len(now), NO_TIME, dtype=np.int64)
    grade[there] = judged.readings.grade[reading[there]]
    time[there] = judged.readings.time[reading[there]]
    evidence = np.full(len(now), ord("."), dtype=np.uint8)
    evidence[there] = ord("p")
    own = there.copy()
    own[there] = judged.readings.number[reading[there]] == np.arange(first, last + 1)[there]
    evidence[own] = ord("r")
    return States(first, target, evidence, grade, time)


def _findings_of(judged: _Judged, first: int, last: int) -> list[Finding]:
    listed = []
    for offset in np.flatnonzero(judged.finding[first : last + 1] != GOOD).tolist():
        position = first + offset
        word = ORDER[judged.finding[position] - 1]
        reading = int(judged.verdicts.reading[position])
        seen = judged.notes.seen.get(reading, "")[:200]
        listed.append(Finding(position, word, seen, _detail(judged, position, word, reading)))
    return listed


def _detail(judged: _Judged, position: int, word: str, reading: int) -> str:
    if reading < 0:
        return WORDS[word][0]
    place, number = int(judged.readings.place[reading]), int(judged.readings.number[reading])
    if word == "out_of_place":
        return f"the number was seen at position {place}"
    if word in ("repeated", "other_number") and number and place == position:
        return f"the place shows the number of position {number}"
    if word == "low_grade":
        return (
            f"in-line grade {judged.readings.grade[reading] / 10:.1f}, "
            f"minimum {judged.notes.plan.minimum_grade / 10:.1f}"
        )
    return judged.notes.detail.get(reading) or WORDS[word][0]


def _summary(view: View, lot: Lot, key: LotKey, old: Take, *, already: bool) -> dict[str, Any]:
    counts: dict[str, int] = {}
    for found in view.findings(key):
        if found.take == old.id:
            counts[found.word] = counts.get(found.word, 0) + 1
    finished = next(
        entry.data
        for entry in view.entries(lot.id)
        if entry.verb == "take finished" and entry.data["take"] == old.id
    )
    states: dict[str, int] = {}
    for state, count in view.count_states(key).items():
        states[state.word] = states.get(state.word, 0) + count
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "take": old.id,
        "readings": old.readings,
        "states": states,
        "findings": {word: counts[word] for word in ORDER if word in counts},
        "ambiguous": 0,
        "held_though_plausible": finished["plausible"],
        "alarms": finished["alarms"],
        "already_taken": already,
    }
