"""What the fields of a results file mean, and which planned label each reading shows.

Vectorised: one pass of polars expressions per batch finds the readings that show exactly
the planned code in its place; only what is left is looked at one by one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1
from serialkeeper.rules.findings import CODE, GOOD, Facts, Readings, judge_text
from serialkeeper.rules.parts import NO_GRADE, NO_TIME
from serialkeeper.rules.serials import SHORTEST

COLUMNS = ("position", "row", "lane", "at", "seen", "grade", "verdict", "text")
TEXTS_AT_ONCE = 20_000
"""Unexpected texts that are searched for numbers at a time."""

REHEARSAL = "rehearsal"
"""A further column that marks every row of a rehearsed file."""

LETTERS = {"A": 40, "B": 30, "C": 20, "D": 10, "F": 0}
"""ISO/IEC 15415 letters as tenths of their number (FACTS: 4 A, 3 B, 2 C, 1 D, 0 F)."""

_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d)", re.ASCII)
EARLIEST = 946_684_800_000
"""Milliseconds since 1970 of the year 2000; a camera clock before it was never set."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)

Grid = Callable[[NDArray[np.int64], NDArray[np.int64]], NDArray[np.int32]]
"""Gives positions from rows and lanes, 0 where the plan has no such place."""


@dataclass(frozen=True)
class Plan:
    """What the lot's labels should say.

    Attributes:
        serials: the number of position 1, 2, ...
        gtin, lot, expiry, order: the lot's frozen facts.
        minimum_grade: tenths.
        grid: from row and lane to position.
        this_year: for reading dates in codes.
        latest: milliseconds since 1970; no reading can be later.
    """

    serials: pl.Series
    gtin: str
    lot: str
    expiry: date
    order: tuple[str, ...]
    minimum_grade: int
    grid: Grid
    this_year: int
    latest: int

    def shape(self) -> tuple[str, str]:
        """The scanned text before and after the serial, as it stands in files."""
        model = gs1.LabelCode(self.gtin, "\x00", self.expiry, self.lot)
        before, _, after = gs1.to_file(gs1.scanned(model, self.order)).partition("\x00")
        return before, after

    def facts(self) -> Facts:
        """What `judge_text` holds a foreign text against."""
        return Facts(self.gtin, self.lot, self.expiry, self.this_year)


