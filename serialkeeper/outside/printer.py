"""The print file: one row per label, in the order in which the printer works them off."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from dataclasses import replace

import polars as pl

from serialkeeper.rules.imported import Labels
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


def print_file(pieces: Iterable[Labels], shape: Shape, layout: Layout) -> Iterator[bytes]:
    """The file's bytes, piece by piece.

    Args:
        pieces: the labels in job order.
        shape: the job's place on the web.
        layout: the lot's, for the human-readable lines.
    """
    yield (",".join(COLUMNS) + "\n").encode()
    start = 0
    serial, extras = pl.col("serial"), pl.col("extras")
    for some in pieces:
        row, lane = shape.grid(start, len(some.positions))
        start += len(some.positions)
        code = replace(some.printed.code, serial=_MARK)
        lines = dict(zip(("hri1", "hri2", "hri3", "hri4"), four(layout.shown(code)), strict=True))
        frame = pl.DataFrame(
            {
                "position": some.positions,
                "row": row,
                "lane": lane,
                "serial": some.serials,
                "extras": some.extras,
            }
        ).with_columns(
            pl.lit(code.gtin).alias("gtin"),
            pl.lit(code.lot).alias("lot"),
            pl.lit(code.expiry.isoformat()).alias("expiry"),
            some.printed.bracketed(serial, extras).alias("bracketed"),
            some.printed.scanned(serial, extras).alias("scanned"),
            *(_around(text, serial).alias(name) for name, text in lines.items()),
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
