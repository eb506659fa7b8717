"""Reading a roll again: what the first pass said is confirmed, settled, or found wrong.

The whole pass is written in one transaction: it is there or it is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.outside import camera, devices
from serialkeeper.rules import profiles
from serialkeeper.rules.again import Before, JudgedAgain, decide_again, notes_on
from serialkeeper.rules.chain import BLOCK, LotKey
from serialkeeper.rules.jobs import shape_of
from serialkeeper.rules.moves import OPEN_LOT, check_file, check_lot, check_pass, check_take
from serialkeeper.rules.results import Plan
from serialkeeper.rules.rolls import Places, check_open
from serialkeeper.store.line_tables import Roll, Take
from serialkeeper.store.plans import (
    fates_of,
    places_of,
    plan_of,
    raise_alarms,
    span_of,
    summary_of,
)
from serialkeeper.store.record import Record, Work
from serialkeeper.store.runs import hold_taken, unproven
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


@dataclass(frozen=True)
class _Scene:
    """The roll as the file meets it; `length` entries of the lot's chain tell whether it stays."""

    lot: Lot
    key: LotKey
    length: int
    before: Before
    plan: Plan
    jobs: int
    profile: tuple[str, str]


def take(record: Record, name: str, path: Path, *, roll: int, profile: str = "") -> dict[str, Any]:
    """Take in a results file of a roll that was read before.

    Nothing becomes good by it. A good label that reads good again is confirmed, one that reads bad
    is pulled; a label that nobody saw for certain is found again, or named as not seen; a label
    that should be gone is proven absent, still there, or neither.

    Args:
        record, name, path: where, which lot, which file.
        roll: the roll that was read.
        profile: the camera profile that tells how to read the file; empty for our own file.

    Refuses what a first pass refuses of files, and `roll_unknown`, `roll_state`,
    `roll_mistaken`, `roll_not_inspected`.

    Returns:
        What a first pass gives, `roll`, and `again`: how many labels it confirmed, pulled,
        rejected, found again, did not see, proved absent, saw though they should be gone, or
        could not prove.
    """
    source = camera.Source(path)
    sha256, size, _ = camera.digest(source)
    while True:
        with record.read() as view:
            lot = view.lot(name)
            key = key_of(lot)
            for old in view.takes(key):
                if old.sha256 == sha256:
                    check_pass(str(path), old.id, old.roll, roll)
                    return summary_of(view, lot, old, already=True)
            scene = _look(record, view, lot, path, sha256, roll, profile)
        with camera.Originals() as originals:
            notes, readings = devices.interpret(
                source,
                scene.plan,
                originals,
                sha256=sha256,
                profile=scene.profile,
                rehearsed=record.practice,
            )
            where = f"{path}, lot {lot.number}, roll {roll}"
            judged = decide_again(readings, notes, scene.before, where=where)
            facts = {
                "name": path.name,
                "station": record.station,
                "profile": scene.profile[0],
                "sha256": sha256,
                "size": size,
                "jobs": scene.jobs,
                "readings": len(readings.place),
                "pieces": originals.count,
                "packed": originals.packed,
                "roll": roll,
            }
            done = _write(record, scene, originals, facts, judged)
        if done:  # else somebody was faster: look at the roll again
            with record.read() as view:
                return summary_of(view, lot, done, already=False)


def _look(
    record: Record,
    view: View,
    lot: Lot,
    path: Path,
    sha256: str,
    number: int,
    profile: str,
) -> _Scene:
    """The roll as it is. Refuses what forbids a pass."""
    key = key_of(lot)
    check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
    for earlier in view.takes(key):
        if (earlier.station, earlier.name) == (record.station, path.name):
            check_file(str(path), sha256, earlier.id, earlier.sha256)
        check_take(lot.number, earlier.id, earlier.name, earlier.state)
    roll = view.roll(key, number)
    check_open(roll.id, roll.state, f"lot {lot.number}")
    places = places_of(view, lot)
    states = np.frombuffer(b" " + view.states(key, 1, lot.labels), np.uint8)
    if not np.isin(states[places.on(span_of(roll))], np.frombuffer(b"cvrR", np.uint8)).any():
        raise Refused(
            "roll_not_inspected",
            "No label of the roll was inspected yet, so it cannot be read again.",
            where=f"lot {lot.number}, roll {number}",
            expected="a roll whose first pass was taken in",
            came="labels that are only issued, or left",
            remedy="Take the first pass in first: inspect take LOT FILE.",
        )
    before = _before(view, lot, roll, places, states)
    job = view.job(key, roll.job)
    plan = plan_of(
        record,
        view,
        lot,
        grid=shape_of(job.ranges, job.lanes, job.by).places,
        web=before.web(),
        free=before.free(),
        again=True,
        occupant=before.occupant(),
    )
    described = "", ""
    if profile not in ("", profiles.DEFAULT):
        kept = {row.name: row.text for row in view.profiles()}
        described = profile, profiles.choose(profile, kept, devices.shipped())
    length, jobs = view.chain(key).count, len(view.jobs(key))
    return _Scene(lot, key, length, before, plan, jobs, described)


def _before(view: View, lot: Lot, roll: Roll, places: Places, states: NDArray[np.uint8]) -> Before:
    """What the record knows of the roll's labels before it is read again."""
    gone = np.zeros(len(states), dtype=np.bool_)
    taken_off = np.zeros(len(states), dtype=np.bool_)
    open_words: dict[int, tuple[str, ...]] = {}
    for position, fate in fates_of(view, lot).items():
        gone[position], taken_off[position] = fate.gone, fate.removed > 0
        if fate.findings:
            open_words[position] = fate.findings
    bad = np.zeros(len(states), dtype=np.bool_)
    bad[[plant.position for plant in view.plants(key_of(lot))]] = True
    return Before(
        roll.id, span_of(roll), roll.wound, places, states, open_words, gone, taken_off, bad
    )


def _write(
    record: Record,
    scene: _Scene,
    originals: camera.Originals,
    facts: dict[str, Any],
    judged: JudgedAgain,
) -> Take | None:
    """Everything in one transaction; None if the lot changed since it was looked at."""
    lot, key = scene.lot, scene.key
    profile, text = scene.profile
    with record.work(key_of(lot)) as work:
        if work.length(key_of(lot)) != scene.length:
            return None
        number = len(work.takes(key)) + 1
        work.keep_original(key, facts["sha256"], originals.pieces())
        work.write(key, "take started", {"id": number, **facts})
        _write_blocks(work, scene, number, judged)
        rules = work.alarm_rules_at(facts["station"])
        alone = unproven(work, lot, facts["station"], practice=record.practice)
        _, told = raise_alarms(
            work,
            lot,
            judged.alarms,
            judged.finding,
            rules,
            name=facts["name"],
            unproven=facts["readings"] if alone else 0,
        )
        data = {
            "take": number,
            "plausible": judged.verdicts.plausible,
            **told,
            "notes": notes_on(judged, scene.before),
            "again": judged.result,
        }
        work.write(key, "take finished", data)
        hold_taken(work, lot, number, station=facts["station"])
        if profile:
            work.keep_profile(profile, text)
        return work.takes(key)[-1]


def _write_blocks(work: Work, scene: _Scene, number: int, judged: JudgedAgain) -> None:
    through = 0
    while (block := judged.next_block(through)) is not None:
        first, last = block * BLOCK + 1, min((block + 1) * BLOCK, scene.lot.labels)
        parts = judged.parts(block, judged.states[first : last + 1])
        through = block + 1
        data = {"take": number, "through": through, "found": judged.found_in(block)}
        work.write(scene.key, "taken", data, parts=parts)
