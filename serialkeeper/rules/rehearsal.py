"""Life-like results of a camera with known faults, and the truth beside them.

For trying and training only: rehearsed files are marked in every row, and a live record
refuses them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.rules import gs1
from serialkeeper.rules.fields import COLUMNS

FAULTS: Mapping[str, float] = {
    "unreadable": 0.006,
    "low_grade": 0.004,
    "failed_by_camera": 0.002,
    "text_mismatch": 0.001,
    "wrong_symbology": 0.001,
    "wrong_lot": 0.001,
    "foreign": 0.001,
    "repeated": 0.001,
    "swapped": 0.001,
    "not_seen": 0.002,
}
"""Each fault and its usual share of the labels; 2 % in all (common practice, no source)."""

PAIRED = ("repeated", "swapped")
"""Faults that concern two neighbours: the printer repeats a record; two labels change places."""

ROW_MILLISECONDS = 300
"""Time between two rows of the web: 200 rows a minute (common practice, no source)."""


SLICE = 50_000
"""Labels worked out at a time; even, so that no pair is cut."""


@dataclass(frozen=True, slots=True)
class Web:
    """The labels of a rehearsal, one array element each, in web order.

    Attributes:
        position, row, lane: places.
        serials: numbers.
        code: the lot's frozen facts; its serial says nothing.
        order: element order.
    """

    position: NDArray[np.int64]
    row: NDArray[np.int64]
    lane: NDArray[np.int64]
    serials: pl.Series
    code: gs1.LabelCode
    order: tuple[str, ...]


def plant(
    web: Web, rng: np.random.Generator, shares: Mapping[str, float]
) -> dict[str, NDArray[np.int64]]:
    """Where each fault goes: indices of labels; of the first of two for paired faults.

    No two faults touch the same label. Every fault asked for occurs at least once where
    there is room.
    """
    slots = rng.permutation(len(web.serials) // 2) * 2
    planted: dict[str, NDArray[np.int64]] = {}
    used = 0
    for fault, share in shares.items():
        wanted = max(1, round(share * len(web.serials))) if share > 0 else 0
        planted[fault] = np.sort(slots[used : used + wanted])
        used += len(planted[fault])
    return planted


def slices(
    web: Web, planted: Mapping[str, NDArray[np.int64]]
) -> Iterator[tuple[Web, dict[str, NDArray[np.int64]]]]:
    """A long web in pieces that fit into memory; paired faults stay together."""
    for start in range(0, len(web.serials), SLICE):
        stop = start + SLICE
        yield (
            Web(
                web.position[start:stop],
                web.row[start:stop],
                web.lane[start:stop],
                web.serials[start:stop],
                web.code,
                web.order,
            ),
            {
                fault: index[(index >= start) & (index < stop)] - start
                for fault, index in planted.items()
            },
        )


def play(
    web: Web,
    planted: Mapping[str, NDArray[np.int64]],
    rng: np.random.Generator,
    *,
    start_milliseconds: int,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """What the camera would have written, and the truth: position, serial, outcome, fault."""
    size = len(web.serials)
    serials = web.serials.rename("serial")
    before, after = _around(gs1.to_file(gs1.scanned(_mark(web.code), web.order)))
    shown = np.arange(size)
    repeated, swapped = planted["repeated"], planted["swapped"]
    shown[repeated + 1] = repeated
    shown[swapped], shown[swapped + 1] = swapped + 1, swapped
    seen = (before + serials.gather(shown) + after).alias("seen")
    grade = pl.Series(rng.integers(30, 41, size))
    head, tail = _around(gs1.READABLE_JOIN.join(gs1.readable_lines(_mark(web.code))))
    moment = start_milliseconds + (web.row - 1) * ROW_MILLISECONDS + web.lane
    frame = pl.DataFrame(
        {
            "position": web.position,
            "row": web.row,
            "lane": web.lane,
            "at": pl.Series(moment).cast(pl.Datetime("ms")).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
            "seen": seen,
            "grade": (grade // 10).cast(pl.String) + "." + (grade % 10).cast(pl.String),
            "verdict": pl.repeat("pass", size, eager=True),
            "text": head + serials.gather(shown) + tail,
        }
    )
    frame = _spoil(frame, web, planted, before, after)
    outcome = np.full(size, "commissioned", dtype=object)
    fault = np.full(size, "", dtype=object)
    for name, index in planted.items():
        places = np.concatenate((index, index + 1)) if name in PAIRED else index
        fault[places] = name
        outcome[places] = "issued" if name == "not_seen" else "rejected"
    truth = pl.DataFrame(
        {
            "position": web.position,
            "serial": serials,
            "outcome": pl.Series(outcome.tolist(), dtype=pl.String),
            "fault": pl.Series(fault.tolist(), dtype=pl.String),
        }
    )
    missing = np.ones(size, dtype=np.bool_)
    missing[planted["not_seen"]] = False
    return frame.filter(pl.Series(missing)).select(COLUMNS), truth


def _spoil(
    frame: pl.DataFrame,
    web: Web,
    planted: Mapping[str, NDArray[np.int64]],
    before: str,
    after: str,
) -> pl.DataFrame:
    columns = {name: frame[name].to_list() for name in ("seen", "grade", "verdict", "text")}
    for i in planted["unreadable"].tolist():
        columns["seen"][i] = columns["grade"][i] = columns["text"][i] = ""
        columns["verdict"][i] = "fail"
    for i in planted["low_grade"].tolist():
        columns["grade"][i] = "1.0"
    for i in planted["failed_by_camera"].tolist():
        columns["verdict"][i] = "fail"
    for i in planted["text_mismatch"].tolist():
        columns["text"][i] = columns["text"][i][:-1] + "X"
    for i in planted["wrong_symbology"].tolist():
        columns["seen"][i] = "]d1" + columns["seen"][i][3:]
    other = _mark(gs1.LabelCode(web.code.gtin, "", web.code.expiry, _other_lot(web.code.lot)))
    lot_before, lot_after = _around(gs1.to_file(gs1.scanned(other, web.order)))
    for i in planted["wrong_lot"].tolist():
        columns["seen"][i] = lot_before + web.serials[i] + lot_after
    for i in planted["foreign"].tolist():
        columns["seen"][i] = before + _stranger(web.serials[i]) + after
    return frame.with_columns(
        **{name: pl.Series(values, dtype=pl.String) for name, values in columns.items()}
    )


def _other_lot(lot: str) -> str:
    return lot[:-1] + ("B" if lot[-1] != "B" else "C")


def _stranger(serial: str) -> str:
    """A number that no allocation of ours makes: Y and Z are not in the alphabet."""
    return "ZY" + serial[2:]


def _mark(code: gs1.LabelCode) -> gs1.LabelCode:
    return gs1.LabelCode(code.gtin, "\x00", code.expiry, code.lot)


def _around(shape: str) -> tuple[str, str]:
    before, _, after = shape.partition("\x00")
    return before, after
