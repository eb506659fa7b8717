"""Rehearsals: a run of the line that did not happen, for trying and training."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from serialkeeper.errors import Refused
from serialkeeper.outside import camera
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import gs1, rehearsal
from serialkeeper.rules.chain import BLOCK
from serialkeeper.rules.jobs import shape_of
from serialkeeper.rules.moves import State
from serialkeeper.store.record import Record
from serialkeeper.store.view import key_of


def rehearse(
    record: Record,
    name: str,
    *,
    out: Path,
    truth: Path,
    seed: int,
    shares: Mapping[str, float] | None = None,
    job: int | None = None,
) -> dict[str, Any]:
    """Write the results file that a camera might have written for a printed job.

    Only labels that are issued are on the rehearsed web. The truth file says for each what
    it should end as and which fault was planted.

    Args:
        out, truth: files to make.
        seed: the same seed gives the same faults.
        shares: share of labels per fault; None for `rules.rehearsal.FAULTS`.
        job: the print job; None for the newest.

    Refuses `practice_only`, `nothing_to_print`, `bad_value`, `file_exists`.
    """
    wanted = _check(record, shares)
    if seed < 0 or out.absolute() == truth.absolute():
        raise Refused(
            "bad_value",
            "A rehearsal needs a seed from 0 and two different files.",
            expected="seed 0 or more, --out and --truth of different names",
            came=f"seed {seed}, {out}, {truth}",
            remedy="Correct them.",
        )
    web, number = _web(record, name, job)
    rng = np.random.default_rng(seed)
    planted = rehearsal.plant(web, rng, wanted)
    # The rehearsed run has just ended.
    start = round(record.now().timestamp() * 1000)
    start -= int(web.row.max()) * rehearsal.ROW_MILLISECONDS
    readings = 0
    with Delivery(out) as file, Delivery(truth) as beside:
        header = True
        for some, faults in rehearsal.slices(web, planted):
            results, facts = rehearsal.play(some, faults, rng, start_milliseconds=start)
            file.write(camera.rehearsed(results, header=header))
            beside.write(camera.table(facts, header=header))
            readings += results.height
            header = False
        sha256 = file.sync()
        beside.sync()
        file.deliver()
        beside.deliver()
    return {
        "lot": web.code.lot,
        "job": number,
        "labels": len(web.serials),
        "readings": readings,
        "faults": {fault: len(index) for fault, index in planted.items() if len(index)},
        "file": str(out),
        "truth": str(truth),
        "sha256": sha256,
    }


def _check(record: Record, shares: Mapping[str, float] | None) -> dict[str, float]:
    """The share of every fault. Refuses `practice_only`, `bad_value`."""
    if not record.practice:
        raise Refused(
            "practice_only",
            "Rehearsals are for practice records.",
            expected="a practice record",
            came="a live record",
            remedy="Make a practice record with 'serialkeeper init' elsewhere.",
        )
    wanted = {**dict.fromkeys(rehearsal.FAULTS, 0.0), **(shares or rehearsal.FAULTS)}
    if set(wanted) != set(rehearsal.FAULTS) or not 0 <= sum(wanted.values()) <= 0.4:
        raise Refused(
            "bad_value",
            "The faults of a rehearsal are not understood.",
            expected=f"shares for {', '.join(rehearsal.FAULTS)}; at most 0.4 in all",
            came=", ".join(f"{fault}={share}" for fault, share in wanted.items()),
            remedy="Correct them.",
        )
    return wanted


def _web(record: Record, name: str, job: int | None) -> tuple[rehearsal.Web, int]:
    """The issued labels of a print job in web order, and the job's number."""
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
        serials = pl.concat(
            [
                pl.Series(view.serials(key, start, min(BLOCK, last - start + 1)))
                for start in range(first, last + 1, BLOCK)
            ]
        )
    rows, lanes = shape.grid(0, shape.count)
    there = np.flatnonzero(states[positions - first] == ord(State.ISSUED))
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
        row=rows[there],
        lane=lanes[there],
        serials=serials.gather(positions[there] - first),
        code=gs1.LabelCode(lot.gtin, "", date.fromisoformat(lot.expiry), lot.number),
        order=tuple(lot.ai_order.split()),
    )
    return web, row.id
