"""Runs as the record knows them, and what a take means where the reader was not proven."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select, text

from serialkeeper.rules import holds, run_times, runs
from serialkeeper.rules.chain import LotKey, PartRef
from serialkeeper.rules.parts import NO_TIME, UNCHANGED, unpack_states
from serialkeeper.rules.runs import Event, Standing
from serialkeeper.store.holds import last_hold
from serialkeeper.store.record import Work
from serialkeeper.store.run_tables import RunEvent
from serialkeeper.store.tables import Lot, table_of
from serialkeeper.store.view import View, key_of

_OPEN_AT = text(
    "SELECT product_id, lot_id FROM run_event AS begun WHERE word = 'started' "
    "AND station = :station AND NOT EXISTS (SELECT 1 FROM run_event AS done "
    "WHERE done.product_id = begun.product_id AND done.lot_id = begun.lot_id "
    "AND done.run = begun.run AND done.word = 'ended') ORDER BY product_id, lot_id"
)


def events_of(view: View, key: LotKey) -> list[Event]:
    """What happened in a lot's runs, in order."""
    table = table_of(RunEvent)
    query = (
        select(*(table.c[one.name] for one in fields(Event)))
        .where(table.c.product_id == key.product_id, table.c.lot_id == key.lot_id)
        .order_by(table.c.seq)
    )
    return [Event(**row) for row in view.connection.execute(query).mappings()]


def runs_of(view: View, key: LotKey) -> list[Standing]:
    """Where each run of a lot stands, in order of starting."""
    return runs.standings(events_of(view, key))


def open_run(view: View, key: LotKey, station: str) -> Standing | None:
    """The lot's run that is open at a station."""
    there = [one for one in runs_of(view, key) if one.station == station and not one.ended]
    return there[-1] if there else None


def working_at(view: View, station: str) -> list[Lot]:
    """The lots of which a run is open at a station."""
    found = view.connection.execute(_OPEN_AT, {"station": station})
    return [view.lot_at(LotKey(*row)) for row in found]


def unproven(view: View, lot: Lot, station: str, *, practice: bool) -> bool:
    """Whether what the reader of a station says of a lot now rests on no passed challenge.

    A practice lot without any run is left in peace: nothing is asked of it.
    """
    there = runs_of(view, key_of(lot))
    if practice and not there:
        return False
    mine = [one for one in there if one.station == station]
    return not (mine and mine[-1].proven and not mine[-1].ended)


def unproven_readings(
    work: Work, lot: Lot, take: int, readings: int, station: str, *, practice: bool
) -> int:
    """How many of a take's readings rest on no passed challenge of a station's reader.

    Where their times tell, those that were made meanwhile; else all of them, or none, by how the
    reader stands now.
    """
    key = key_of(lot)
    events = events_of(work, key)
    if practice and not events:
        return 0
    now = unproven(work, lot, station, practice=practice)
    pieces = [np.zeros(0, np.int64)]
    for entry in work.entries(key):
        if entry.verb == "taken" and entry.data["take"] == take:
            for ref in entry.parts:
                if ref.kind == "states":
                    data = work.part(key, entry.seq, ref) or b""
                    states = unpack_states(ref.first, ref.count, data)
                    pieces.append(states.time[states.state != UNCHANGED])
    times = np.concatenate(pieces)
    found = run_times.outside(events, station, times) if len(times) else None
    if found is None:
        return readings if now else 0
    return int((found | ((times == NO_TIME) & now)).sum())


def waiting_failures(view: View, key: LotKey, station: str) -> list[int]:
    """The entries of failed challenges of a station's last run: of files that are still to come,
    what was read meanwhile is held."""
    return [one.failed.seq for one in run_times.doubts(events_of(view, key), station) if one.latest]


