"""Which planned label each reading of a results file shows.

Vectorised: one pass of polars expressions per batch finds the readings that show exactly
the planned code in its place; only what is left is looked at one by one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.rules import gs1
from serialkeeper.rules.fields import Lines, parse_grade, times, whole_numbers
from serialkeeper.rules.findings import CODE, GOOD, Facts, Readings, judge_text
from serialkeeper.rules.parts import NO_GRADE
from serialkeeper.rules.serials import SHORTEST

TEXTS_AT_ONCE = 4_000
"""Unexpected texts that are searched for numbers at a time; each gives some fifty candidates."""

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
        unit: what rows of the file are called in refusals.
    """

    plan: Plan
    where: str
    seen: dict[int, str] = field(default_factory=dict)
    detail: dict[int, str] = field(default_factory=dict)
    unit: str = "line"
    _columns: tuple[list[NDArray[Any]], ...] = field(default_factory=lambda: ([], [], [], [], []))
    _count: int = 0
    _grades: dict[str, int] = field(default_factory=dict)

    def add(self, rows: pl.DataFrame, first_line: int) -> None:
        """Interpret a batch. Refuses `results_position` and `results_value` with the line."""
        line = Lines(self.where, first_line, self.unit)
        place = self._places(rows, line)
        time = times(rows["at"], line, self.plan.latest)
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
        judged: dict[str, tuple[str, str]] = {}
        for index, seen in self.seen.items():
            if readings.number[index]:
                continue
            if seen not in judged:
                judged[seen] = judge_text(gs1.from_file(seen), facts)
            word, self.detail[index] = judged[seen]
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
            places = self._positions_of(set().union(*named.values()))
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

    def _positions_of(self, serials: set[str]) -> dict[str, int]:
        """The positions of those serials that are planned."""
        plan = pl.DataFrame({"s": self.plan.serials}).with_row_index("position", offset=1)
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

    def _places(self, rows: pl.DataFrame, line: Lines) -> NDArray[np.int32]:
        position = whole_numbers(rows["position"], "position", line)
        row, lane = (
            whole_numbers(rows["row"], "row", line),
            whole_numbers(rows["lane"], "lane", line),
        )
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

    def _grade_column(self, column: pl.Series, line: Lines) -> NDArray[np.uint8]:
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
    """Every stretch of a text as long as a number, without separators, as it is and in capitals."""
    plain = seen.replace(gs1.FILE_GS, "").replace(" ", "")
    return [
        text[start : start + length]
        for text in dict.fromkeys((plain, plain.upper()))
        for length in lengths
        for start in range(len(text) - length + 1)
    ]


def _joined(pieces: list[NDArray[Any]]) -> NDArray[Any]:
    """One array from pieces, which are let go."""
    whole = np.concatenate(pieces)
    pieces.clear()
    return whole
