"""Rehearsals: a run of the line that did not happen, for trying and training."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.outside import camera
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import gs1, rehearsal, rehearsed_rows
from serialkeeper.rules.chain import BLOCK
from serialkeeper.rules.challenges import KINDS
from serialkeeper.rules.jobs import shape_of
from serialkeeper.rules.layout import layout_of
from serialkeeper.rules.moves import State
from serialkeeper.rules.rehearsed_run import Readings, rolls_of, run, web_rows
from serialkeeper.rules.rolls import GOOD, REVERSED, check_open
from serialkeeper.store.codes import codes_of, with_extras
from serialkeeper.store.plans import fates_of, places_of, printed_jobs, span_of
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

_INSPECTED = [ord(state) for state in (*GOOD, State.REJECTED, State.PULLED)]

BETWEEN_ROLLS = 600_000
"""Milliseconds from the end of a roll to the start of the next one."""


def rehearse(
    record: Record,
    name: str,
    *,
    out: Path,
    truth: Path,
    seed: int,
    faults: Sequence[str] = (),
    job: int | None = None,
    tells: Sequence[str] = rehearsed_rows.TELLS,
    rolls: int = 1,
    back: Sequence[int] = (),
    mirrored: bool = False,
    lane_files: bool = False,
    roll: int = 0,
) -> dict[str, Any]:
    """Write the results files that a camera might have written for a printed job, or of a roll
    that is read again.

    Of a job the issued labels are on the web, those made bad on purpose too; of a roll those that
    stand there, and it runs as it is wound. The truth file says what each should end as, and why.

    Args:
        out, truth: files to make; `-roll-1`, `-lane-1` and so on stand in the names of several.
        seed: the same seed gives the same faults.
        faults: `FAULT=SHARE`, `FAULT@POSITION`, `mixed=SHARE`; none for `rehearsal.FAULTS`.
        job: the print job; None for the newest.
        tells: what the camera tells besides the code, some of `positions`, `lanes`, `times`.
        rolls, back: how many rolls of equal length, a file each; which of them run backwards.
        mirrored: whether the camera counts the lanes from right to left.
        lane_files: whether each lane has a camera and a file of its own.
        roll: the roll that is read again; 0 for the first pass of a job.

    Refuses `practice_only`, `nothing_to_print`, `bad_value`, `file_exists`, `roll_unknown`,
    `roll_state`.
    """
    _check(record, seed, out, truth)
    _check_ways(roll and (job is not None or rolls > 1 or bool(back)))
    shares, places = rehearsal.read_faults(list(faults)) if faults else (dict(rehearsal.FAULTS), [])
    scene = _on_roll(record, name, roll) if roll else _printed(record, name, job)
    web, rng = scene.web, np.random.default_rng(seed)
    _check_camera(tells, rolls, back, most=len(web.serials))
    planted = rehearsal.plant(web, rng, shares, [*scene.bad, *places])
    runs = _runs(web, planted, rng, (rolls, scene.back if roll else back, mirrored))
    with Delivery(truth) as beside:
        for piece, told in enumerate(rehearsal.truth(web, planted)):
            beside.write(camera.table(told, header=not piece))
        beside.sync()
        writer = rehearsed_rows.Writer(web, planted, tuple(tells))
        files = _write(writer, runs, out, record, web.lanes if lane_files else 0)
        beside.deliver()
    count = sum(int(file["readings"]) for file in files)
    return {
        "lot": web.code.lot,
        "job": scene.job,
        "roll": roll or None,
        "labels": len(web.serials),
        "readings": count,
        "faults": planted.counts(),
        "files": files,
        "truth": str(truth),
    }


def _runs(
    web: rehearsal.Web,
    planted: rehearsal.Planted,
    rng: np.random.Generator,
    ways: tuple[int, Sequence[int], bool],
) -> list[Readings]:
    """The readings of each roll; `ways`: how many, which run backwards, whether mirrored."""
    rolls, back, mirrored = ways
    physical = web_rows(web, planted)
    parts = rolls_of(len(physical), rolls, back=back, mirrored=mirrored)
    return [run(web, planted, physical, part, rng) for part in parts]


def _write(
    writer: rehearsed_rows.Writer, runs: list[Readings], out: Path, record: Record, lane_files: int
) -> list[dict[str, Any]]:
    """One file per roll, or one per roll and lane; the last run ended just now."""
    files = []
    lasted = np.array([readings.time.max(initial=0) + BETWEEN_ROLLS for readings in runs])
    starts = round(record.now().timestamp() * 1000) - np.cumsum(lasted[::-1])[::-1]
    for which, (start, readings) in enumerate(zip(starts.tolist(), runs, strict=True), 1):
        path = _beside(out, "roll", which) if len(runs) > 1 else out
        if not lane_files:
            files.append(_deliver(path, writer, readings, start))
        for lane in range(1, lane_files + 1):
            some = readings.some(readings.lane == lane)
            files.append(_deliver(_beside(path, "lane", lane), writer, some, start))
    return files


def _deliver(
    path: Path, writer: rehearsed_rows.Writer, readings: Readings, start: int
) -> dict[str, Any]:
    """Write one results file, some readings at a time."""
    with Delivery(path) as file:
        for first in range(0, max(len(readings.item), 1), rehearsal.SLICE):
            some = readings.some(slice(first, first + rehearsal.SLICE))
            file.write(camera.rehearsed(writer.rows(some, start), header=not first))
        sha256 = file.sync()
        file.deliver()
    return {"file": str(path), "readings": len(readings.item), "sha256": sha256}


def _beside(path: Path, what: str, number: int) -> Path:
    return path.with_name(f"{path.stem}-{what}-{number}{path.suffix}")


def _check(record: Record, seed: int, out: Path, truth: Path) -> None:
    """Refuses `practice_only`, `bad_value`."""
    if not record.practice:
        raise Refused(
            "practice_only",
            "Rehearsals are for practice records.",
            expected="a practice record",
            came="a live record",
            remedy="Make a practice record with 'serialkeeper init' elsewhere.",
        )
    if seed < 0 or out.absolute() == truth.absolute():
        raise Refused(
            "bad_value",
            "A rehearsal needs a seed from 0 and two different files.",
            expected="seed 0 or more, --out and --truth of different names",
            came=f"seed {seed}, {out}, {truth}",
            remedy="Correct them.",
        )


def _check_ways(both: bool | int) -> None:
    """Refuses `bad_value`."""
    if both:
        raise Refused(
            "bad_value",
            "A roll tells its job and its winding itself.",
            expected="a roll that is read again, or a job cut into rolls",
            came="both",
            remedy="Leave out the job, the number of rolls, and which run backwards.",
        )


def _check_camera(tells: Sequence[str], rolls: int, back: Sequence[int], *, most: int) -> None:
    """Refuses `bad_value`."""
    if (
        set(tells) <= set(rehearsed_rows.TELLS)
        and 1 <= rolls <= most
        and set(back) <= {*range(1, rolls + 1)}
    ):
        return
    raise Refused(
        "bad_value",
        "The rehearsed camera is not understood.",
        expected=f"what it tells: {', '.join(rehearsed_rows.TELLS)}; 1 to {most:,} rolls; "
        "rolls that run backwards by their numbers",
        came=f"{', '.join(tells) or 'nothing'}; {rolls} rolls; backwards {list(back)}",
        remedy="Correct it.",
    )


@dataclass(frozen=True)
class _Scene:
    """What runs past the camera: the labels, their job, what is bad among them (the fault that
    plays it, and the position), and, of a roll, whether it comes off backwards."""

    web: rehearsal.Web
    job: int
    bad: list[tuple[str, int]]
    back: tuple[int, ...] = ()


def _printed(record: Record, name: str, job: int | None) -> _Scene:
    """The issued labels of a print job in web order."""
    with record.read() as view:
        lot = view.lot(name)
        key = key_of(lot)
        jobs = printed_jobs(view, lot)
        row = view.job(key, job) if job else jobs[-1]
        shape = shape_of(row.ranges, row.lanes, row.by)
        positions = shape.positions().astype(np.int64)
        states = np.frombuffer(b" " + view.states(key, 1, int(positions.max())), np.uint8)
        there = np.flatnonzero(states[positions] == ord(State.ISSUED))
        if not len(there) or np.isin(states[positions], _INSPECTED).any():
            raise Refused(
                "nothing_to_print",
                "No label of that job is waiting for its first pass.",
                where=f"lot {lot.number}, job {row.id}",
                expected="labels that are issued, of a job that no file was read of",
                came="labels that were inspected" if len(there) else "none that is issued",
                remedy="Write a new print job, or rehearse a further pass: --roll N.",
            )
        rows, lanes = shape.grid(0, shape.count)
        there = there[np.lexsort((lanes[there], rows[there]))]
        web = _web(view, lot, positions[there], rows[there], lanes[there], shape.lanes)
        on_web = set(web.position.tolist())
        bad = [
            (KINDS[plant.challenge_kind].fault, plant.position)
            for plant in view.plants(key)
            if plant.position in on_web
        ]
    return _Scene(web, row.id, bad)


def _on_roll(record: Record, name: str, number: int) -> _Scene:
    """The labels that stand on a roll; those with a finding are as bad as before."""
    with record.read() as view:
        lot = view.lot(name)
        key = key_of(lot)
        roll = view.roll(key, number)
        check_open(number, roll.state, f"lot {lot.number}")
        places, fates = places_of(view, lot), fates_of(view, lot)
        there = np.flatnonzero(places.on(span_of(roll)))
        gone = [position for position, fate in fates.items() if fate.gone]
        there = there[~np.isin(there, gone)]
        lanes = np.ones(len(there)) if roll.lane else places.lane[there]
        order = np.lexsort((lanes, places.row[there]))
        there, lanes = there[order], lanes[order]
        rows = places.row[there] - roll.first_row + 1
        count = 1 if roll.lane else view.job(key, roll.job).lanes
        letters = view.states(key, 1, lot.labels).decode()
        words = [State(letters[position - 1]).word for position in there.tolist()]
        web = _web(view, lot, there, rows, lanes, count, words)
        last = {row.position: row.word for row in view.findings(key)}
        bad = [
            (last[position], position)
            for position in there.tolist()
            if last.get(position) in rehearsal.ALONE and position in fates
        ]
    return _Scene(web, roll.job, bad, (1,) if roll.wound == REVERSED else ())


def _web(
    view: View,
    lot: Lot,
    positions: NDArray[Any],
    rows: NDArray[Any],
    lanes: NDArray[Any],
    count: int,
    states: Sequence[str] = (),
) -> rehearsal.Web:
    """Labels in web order with what their codes say."""
    first, last = int(positions.min()), int(positions.max())
    pieces, codes = [], []
    for start in range(first, last + 1, BLOCK):
        some = view.serials(key_of(lot), start, min(BLOCK, last - start + 1))
        pieces.append(pl.Series(some))
        if with_extras(view, lot):
            codes.append(codes_of(view, lot, start, some))
    return rehearsal.Web(
        position=positions.astype(np.int64),
        row=rows.astype(np.int64),
        lane=lanes.astype(np.int64),
        lanes=count,
        serials=pl.concat(pieces).gather(positions - first),
        codes=pl.concat(codes).gather(positions - first) if codes else None,
        code=gs1.LabelCode(lot.gtin, "", date.fromisoformat(lot.expiry), lot.number),
        order=tuple(lot.ai_order.split()),
        states=pl.Series(states) if states else None,
        layout=layout_of(lot.layout),
    )