def hold_after_failure(work: Work, lot: Lot, station: str) -> int:
    """Hold what a station took since its reader last passed, because it has failed now.

    Returns:
        the hold's number, 0 if nothing was taken since.
    """
    key = key_of(lot)
    mine = [one for one in events_of(work, key) if one.station == station]
    since = max((one.seq for one in mine if one.outcome == runs.PASSED), default=0)
    failed = runs.failures(mine, station, since)
    words = (
        f"{runs.READER_FAILED}{station} failed its challenge; this was taken since it last passed"
    )
    return _hold(work, lot, _taken(work, key, station, since), failed, words)


def hold_taken(work: Work, lot: Lot, take: int, *, station: str, follow: int = 0) -> int:
    """Hold what a take wrote while its station's reader may have been failing.

    All of it, if the reader failed since the file was first followed, or since the last file of
    that station was taken in; else what `rules.run_times.Doubt` says.

    Returns:
        the hold's number, 0 if it did not fail.
    """
    key = key_of(lot)
    doubts = run_times.doubts(events_of(work, key), station)
    if not doubts:
        return 0
    begun, taken = 0, list[tuple[int, PartRef]]()
    for entry in work.entries(key):
        data = entry.data
        if entry.verb == "taken" and data["take"] == take:
            taken += [(entry.seq, ref) for ref in entry.parts if ref.kind == "states"]
        followed = entry.verb == "follow started" and data["id"] == follow
        before = entry.verb == "take finished" and entry.station == station
        if followed or (before and not follow and data["take"] != take):
            begun = entry.seq
    meanwhile = [one.failed for one in doubts if one.failed.seq > begun]
    if meanwhile:
        told = (
            "while this file was followed"
            if follow
            else "before this file was taken in; it may have been read meanwhile"
        )
        words = f"{runs.READER_FAILED}{station} failed its challenge {told}"
        return _hold(work, lot, taken, meanwhile, words)

    left = [one for one in doubts if one.timed or (one.latest and not follow)]
    if not left:
        return 0

    def doubtful(times: NDArray[np.int64]) -> NDArray[np.bool_]:
        found = np.zeros(len(times), np.bool_)
        for one in left:
            found |= one.covers(times, followed=bool(follow))
        return found

    words = f"{runs.READER_FAILED}{station} failed its challenge; this may have been read meanwhile"
    return _hold(work, lot, taken, [one.failed for one in left], words, doubtful)


def _taken(work: Work, key: LotKey, station: str, since: int) -> list[tuple[int, PartRef]]:
    """Entry and part of the states that a station's takes wrote after an entry."""
    return [
        (entry.seq, ref)
        for entry in work.entries(key)
        if entry.verb == "taken" and entry.station == station and entry.seq > since
        for ref in entry.parts
        if ref.kind == "states"
    ]


def _hold(
    work: Work,
    lot: Lot,
    taken: list[tuple[int, PartRef]],
    failed: list[Event],
    words: str,
    doubtful: Callable[[NDArray[np.int64]], NDArray[np.bool_]] = np.ones_like,
) -> int:
    """Hold every label that these parts moved; gives the hold's number, 0 for none.

    Args:
        doubtful: says of their readings' times which are meant; all of them if left out.
    """
    key = key_of(lot)
    moved = np.zeros(lot.labels + 1, dtype=np.bool_)
    for seq, ref in taken:
        states = unpack_states(ref.first, ref.count, work.part(key, seq, ref) or b"")
        meant = doubtful(states.time).astype(np.bool_) & (states.state != UNCHANGED)
        moved[ref.first : ref.first + ref.count] |= meant
    places = np.flatnonzero(moved)
    if not len(places):
        return 0
    number = last_hold(work, key) + 1
    told = ", ".join(f"entry {one.seq}" for one in failed)
    data = {
        "id": number,
        "what": holds.LABELS,
        "positions": holds.stretches(places),
        "roll": 0,
        "pack": 0,
        "key": "",
        "reference": "",
    }
    work.write(key, "held", data, reason=f"{words} ({told})")
    return number
