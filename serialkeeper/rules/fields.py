"""What the single fields of a results file mean: places, times, grades.

Columns are read whole; the first field that means nothing refuses the file, with its line.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.parts import NO_GRADE, NO_TIME

COLUMNS = ("position", "row", "lane", "at", "seen", "grade", "verdict", "text")
REHEARSAL = "rehearsal"
"""A further column that marks every row of a rehearsed file."""

LETTERS = {"A": 40, "B": 30, "C": 20, "D": 10, "F": 0}
"""ISO/IEC 15415 letters as tenths of their number (FACTS: 4 A, 3 B, 2 C, 1 D, 0 F)."""

_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d)", re.ASCII)
EARLIEST = 946_684_800_000
"""Milliseconds since 1970 of the year 2000; a camera clock before it was never set."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


@dataclass(frozen=True)
class Lines:
    """Where rows of a batch stand in the file, for refusals.

    Attributes:
        where: the file.
        first: the line of the first row.
        unit: what is counted: lines, or records of a file that knows no lines.
        remedy: what to do about a field that is not understood.
    """

    where: str
    first: int
    unit: str = "line"
    remedy: str = "Correct the camera's output; the record is as it was."

    def refuse(
        self,
        wrong: pl.Series,
        column: pl.Series,
        name: str,
        expected: str,
        *,
        position: bool = False,
    ) -> None:
        """Refuse the first wrong field, and name the lines of some more."""
        rows = np.flatnonzero(wrong.fill_null(False).to_numpy())
        raise Refused(
            "results_position" if position else "results_value",
            f"The field '{name}' is not understood.",
            where=f"{self.where}, {self.unit} {self.first + int(rows[0])}",
            expected=expected,
            came=str(column[int(rows[0])]),
            remedy=self.remedy,
            more=self._more(rows),
        )

    def refuse_place(
        self, wrong: NDArray[np.bool_], rows: pl.DataFrame, message: str, expected: str
    ) -> None:
        """Refuse the first row whose place makes no sense."""
        index = np.flatnonzero(wrong)
        first = rows.row(int(index[0]), named=True)
        raise Refused(
            "results_position",
            message,
            where=f"{self.where}, {self.unit} {self.first + int(index[0])}",
            expected=expected,
            came=f"position {first['position'] or '-'}, row {first['row'] or '-'}, "
            f"lane {first['lane'] or '-'}",
            remedy="Check that the file belongs to this lot; the record is as it was.",
            more=self._more(index),
        )

    def _more(self, rows: Sequence[int] | NDArray[np.int64]) -> tuple[str, ...]:
        others = [f"{self.unit} {self.first + int(row)}" for row in rows[1:10]]
        left = len(rows) - 1 - len(others)
        return (*others, *([f"and {left} more"] if left > 0 else []))


def parse_grade(text: str) -> int | None:
    """A grade as tenths, `NO_GRADE` for none given, None for what is no grade.

    Accepts `3.5`, `B`, and the reported form grade/aperture/light[/angle] of ISO/IEC 15415.

    >>> parse_grade("1.5/08/660"), parse_grade("C"), parse_grade("")
    (15, 20, 255)
    """
    if not text:
        return NO_GRADE
    grade, *conditions = text.split("/")
    if len(conditions) not in (0, 2, 3) or not all(
        piece.isascii() and piece.isalnum() for piece in conditions
    ):
        return None
    if grade in LETTERS:
        return LETTERS[grade]
    whole, _, tenth = grade.partition(".")
    if not (whole in set("01234") and len(tenth) <= 1 and (tenth or "0").isdigit()):
        return None
    if not (grade.isascii() and not grade.endswith(".")):
        return None
    tenths = int(whole) * 10 + int(tenth or "0")
    return tenths if tenths <= 40 else None


def whole_numbers(column: pl.Series, name: str, line: Lines) -> NDArray[np.int64]:
    """A column of whole numbers, 0 for empty fields."""
    numbers = column.cast(pl.Int64, strict=False)
    wrong = (numbers.is_null() & (column != "")) | (numbers < 1) | column.str.starts_with("+")
    if wrong.any():
        line.refuse(wrong, column, name, "a whole number from 1, or nothing", position=True)
    if (numbers > 2**31 - 2).any():
        line.refuse(numbers > 2**31 - 2, column, name, "a position of the plan", position=True)
    return numbers.fill_null(0).to_numpy()


def times(column: pl.Series, line: Lines, latest: int) -> NDArray[np.int64]:
    """Milliseconds since 1970; `NO_TIME` for empty fields."""
    found = _read_times(column, line)
    odd = (found != NO_TIME) & ((found < EARLIEST) | (found > latest))
    if odd.any():
        line.refuse(pl.Series(odd), column, "at", "a time from 2000 on that is not in the future")
    return found


def _read_times(column: pl.Series, line: Lines) -> NDArray[np.int64]:
    if (column.str.len_bytes() == 24).all():
        times, fits = _usual_times(column)
        if fits:
            return times
    if (column == "").all():
        return np.full(len(column), NO_TIME, dtype=np.int64)
    moments = pl.Series(
        [_moment(text) if text else NO_TIME for text in column.to_list()], dtype=pl.Int64
    )
    if moments.null_count():
        line.refuse(
            moments.is_null(),
            column,
            "at",
            "a time with zone such as 2026-01-31T08:00:00.250Z, or nothing",
        )
    return moments.to_numpy()


def _moment(text: str) -> int | None:
    """One RFC 3339 time as milliseconds since 1970, or None."""
    if not _RFC_3339.fullmatch(text):
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return (moment - _EPOCH) // _MILLISECOND


def _usual_times(column: pl.Series) -> tuple[NDArray[np.int64], bool]:
    """Times of the form 2026-01-31T08:00:00.250Z, all at once; False if one is not."""
    signs = np.frombuffer(column.str.join("").item().encode(), np.uint8)
    text = signs.reshape(-1, 24)
    shape = np.frombuffer(b"0000-00-00T00:00:00.000Z", np.uint8)
    digit = shape == ord("0")
    digits = text - np.uint8(ord("0"))
    if not ((text[:, ~digit] == shape[~digit]).all() and (digits[:, digit] <= 9).all()):
        return np.empty(0, dtype=np.int64), False

    def number(start: int, stop: int) -> NDArray[np.int64]:
        found = np.zeros(len(text), dtype=np.int64)
        for place in range(start, stop):
            found = found * 10 + digits[:, place]
        return found

    year, month, day = number(0, 4), number(5, 7), number(8, 10)
    hour, minute, second = number(11, 13), number(14, 16), number(17, 19)
    first = ((year - 1970) * 12 + month - 1).astype("datetime64[M]")
    days = first.astype("datetime64[D]").astype(np.int64)
    length = (first + 1).astype("datetime64[D]").astype(np.int64) - days
    real = (month >= 1) & (month <= 12) & (day >= 1) & (day <= length) & (year >= 1970)
    real &= (hour < 24) & (minute < 60) & (second < 60)
    seconds = (days + day - 1) * 86_400 + hour * 3_600 + minute * 60 + second
    return seconds * 1_000 + number(20, 23), bool(real.all())
