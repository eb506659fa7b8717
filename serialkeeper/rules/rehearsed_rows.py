"""What a camera would have written of a rehearsed run: rows of our own results file."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.rules import gs1
from serialkeeper.rules.challenges import other_lot
from serialkeeper.rules.fields import COLUMNS
from serialkeeper.rules.readable import joined
from serialkeeper.rules.rehearsal import Planted, Web
from serialkeeper.rules.rehearsed_run import NOTHING, Readings

TELLS = ("positions", "lanes", "times")
"""What a camera may tell besides the code; without any of it only the order of rows is left."""


class Writer:
    """Writes the readings of a run.

    Args:
        web, planted: the labels and their faults.
        tells: some of `TELLS`.
    """

    def __init__(self, web: Web, planted: Planted, tells: tuple[str, ...]) -> None:
        self._web, self._planted, self._tells = web, planted, tells
        self._around = _split(gs1.to_file(gs1.scanned(_mark(web.code), web.order)))
        other = _mark(gs1.LabelCode(web.code.gtin, "", web.code.expiry, other_lot(web.code.lot)))
        self._other = _split(gs1.to_file(gs1.scanned(other, web.order)))
        self._text = _split(joined(web.layout.shown(_mark(web.code))))
        rows = int(web.row.max())
        self._places = np.zeros((rows + 1, web.lanes + 1), dtype=np.int64)
        self._places[web.row, web.lane] = web.position

    def rows(self, readings: Readings, start: int) -> pl.DataFrame:
        """Rows of the results file, one per reading; the run began at `start`, in milliseconds
        since 1970.

        Its grades are made from the label's index, so that the same label has the same one
        whenever it passes.
        """
        web, read = self._web, readings.shown != NOTHING
        position = self._position(readings)
        shown = np.where(read, readings.shown, 0)
        serial = web.serials.gather(shown)
        seen = self._around[0] + serial + self._around[1]
        if web.codes is not None:
            seen = web.codes.gather(shown)
        tenths = pl.Series((readings.item * 2_654_435_761 >> 7) % 11 + 30)
        grade = (tenths // 10).cast(pl.String) + "." + (tenths % 10).cast(pl.String)
        at = pl.Series(start + readings.time).cast(pl.Datetime("ms"))
        frame = pl.DataFrame(
            {
                "position": _where(position > 0, position),
                "row": _where(readings.row < len(self._places), readings.row),
                "lane": pl.Series(readings.lane).cast(pl.String),
                "at": at.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
                "seen": seen,
                "grade": grade,
                "verdict": pl.repeat("pass", len(read), eager=True),
                "text": self._text[0] + serial + self._text[1],
            }
        )
        frame = self._spoiled(frame, readings, serial)
        unread = pl.Series(~read)
        frame = frame.with_columns(
            *(pl.when(unread).then(pl.lit("")).otherwise(name).alias(name) for name in _CODE),
            verdict=pl.when(unread).then(pl.lit("fail")).otherwise("verdict"),
        )
        kept = {"positions": ("position", "row", "lane"), "lanes": ("lane",), "times": ("at",)}
        if web.states is not None:  # rows and lanes of a roll are not those of its print job
            kept |= {"positions": ("position",), "lanes": ("lane",) if web.lanes > 1 else ()}
        told = {column for name in self._tells for column in kept[name]}
        silent = {"position", "row", "lane", "at"} - told
        return frame.with_columns(pl.lit("").alias(name) for name in silent).select(COLUMNS)

    def _position(self, readings: Readings) -> NDArray[np.int64]:
        """The position that the camera's counter names; beyond the plan it counts on."""
        rows, lanes = self._places.shape[0] - 1, self._web.lanes
        inside = readings.row <= rows
        named = self._places[np.where(inside, readings.row, 0), readings.lane]
        last = int(self._web.position.max())
        beyond = (readings.row - rows - 1) * lanes + readings.lane
        return np.where(inside, named, last + beyond)

    def _spoiled(self, frame: pl.DataFrame, readings: Readings, serial: pl.Series) -> pl.DataFrame:
        def hit(fault: str) -> pl.Series:
            return pl.Series(np.isin(readings.item, self._planted.labels[fault]))

        seen, text = pl.col("seen"), pl.col("text")
        return frame.with_columns(
            seen=pl.when(hit("wrong_symbology"))
            .then("]d1" + seen.str.slice(3))
            .when(hit("wrong_lot"))
            .then(pl.lit(self._other[0]) + serial + self._other[1])
            .when(hit("foreign"))
            .then(pl.lit(self._around[0]) + _stranger(serial) + self._around[1])
            .otherwise(seen),
            grade=pl.when(hit("low_grade")).then(pl.lit("1.0")).otherwise("grade"),
            verdict=pl.when(hit("failed_by_camera")).then(pl.lit("fail")).otherwise("verdict"),
            text=pl.when(hit("text_mismatch")).then(text + "X").otherwise(text),
        )


_CODE = ("seen", "grade", "text")


def _where(there: NDArray[np.bool_], numbers: NDArray[np.int64]) -> pl.Series:
    """Numbers as text, empty where there is none to tell."""
    return pl.Series(numbers).cast(pl.String).set(pl.Series(~there), "")


def _stranger(serials: pl.Series) -> pl.Series:
    """Numbers that no allocation of ours makes: Y and Z are not in the alphabet."""
    return "ZY" + serials.str.slice(2)


def _mark(code: gs1.LabelCode) -> gs1.LabelCode:
    return gs1.LabelCode(code.gtin, "\x00", code.expiry, code.lot)


def _split(shape: str) -> tuple[str, str]:
    before, _, after = shape.partition("\x00")
    return before, after
