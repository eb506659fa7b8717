"""The print file: one row per label, in the order in which the printer works them off."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.rules import gs1
from serialkeeper.rules.jobs import Shape
from serialkeeper.rules.layout import Layout
from serialkeeper.rules.readable import four

COLUMNS = [
    "position",
    "row",
    "lane",
    "gtin",
    "serial",
    "lot",
    "expiry",
    "bracketed",
    "scanned",
    "hri1",
    "hri2",
    "hri3",
    "hri4",
]
_MARK = "\x00"  # stands for the serial while the constant text around it is worked out


def print_file(
    blocks: Iterable[tuple[NDArray[np.int64], list[str]]],
    *,
    gtin: str,
    lot: str,
    expiry: date,
    order: tuple[str, ...],
    layout: Layout,
    shape: Shape,
) -> Iterator[bytes]:
    """The file's bytes, block by block.

    Args:
        blocks: positions and their serials, in job order.
        gtin, lot, expiry, order, layout: the lot's frozen facts.
        shape: the job's place on the web.
    """
    yield (",".join(COLUMNS) + "\n").encode()
    model = gs1.LabelCode(gtin, _MARK, expiry, lot)
    shapes = {
        "bracketed": gs1.bracketed(model, order),
        "scanned": gs1.to_file(gs1.scanned(model, order)),
    }
    lines = dict(zip(("hri1", "hri2", "hri3", "hri4"), four(layout.shown(model)), strict=True))
    start = 0
    for positions, serials in blocks:
        row, lane = shape.grid(start, len(positions))
        start += len(positions)
        frame = pl.DataFrame(
            {"position": positions, "row": row, "lane": lane, "serial": serials}
        ).with_columns(
            pl.lit(gtin).alias("gtin"),
            pl.lit(lot).alias("lot"),
            pl.lit(expiry.isoformat()).alias("expiry"),
            _around(
                shapes["bracketed"], pl.col("serial").str.replace_all("(", "\\(", literal=True)
            ).alias("bracketed"),
            _around(shapes["scanned"], pl.col("serial")).alias("scanned"),
            *(_around(text, pl.col("serial")).alias(name) for name, text in lines.items()),
        )
        buffer = io.BytesIO()
        frame.select(COLUMNS).write_csv(buffer, include_header=False, line_terminator="\n")
        yield buffer.getvalue()


def _around(shape: str, serial: pl.Expr) -> pl.Expr:
    before, mark, after = shape.partition(_MARK)
    if not shape:
        return pl.lit(None, pl.String)
    if not mark:
        return pl.lit(shape)
    return pl.concat_str(pl.lit(before), serial, pl.lit(after))
