"""A results file at rest is taken in.

A take reads the whole file first, so that a bad file changes nothing and every repetition
in it is known before anything is called good. Then it writes a few blocks of positions per
transaction. An interrupted take goes on where it stopped when the same file comes again.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.outside import camera, devices
from serialkeeper.outside.growing import changed
from serialkeeper.rules import profiles
from serialkeeper.rules.alarms import Rules
from serialkeeper.rules.chain import BLOCK, LotKey, Part
from serialkeeper.rules.findings import ELSEWHERE, NOT_SEEN, Readings
from serialkeeper.rules.jobs import Shape, Web, shape_of
from serialkeeper.rules.moves import (
    OPEN_LOT,
    State,
    check_file,
    check_lot,
    check_pass,
    check_take,
    target_of,
)
from serialkeeper.rules.parts import UNCHANGED, unpack_states
from serialkeeper.rules.results import Interpretation, Plan
from serialkeeper.rules.taking import Judged, Standing, decide
from serialkeeper.store.line_tables import FollowRow, Take
from serialkeeper.store.numbers import check_finished
from serialkeeper.store.plans import plan_of, printed_jobs, raise_alarms, summary_of
from serialkeeper.store.record import Record, Work
from serialkeeper.store.runs import hold_taken, unproven_readings
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

BLOCKS_AT_ONCE = 3
"""Blocks per transaction: few enough to let others in, enough to share the wait for the disk."""


@dataclass(frozen=True)
class _Scene:
    """The lot as the file meets it.

    Attributes:
        length: entries of the lot's chain; while it stays, so do the states.
        standing: states and open findings from before.
        free: bool by position: not inspected before this file, also where an interrupted take of
            it has written already.
        profile: the camera profile's name and text, both empty for our own file.
        rules: when labels alarm at the station that began the take.
        follow: the id of the unfinished following of this very file, 0 for none.
    """

    lot: Lot
    key: LotKey
    old: Take | None
    length: int
    standing: Standing
    free: NDArray[np.bool_]
    profile: tuple[str, str]
    rules: Rules
    follow: int


def take(record: Record, name: str, path: Path, *, profile: str = "") -> dict[str, Any]:
    """Take in a results file, first pass.

    A file without positions is aligned by its numbers, times and order (`rules.alignment`).

    The same bytes again change nothing. Refuses everything that `outside.devices.read` and
    `rules.results` refuse, and `results_name_taken`, `results_claimed`, `take_unfinished`,
    `results_rehearsed`, `lot_state`, `allocation_unfinished`, `nothing_printed`,
    `profile_unknown`.

    Args:
        record, name, path: where, which lot, which file.
        profile: the camera profile that tells how to read it; empty for our own file. One
            that comes with us is kept in the record when it is first used.

    Returns:
        lot, readings, states, findings, open_findings, ambiguous, held_though_plausible,
        alarms, alarms_open, notes, already_taken, profile.
    """
    return take_in(record, name, camera.Source(path), profile=profile)[0]


def take_in(
    record: Record,
    name: str,
    source: camera.Source,
    *,
    profile: str,
    followed: FollowRow | None = None,
) -> tuple[dict[str, Any], list[int]]:
    """What `take` does, of a file that may be open already.

    Args:
        record, name, profile: as for `take`.
        source: the file.
        followed: how far it was followed, if it was; its first bytes have to be the same.

    Refuses what `take` refuses, and `results_changed`.

    Returns:
        What `take` gives, and the ids of the alarms that were raised.
    """
    path = source.path
    with record.read() as view:
        begun = [one for one in view.follows(key_of(view.lot(name))) if one.state != "finished"]
    sha256, size, starts = camera.digest(source, (one.size for one in begun))
    follow = next((one for one in begun if one.size and starts.get(one.size) == one.sha256), None)
    if followed and followed.size and starts.get(followed.size) != followed.sha256:
        raise changed(path, f"the first {followed.size:,} bytes as they were read", "other bytes")
    look = partial(_look, record, name=name, path=path, sha256=sha256, profile=profile)
    with record.read() as view:
        scene = look(view, follow=follow)
        if scene.old and scene.old.state == "finished":
            return summary_of(view, scene.lot, scene.old, already=True), []
        plan, shapes = plan_for(record, view, scene.lot, scene.old, scene.free)
    with camera.Originals() as originals:
        notes, readings = devices.interpret(
            source,
            plan,
            originals,
            sha256=sha256,
            profile=scene.profile,
            rehearsed=record.practice,
        )
        del plan  # where every label stands
        facts = {
            "sha256": sha256,
            "size": size,
            "jobs": len(shapes),
            "readings": len(readings.place),
            "pieces": originals.count,
            "packed": originals.packed,
        }
        judged = _judge(scene, notes, readings, shapes, path)
        while (started := scene.old or _start(record, scene, path, originals, facts)) is None:
            # Somebody was faster: look at the lot again.
            with record.read() as view:
                scene = look(view, follow=follow)
            judged = _judge(scene, notes, readings, shapes, path)
    return _write(record, scene, started, judged)


def _look(
    record: Record,
    view: View,
    *,
    name: str,
    path: Path,
    sha256: str,
    profile: str,
    follow: FollowRow | None,
) -> _Scene:
    """The lot as it is, and the earlier take of the same bytes. Refuses what forbids a take."""
    lot = view.lot(name)
    key = key_of(lot)
    takes = view.takes(key)
    old = next((take for take in takes if take.sha256 == sha256), None)
    if old is None:
        check_other_takes(record, lot, takes, "" if follow else path.name, sha256)
    if old:
        check_pass(str(path), old.id, old.roll, 0)
    if old is None or old.state != "finished":
        check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        check_finished(view, lot)
    standing = _standing(view, lot, key, old)
    free = (standing.states == ord(State.ISSUED)) | standing.elsewhere
    if old and old.state != "finished":
        free |= _written(view, lot, key, old)
    described = profile_of(view, old, profile)
    length = view.chain(key).count
    rules = view.alarm_rules_at(old.station if old else record.station)
    followed = follow.id if follow else 0
    return _Scene(lot, key, old, length, standing, free, described, rules, followed)


def _written(view: View, lot: Lot, key: LotKey, old: Take) -> NDArray[np.bool_]:
    """Labels that an interrupted take has moved."""
    moved = np.zeros(lot.labels + 1, dtype=np.bool_)
    for entry in view.entries(key_of(lot)):
        if entry.verb != "taken" or entry.data["take"] != old.id:
            continue
        for ref in entry.parts:
            if ref.kind == "states":
                states = unpack_states(ref.first, ref.count, view.part(key, entry.seq, ref) or b"")
                moved[ref.first : ref.first + ref.count] |= states.state != UNCHANGED
    return moved


def profile_of(view: View, old: Take | None, name: str) -> tuple[str, str]:
    """Name and text of the camera profile; an interrupted take goes on with its own."""
    name = "" if name == profiles.DEFAULT else name
    if old and old.state != "finished" and old.profile != name:
        raise Refused(
            "take_unfinished",
            "The file was begun with another camera profile.",
            where=f"take {old.id}",
            expected=f"--profile {old.profile or profiles.DEFAULT}",
            came=name or profiles.DEFAULT,
            remedy="Give the same profile again; the take goes on from where it stopped.",
        )
    if not name:
        return "", ""
    kept = {row.name: row.text for row in view.profiles()}
    return name, profiles.choose(name, kept, devices.shipped())


def _standing(view: View, lot: Lot, key: LotKey, old: Take | None) -> Standing:
    states = np.frombuffer(b" " + view.states(key, 1, lot.labels), np.uint8)
    missing = np.zeros(len(states), dtype=np.bool_)
    barred = np.zeros(len(states), dtype=np.bool_)
    elsewhere = np.zeros(len(states), dtype=np.bool_)
    for found in view.findings(key, state="open"):
        if old and found.take == old.id:
            continue  # what an interrupted take itself found is found again
        (missing if found.word in NOT_SEEN else barred)[found.position] = True
        elsewhere[found.position] |= found.word in ELSEWHERE
    # What was taken off its roll is not on the web any more; it is not made good by a file.
    barred[[removal.position for removal in view.removals(key)]] = True
    planted = np.zeros(len(states), dtype=np.bool_)
    planted[[plant.position for plant in view.plants(key)]] = True
    return Standing(states, missing & ~barred, barred, elsewhere, planted)


def check_other_takes(record: Record, lot: Lot, takes: list[Take], name: str, sha256: str) -> None:
    """Refuses `results_name_taken`, `take_unfinished`; a followed file's name may come again."""
    for earlier in takes:
        if (earlier.station, earlier.name) == (record.station, name):
            check_file(name, sha256, earlier.id, earlier.sha256)
        check_take(lot.number, earlier.id, earlier.name, earlier.state)


