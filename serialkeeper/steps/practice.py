"""Rehearsals: a run of the line that did not happen, for trying and training."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

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
from serialkeeper.store.record import Record
from serialkeeper.store.view import key_of

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
) -> dict[str, Any]:
    """Write the results files that a camera might have written for a printed job.

    Only labels that are issued are on the rehearsed web; those made bad on purpose are. The truth
    file says for each what it should end as and which fault was planted.

    Args:
        out, truth: files to make. With several rolls, or a file per lane, `-roll-1`, `-lane-1`
            and so on stand before the ending of `out`.
        seed: the same seed gives the same faults.
        faults: `FAULT=SHARE`, `FAULT@POSITION`, `mixed=SHARE`; none for
            `rules.rehearsal.FAULTS`.
        job: the print job; None for the newest.
        tells: what the camera tells besides the code, some of `positions`, `lanes`, `times`.
        rolls: rolls of equal length into which the web is cut; each has a file of its own.
        back: numbers of the rolls that run backwards, from 1.
        mirrored: whether the camera counts the lanes from right to left.
        lane_files: whether each lane has a camera and a file of its own.

    Refuses `practice_only`, `nothing_to_print`, `bad_value`, `file_exists`.
    """
    _check(record, seed, out, truth)
    _check_camera(tells, rolls, back)
    shares, places = rehearsal.read_faults(list(faults)) if faults else (dict(rehearsal.FAULTS), [])
    web, number, bad = _web(record, name, job)
    rng = np.random.default_rng(seed)
    planted = rehearsal.plant(web, rng, shares, [*bad, *places])
    physical = web_rows(web, planted)
    runs = [
        run(web, planted, physical, roll, rng)
        for roll in rolls_of(len(physical), rolls, back=back, mirrored=mirrored)
    ]
    with Delivery(truth) as beside:
        for piece, told in enumerate(rehearsal.truth(web, planted)):
            beside.write(camera.table(told, header=not piece))
        beside.sync()
        writer = rehearsed_rows.Writer(web, planted, tuple(tells))
        files = _write(writer, runs, out, record, web.lanes if lane_files else 0)
        beside.deliver()
    return {
        "lot": web.code.lot,
        "job": number,
        "labels": len(web.serials),
        "readings": sum(int(file["readings"]) for file in files),
        "faults": planted.counts(),
        "files": files,
        "truth": str(truth),
    }


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


def _check_camera(tells: Sequence[str], rolls: int, back: Sequence[int]) -> None:
    """Refuses `bad_value`."""
    if (
        set(tells) <= set(rehearsed_rows.TELLS)
        and rolls >= 1
        and set(back) <= {*range(1, rolls + 1)}
    ):
        return
    raise Refused(
        "bad_value",
        "The rehearsed camera is not understood.",
        expected=f"what it tells: {', '.join(rehearsed_rows.TELLS)}; rolls from 1; rolls that run "
        "backwards by their numbers",
        came=f"{', '.join(tells) or 'nothing'}; {rolls} rolls; backwards {list(back)}",
        remedy="Correct it.",
    )


def _web(
    record: Record, name: str, job: int | None
) -> tuple[rehearsal.Web, int, list[tuple[str, int]]]:
    """The issued labels of a print job in web order, the job's number, and what was made bad on
    purpose among them: the fault that plays it, and the position."""
    with record.read() as view:
        lot = view.lot(name)
        key = key_of(lot)
        jobs = view.jobs(key)
        if not jobs:
            raise Refused(
                "nothing_printed",
                "Nothing of the lot was printed yet.",
                where=lot.number,
                remedy=f"Write the print file first: print write {lot.number}",
            )
        row = view.job(key, job) if job else jobs[-1]
        shape = shape_of(row.ranges, row.lanes, row.by)
        positions = shape.positions().astype(np.int64)
        first, last = int(positions.min()), int(positions.max())
        states = np.frombuffer(view.states(key, first, last), np.uint8)
        plants = view.plants(key)
        serials = pl.concat(
            [
                pl.Series(view.serials(key, start, min(BLOCK, last - start + 1)))
                for start in range(first, last + 1, BLOCK)
            ]
        )
    rows, lanes = shape.grid(0, shape.count)
    there = np.flatnonzero(states[positions - first] == ord(State.ISSUED))
    there = there[np.lexsort((lanes[there], rows[there]))]
    if not len(there):
        raise Refused(
            "nothing_to_print",
            "No label of that job is left to be seen.",
            where=f"lot {lot.number}, job {row.id}",
            expected="labels that are issued",
            came="none",
            remedy="Write a new print job.",
        )
    web = rehearsal.Web(
        position=positions[there],
        row=rows[there].astype(np.int64),
        lane=lanes[there].astype(np.int64),
        lanes=shape.lanes,
        serials=serials.gather(positions[there] - first),
        code=gs1.LabelCode(lot.gtin, "", date.fromisoformat(lot.expiry), lot.number),
        order=tuple(lot.ai_order.split()),
        layout=layout_of(lot.layout),
    )
    on_web = set(web.position.tolist())
    bad = [
        (KINDS[plant.challenge_kind].fault, plant.position)
        for plant in plants
        if plant.position in on_web
    ]
    return web, row.id, bad