@dataclass
class Interpretation:
    """The readings of all batches so far.

    Attributes:
        plan: what the labels should say; its numbers are let go by `finish`.
        where: the file, for refusals.
        seen: texts that are not the planned one, by reading index.
        detail: what is wrong with them, by reading index.
    """

    plan: Plan
    where: str
    seen: dict[int, str] = field(default_factory=dict)
    detail: dict[int, str] = field(default_factory=dict)
    _columns: tuple[list[NDArray[Any]], ...] = field(default_factory=lambda: ([], [], [], [], []))
    _count: int = 0
    _grades: dict[str, int] = field(default_factory=dict)

    def add(self, rows: pl.DataFrame, first_line: int) -> None:
        """Interpret a batch. Refuses `results_position` and `results_value` with the line."""
        line = _Lines(self.where, first_line)
        place = self._places(rows, line)
        time = _times(rows["at"], line, self.plan.latest)
        grade = self._grade_column(rows["grade"], line)
        verdict = rows["verdict"]
        unknown = ~verdict.is_in(["pass", "fail", ""])
        if unknown.any():
            line.refuse(unknown, verdict, "verdict", "'pass', 'fail' or nothing")
        before, after = self.plan.shape()
        serials = self.plan.serials.gather(place.astype(np.uint32) - 1)
        seen = rows["seen"].str.replace_all(gs1.GS, gs1.FILE_GS, literal=True)
        frame = pl.DataFrame({"seen": seen, "serial": serials, "text": rows["text"]})
        exact = (
            frame.select(pl.col("seen") == pl.concat_str(pl.lit(before), "serial", pl.lit(after)))
            .to_series()
            .to_numpy()
        )
        finding = np.zeros(len(place), dtype=np.uint8)
        finding[(verdict == "fail").to_numpy()] = CODE["failed_by_camera"]
        finding[(grade != NO_GRADE) & (grade < self.plan.minimum_grade)] = CODE["low_grade"]
        finding[self._texts_differ(frame)] = CODE["text_mismatch"]
        number = np.where(exact, place, 0).astype(np.int32)
        unread = (seen == "").to_numpy()
        finding[unread] = CODE["unreadable"]
        for index in np.flatnonzero(~exact & ~unread).tolist():
            self.seen[self._count + index] = seen[index]
        made: tuple[NDArray[Any], ...] = (place, number, finding, grade, time)
        for column, values in zip(self._columns, made, strict=True):
            column.append(values)
        self._count += len(place)

    def finish(self) -> Readings:
        """All readings; texts that are not the planned one are looked up and judged."""
        readings = Readings(*(_joined(column) for column in self._columns))
        self._name_displaced(readings)
        facts = self.plan.facts()
        judged: dict[str, tuple[str, str, str]] = {}
        for index, seen in self.seen.items():
            if readings.number[index]:
                continue
            if seen not in judged:
                judged[seen] = judge_text(gs1.from_file(seen), facts)
            word, self.detail[index], _ = judged[seen]
            readings.finding[index] = CODE[word]
        readings = replace(readings, also=self._count_other_spellings(readings))
        self.plan = replace(self.plan, serials=self.plan.serials.clear())  # a large thing
        return readings

    def _count_other_spellings(self, readings: Readings) -> NDArray[np.int32]:
        """A planned number in a text that is not written as planned was read all the same.

        The label keeps its finding; every number of the lot that stands anywhere in the text
        counts as read there, so that no twin of it is called good. Gives the numbers beyond
        the first of a reading.
        """
        also: list[int] = []
        lengths = [n for n in self.plan.serials.str.len_chars().unique() if n >= SHORTEST]
        strange = [index for index in self.seen if not readings.number[index]]
        for start in range(0, len(strange), TEXTS_AT_ONCE):
            some = strange[start : start + TEXTS_AT_ONCE]
            named = {index: _could_be_numbers(self.seen[index], lengths) for index in some}
            places = self._positions_of(set().union(*named.values()), any_case=True)
            for index, words in named.items():
                found = [places[word] for word in words if word in places]
                if not found:
                    continue
                readings.number[index] = found[0]
                also += found[1:]
                if readings.finding[index] == CODE["foreign"]:
                    readings.finding[index] = CODE["malformed"]
                    self.detail[index] = f"number of position {found[0]}, not written as planned"
        return np.array(also, dtype=np.int32)

    def _positions_of(self, serials: set[str], *, any_case: bool = False) -> dict[str, int]:
        """The positions of those serials that are planned."""
        column = self.plan.serials.str.to_uppercase() if any_case else self.plan.serials
        plan = pl.DataFrame({"s": column}).with_row_index("position", offset=1)
        wanted = pl.Series(sorted(serials), dtype=pl.String).implode()
        found = plan.filter(pl.col("s").is_in(wanted))
        return dict(zip(found["s"].to_list(), found["position"].to_list(), strict=True))

    def _name_displaced(self, readings: Readings) -> None:
        """Give readings that show another planned label's code that label's number."""
        if not self.seen:
            return
        before, after = self.plan.shape()
        shown = pl.DataFrame(
            {"index": list(self.seen), "seen": list(self.seen.values())},
            schema={"index": pl.Int64, "seen": pl.String},
        ).filter(pl.col("seen").str.starts_with(before) & pl.col("seen").str.ends_with(after))
        inner = pl.col("seen").str.strip_prefix(before)
        shown = shown.select(
            "index", (inner.str.strip_suffix(after) if after else inner).alias("s")
        )
        places = self._positions_of(set(shown["s"].to_list()))
        shown = shown.filter(
            pl.col("s").is_in(pl.Series(sorted(places), dtype=pl.String).implode())
        )
        index = shown["index"].to_numpy()
        readings.number[index] = [places[serial] for serial in shown["s"].to_list()]
        readings.finding[index] = GOOD

    def _places(self, rows: pl.DataFrame, line: _Lines) -> NDArray[np.int32]:
        position = _whole(rows["position"], "position", line)
        row, lane = _whole(rows["row"], "row", line), _whole(rows["lane"], "lane", line)
        known = self.plan.grid(row, lane)
        missing = (position == 0) & (known == 0)
        if missing.any():
            line.refuse_place(
                missing, rows, "A row names no place.", "a position, or row and lane of a print job"
            )
        odd = (position > 0) & (known > 0) & (known != position)
        if odd.any():
            line.refuse_place(
                odd, rows, "Position and row and lane name different places.", "one place"
            )
        place = np.where(position > 0, position, known)
        outside = place > len(self.plan.serials)
        if outside.any():
            line.refuse_place(
                outside, rows, "A position lies outside the plan.", f"1 to {len(self.plan.serials)}"
            )
        return place.astype(np.int32)

    def _grade_column(self, column: pl.Series, line: _Lines) -> NDArray[np.uint8]:
        for text in column.unique().to_list():
            if text not in self._grades:
                tenths = parse_grade(text)
                if tenths is None:
                    line.refuse(
                        column == text,
                        column,
                        "grade",
                        "a number 0.0 to 4.0, a letter A B C D F, grade/aperture/light, or nothing",
                    )
                else:
                    self._grades[text] = tenths
        return column.replace_strict(self._grades, return_dtype=pl.UInt8).to_numpy().copy()

    def _texts_differ(self, frame: pl.DataFrame) -> NDArray[np.bool_]:
        if not (frame["text"] != "").any():
            return np.zeros(frame.height, dtype=np.bool_)
        model = gs1.LabelCode(self.plan.gtin, "\x00", self.plan.expiry, self.plan.lot)
        planned = gs1.READABLE_JOIN.join(gs1.readable_lines(model))
        before, _, after = planned.partition("\x00")
        text = pl.col("text")
        return (
            frame.select(
                (text != "") & (text != pl.concat_str(pl.lit(before), "serial", pl.lit(after)))
            )
            .to_series()
            .to_numpy()
        )