def plan_for(
    record: Record, view: View, lot: Lot, old: Take | None, free: NDArray[np.bool_]
) -> tuple[Plan, list[Shape]]:
    """What the lot's labels should say, and its print jobs. Refuses `nothing_printed`."""
    # What was printed after an interrupted take began has no part in it.
    jobs = printed_jobs(view, lot)[: old.jobs if old else None]
    shapes = [shape_of(job.ranges, job.lanes, job.by) for job in jobs]

    def grid(row: NDArray[np.int64], lane: NDArray[np.int64]) -> NDArray[np.int32]:
        # Rows and lanes count one job's labels; with several jobs they name no place.
        if len(shapes) > 1:
            return np.zeros(len(row), dtype=np.int32)
        return shapes[0].places(row, lane)

    web = Web.of(shapes, lot.labels)
    return plan_of(record, view, lot, grid=grid, web=web, free=free), shapes


def _judge(
    scene: _Scene, notes: Interpretation, readings: Readings, shapes: list[Shape], path: Path
) -> Judged:
    return decide(
        readings,
        notes,
        scene.standing,
        shapes,
        good=ord(target_of("commission", commission_at=scene.lot.commission_at)),
        rules=scene.rules,
        resumed=scene.old is not None,
        where=f"{path}, lot {scene.lot.number}",
    )


