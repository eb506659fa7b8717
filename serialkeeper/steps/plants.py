"""Labels on the web made bad on purpose, unknown to the operator, to measure the reader."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.outside import camera
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import challenges
from serialkeeper.rules.jobs import shape_of
from serialkeeper.rules.layout import layout_of
from serialkeeper.rules.moves import OPEN_LOT, State, check_lot, check_take
from serialkeeper.store.challenges import numbers_of
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def plant(
    record: Record,
    name: str,
    *,
    kind: str,
    positions: Sequence[int] = (),
    count: int = 0,
    out: Path | None = None,
) -> dict[str, Any]:
    """Say of printed labels that they were made bad on purpose, to measure the reader blind.

    Args:
        kind: one of `rules.challenges.KINDS`, but not `repeated`.
        positions: which labels; or
        count: how many, picked by chance.
        out: a file of where they stand, how they are made bad, and what is stuck over them.

    Refuses `role_not_allowed`, `bad_value`, `lot_state`, `take_unfinished`, `label_unknown`,
    `move_not_allowed`.

    Returns:
        lot, kind, plants (position, job, row, lane, `rules.challenges.PRINTED`), file, practice.
    """
    record.check_may("planted")
    challenges.check_plants(kind, positions, count)
    with record.read() as view:
        lot = view.lot(name)
    with Delivery(out) if out else nullcontext() as file:
        with record.work(key_of(lot)) as work:
            lot, key = work.lot(lot.full_name), key_of(lot)
            check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
            for take in work.takes(key):  # what it still has to write was decided without them
                check_take(lot.number, take.id, take.name, take.state)
            free = _plantable(work, lot)
            if positions:
                chosen = sorted(set(positions))
                challenges.check_plantable(free, chosen, lot.full_name)
            else:
                chosen = challenges.pick(free, count, record.chance, lot.full_name)
            rows = _bad_labels(work, lot, kind, chosen)
            data = [
                {"position": row["position"], "challenge_kind": kind, "serial": row["serial"]}
                for row in rows
            ]
            if file:
                file.write(camera.table(pl.DataFrame(rows)))
                file.sync()
            work.write(key, "planted", {"plants": data})
        if file:
            file.deliver()
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "kind": kind,
        "plants": rows,
        "file": str(out) if out else None,
        "practice": record.practice,
    }


def _plantable(view: View, lot: Lot) -> NDArray[np.bool_]:
    """Labels that can be made bad: printed, never read or looked for, and not bad yet."""
    key = key_of(lot)
    states = np.frombuffer(b" " + view.states(key, 1, lot.labels), np.uint8)
    free: NDArray[np.bool_] = states == ord(State.ISSUED)
    free[[found.position for found in view.findings(key)]] = False
    free[[plant.position for plant in view.plants(key)]] = False
    return free


def _bad_labels(view: View, lot: Lot, kind: str, positions: Sequence[int]) -> list[dict[str, Any]]:
    """Where the labels stand, what is printed on them and how they are made bad."""
    key = key_of(lot)
    numbers, order = numbers_of(view, lot), tuple(lot.ai_order.split())
    stand: dict[int, tuple[int, int, int]] = {}
    for job in view.jobs(key):
        shape = shape_of(job.ranges, job.lanes, job.by)
        index = np.flatnonzero(np.isin(shape.positions(), positions))
        rows, lanes = shape.grid(0, shape.count)
        places = shape.positions()[index].tolist()
        there = zip(places, rows[index].tolist(), lanes[index].tolist(), strict=True)
        stand |= {position: (job.id, row, lane) for position, row, lane in there}
    made = []
    for position in positions:
        code = numbers.of_plant(kind, position)
        job_id, row, lane = stand[position]
        place = {"position": position, "job": job_id, "row": row, "lane": lane}
        printed = challenges.planted(kind, code, order, layout_of(lot.layout), lot.minimum_grade)
        made.append({**place, **printed})
    return made