def _could_be_numbers(seen: str, lengths: list[int]) -> list[str]:
    """Every stretch of a text, in capitals and without separators, as long as a number."""
    text = seen.replace(gs1.FILE_GS, "").replace(" ", "").upper()
    return [
        text[start : start + length]
        for length in lengths
        for start in range(len(text) - length + 1)
    ]


def _joined(pieces: list[NDArray[Any]]) -> NDArray[Any]:
    """One array from pieces, which are let go."""
    whole = np.concatenate(pieces)
    pieces.clear()
    return whole


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


def _whole(column: pl.Series, name: str, line: _Lines) -> NDArray[np.int64]:
    """A column of whole numbers, 0 for empty fields."""
    numbers = column.cast(pl.Int64, strict=False)
    wrong = (numbers.is_null() & (column != "")) | (numbers < 1) | column.str.starts_with("+")
    if wrong.any():
        line.refuse(wrong, column, name, "a whole number from 1, or nothing", position=True)
    if (numbers > 2**31 - 2).any():
        line.refuse(numbers > 2**31 - 2, column, name, "a position of the plan", position=True)
    return numbers.fill_null(0).to_numpy()


def _times(column: pl.Series, line: _Lines, latest: int) -> NDArray[np.int64]:
    """Milliseconds since 1970; `NO_TIME` for empty fields."""
    times = _read_times(column, line)
    odd = (times != NO_TIME) & ((times < EARLIEST) | (times > latest))
    if odd.any():
        line.refuse(pl.Series(odd), column, "at", "a time from 2000 on that is not in the future")
    return times


def _read_times(column: pl.Series, line: _Lines) -> NDArray[np.int64]:
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


@dataclass(frozen=True)
class _Lines:
    """Where rows of a batch stand in the file, for refusals."""

    where: str
    first: int

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
            where=f"{self.where}, line {self.first + int(rows[0])}",
            expected=expected,
            came=str(column[int(rows[0])]),
            remedy="Correct the camera's output; the record is as it was.",
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
            where=f"{self.where}, line {self.first + int(index[0])}",
            expected=expected,
            came=f"position {first['position'] or '-'}, row {first['row'] or '-'}, "
            f"lane {first['lane'] or '-'}",
            remedy="Check that the file belongs to this lot; the record is as it was.",
            more=self._more(index),
        )

    def _more(self, rows: Sequence[int] | NDArray[np.int64]) -> tuple[str, ...]:
        others = [f"line {self.first + int(row)}" for row in rows[1:10]]
        left = len(rows) - 1 - len(others)
        return (*others, *([f"and {left} more"] if left > 0 else []))