def _start(
    record: Record,
    scene: _Scene,
    path: Path,
    originals: camera.Originals,
    facts: dict[str, Any],
) -> Take | None:
    """Begin the take; None if the lot changed since it was looked at."""
    profile, text = scene.profile
    with record.work(scene.key) as work:
        if work.length(scene.key) != scene.length:
            return None
        data = {
            "id": len(work.takes(scene.key)) + 1,
            "name": _free_name(record, path.name, work.takes(scene.key)),
            "station": record.station,
            "profile": profile,
            **facts,
        }
        work.keep_original(scene.key, data["sha256"], originals.pieces())
        work.write(scene.key, "take started", data)
        if profile:
            work.keep_profile(profile, text)
        return work.takes(scene.key)[-1]


def _free_name(record: Record, name: str, takes: list[Take]) -> str:
    """The file's name; a number is added where a followed file of that name was taken in before,
    and the camera went on under the same name."""
    used = {take.name for take in takes if take.station == record.station}
    return next(
        free
        for n in itertools.count(1)
        if (free := name if n == 1 else f"{name} ({n})") not in used
    )


def _write(
    record: Record, scene: _Scene, started: Take, judged: Judged
) -> tuple[dict[str, Any], list[int]]:
    """Write block after block, then finish; gives the summary and the alarms raised."""
    lot, key = scene.lot, scene.key
    # While only this take adds to the chain, the states are those that were looked at.
    alone, entries = scene.old is None, scene.length + 1
    known = scene.standing.states
    ahead = _Chunk(started.through)
    finished, raised = False, list[int]()
    while not finished:
        if alone:  # made before the lot is locked, so that others wait for less
            ahead = _chunk(judged, ahead.through, lambda first, last: known[first : last + 1])
        with record.work(key) as work:
            current = next(take for take in work.takes(key) if take.id == started.id)
            finished = current.state == "finished"
            alone = alone and work.length(key) == entries
            if not alone:
                ahead = _chunk(judged, current.through, partial(_states_now, work, key))
            if not finished and ahead.parts:
                data = {"take": current.id, "through": ahead.through, "found": ahead.found}
                work.write(key, "taken", data, parts=ahead.parts)
            elif not finished:
                raised = _finish(record, work, scene, current, judged)
                finished = True
            entries = work.length(key)
        record.seen("labels", min(ahead.through * BLOCK, scene.lot.labels), scene.lot.labels)
    with record.read() as view:
        return summary_of(view, lot, started, already=False), raised


@dataclass(frozen=True)
class _Chunk:
    """What one transaction writes: a few blocks up to `through`."""

    through: int
    parts: Sequence[Part] = ()
    found: Sequence[list[int]] = ()


def _chunk(judged: Judged, through: int, states: Callable[[int, int], NDArray[np.uint8]]) -> _Chunk:
    """The next few blocks from `through` on; no parts if there are none left."""
    parts, found = list[Part](), list[list[int]]()
    for _ in range(BLOCKS_AT_ONCE):
        block = judged.next_block(through)
        if block is None:
            break
        first, last = block * BLOCK + 1, min((block + 1) * BLOCK, len(judged.target) - 1)
        parts += judged.parts(block, states(first, last))
        found += judged.found_in(block)
        through = block + 1
    return _Chunk(through, parts, found)


def _states_now(work: Work, key: LotKey, first: int, last: int) -> NDArray[np.uint8]:
    return np.frombuffer(work.states(key, first, last), np.uint8)


def _finish(record: Record, work: Work, scene: _Scene, current: Take, judged: Judged) -> list[int]:
    """The last entry of a take; gives the ids of the alarms that it raises."""
    lot, station = scene.lot, current.station
    raised, told = raise_alarms(
        work,
        lot,
        judged.alarms,
        judged.finding,
        scene.rules,
        name=current.name,
        follow=scene.follow,
        unproven=unproven_readings(
            work, lot, current.id, current.readings, station, practice=record.practice
        ),
    )
    data = {
        "take": current.id,
        "plausible": judged.verdicts.plausible,
        "notes": judged.notes.notes,
        **told,
    }
    work.write(scene.key, "take finished", data)
    hold_taken(work, lot, current.id, station=station, follow=scene.follow)
    return raised
