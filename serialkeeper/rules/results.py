"""Which planned label each reading of a results file shows.

Vectorised: one pass of polars expressions per batch finds the readings that show exactly
the planned code in its place; only what is left is looked at one by one. Where the file gives
no positions, `rules.alignment` finds the places once all numbers are known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1
from serialkeeper.rules.alignment import Alignment, align
from serialkeeper.rules.fields import Lines, parse_grade, times, whole_numbers
from serialkeeper.rules.findings import CODE, GOOD, SLICE, Facts, Readings, judge_text
from serialkeeper.rules.jobs import MOST_LANES, Web
from serialkeeper.rules.layout import DEFAULT, Layout
from serialkeeper.rules.lookup import Lookup, Texts, numbers_in
from serialkeeper.rules.parts import NO_GRADE
from serialkeeper.rules.positions import settle_positions
from serialkeeper.rules.readable import joined
from serialkeeper.rules.serials import SHORTEST
from serialkeeper.rules.streams import Seen

TEXTS_AT_ONCE = 4_000
"""Unexpected texts that are searched for numbers at a time; each gives some fifty candidates."""

CLOCK_SLACK = 1_000
"""Milliseconds by which a reading may be stamped before the one above it: cameras that work side
by side do not finish in order (common practice, no source)."""

CLOCKS_APART = 24 * 3600 * 1000
"""Milliseconds by which a camera's clock may be ahead of ours."""

OVERRUN = 1_000
"""Positions beyond the plan that a slipped counter may report; those that stay there when the
numbers have been looked at refuse the file."""

Grid = Callable[[NDArray[np.int64], NDArray[np.int64]], NDArray[np.int32]]
"""Gives positions from rows and lanes, 0 where the plan has no such place."""


@dataclass(frozen=True)
class Plan:
    """What the lot's labels should say.

    Attributes:
        serials: the number of position 1, 2, ...
        codes: the whole planned texts by position, separators as `{GS}`, where some labels carry
            more than number and lot's facts (`rules.imported`); else None.
        gtin, lot, expiry, order: the lot's frozen facts.
        minimum_grade: tenths.
        grid: from row and lane to position.
        web: where the labels stand.
        free: bool by position: printed, and not inspected before this file.
        this_year: for reading dates in codes.
        latest: milliseconds since 1970; no reading can be later.
        again: whether the file is a further pass, on which labels inspected before are at home.
        occupant: int32 by position: the label that stands now where that label was printed; None
            on a web as it was printed.
        lookup: positions by `told`, where it pays to have them ready for many small batches.
        layout: the lot's, for the human-readable lines.
    """

    serials: Texts
    gtin: str
    lot: str
    expiry: date
    order: tuple[str, ...]
    minimum_grade: int
    grid: Grid
    web: Web
    free: NDArray[np.bool_]
    this_year: int
    latest: int
    again: bool = False
    occupant: NDArray[np.int32] | None = None
    codes: Texts | None = None
    lookup: Lookup | None = None
    layout: Layout = DEFAULT

    @cached_property
    def lengths(self) -> tuple[int, ...]:
        """The lengths that a number may have, too short ones left out."""
        return tuple(length for length in self.serials.lengths if length >= SHORTEST)

    @property
    def told(self) -> Texts:
        """What tells one planned text from another: the number, or the whole text."""
        return self.serials if self.codes is None else self.codes

    def shape(self) -> tuple[str, str]:
        """The scanned text before and after what `told` holds, as it stands in files."""
        return self.shell() if self.codes is None else ("", "")

    def shell(self) -> tuple[str, str]:
        """The scanned text before and after the serial where no extras are."""
        model = gs1.LabelCode(self.gtin, "\x00", self.expiry, self.lot)
        before, _, after = gs1.to_file(gs1.scanned(model, self.order)).partition("\x00")
        return before, after

    def facts(self) -> Facts:
        """What `judge_text` holds a foreign text against."""
        return Facts(self.gtin, self.lot, self.expiry, self.this_year)


class _Column:
    """An array that grows where it stands, so that it is never there twice."""

    def __init__(self, dtype: str) -> None:
        self._values, self._count = np.empty(0, dtype), 0

    def add(self, values: NDArray[Any]) -> None:
        end, room = self._count + len(values), len(self._values)
        if end > room:
            self._values.resize(max(end, room + min(room, SLICE)), refcheck=False)
        self._values[self._count : end] = values
        self._count = end

    def take(self) -> NDArray[Any]:
        """What was added; the column is empty then."""
        values, self._values = self._values, self._values[:0].copy()
        values.resize(self._count, refcheck=False)
        self._count = 0
        return values


@dataclass
class Interpretation:
    """The readings of all batches so far.

    Attributes:
        plan: what the labels should say; where they stand is let go by `finish`.
        where: the file, for refusals.
        seen: texts that are not the planned one, by reading index.
        detail: what is wrong with them, by reading index.
        aligned: how readings without positions were placed; None where the file gives positions.
        notes: what a person should know of the file as a whole.
        unit: what rows of the file are called in refusals.
        told: the places as the file gives them, where spares may stand on the web; else None.
    """

    plan: Plan
    where: str
    seen: dict[int, str] = field(default_factory=dict)
    detail: dict[int, str] = field(default_factory=dict)
    aligned: Alignment | None = None
    notes: list[dict[str, object]] = field(default_factory=list)
    unit: str = "line"
    told: NDArray[np.int32] | None = None
    _columns: tuple[_Column, ...] = field(
        default_factory=lambda: tuple(map(_Column, ("i4", "i4", "u1", "u1", "i8")))
    )
    _lanes: list[NDArray[np.uint8]] = field(default_factory=list)
    _shown: list[pl.Series] = field(default_factory=list)
    _lines: list[tuple[int, int]] = field(default_factory=list)
    _placed: bool = True
    _count: int = 0
    _grades: dict[str, int] = field(default_factory=dict)

    def add(self, rows: pl.DataFrame, first_line: int) -> None:
        """Interpret a batch. Refuses `results_position` and `results_value` with the line."""
        line = Lines(self.where, first_line, self.unit)
        place, lane = self._places(rows, line)
        time = times(rows["at"], line, self.plan.latest)
        grade = self._grade_column(rows["grade"], line)
        verdict = rows["verdict"]
        unknown = ~verdict.is_in(["pass", "fail", ""])
        if unknown.any():
            line.refuse(unknown, verdict, "verdict", "'pass', 'fail' or nothing")
        seen = rows["seen"].str.replace_all(gs1.GS, gs1.FILE_GS, literal=True)
        if self._placed:
            last = len(self.plan.serials)
            serials = self.plan.told.at(np.clip(place, 1, last))
        else:
            serials = self._serials_in(seen)
            self._shown.append(serials)
            self._lanes.append(lane.astype(np.uint8))
        before, after = self.plan.shape()
        frame = pl.DataFrame({"seen": seen, "serial": serials, "text": rows["text"]})
        exact = (
            frame.select(pl.col("seen") == pl.concat_str(pl.lit(before), "serial", pl.lit(after)))
            .to_series()
            .fill_null(value=False)
            .to_numpy()
        )
        if self._placed:
            exact &= (place > 0) & (place <= len(self.plan.serials))
        unread = (seen == "").to_numpy()
        strange = np.flatnonzero(~exact & ~unread)
        if len(strange):  # a text is held against its own code, wherever the label stands
            own = self._serials_in(seen.gather(strange))
            frame = frame.with_columns(serial=serials.scatter(strange, own))
        finding = np.zeros(len(place), dtype=np.uint8)
        finding[(verdict == "fail").to_numpy()] = CODE["failed_by_camera"]
        finding[(grade != NO_GRADE) & (grade < self.plan.minimum_grade)] = CODE["low_grade"]
        finding[self._texts_differ(frame)] = CODE["text_mismatch"]
        number = np.where(exact, place, 0).astype(np.int32)
        finding[unread] = CODE["unreadable"]
        for index in strange.tolist():
            self.seen[self._count + index] = seen[index]
        made: tuple[NDArray[Any], ...] = (place, number, finding, grade, time)
        for column, values in zip(self._columns, made, strict=True):
            column.add(values)
        self._lines.append((self._count, first_line))
        self._count += len(place)

    def finish(self) -> Readings:
        """All readings, each with its place; texts that are not the planned one are judged.

        Refuses `results_unplaced` and `results_clock` where the file gives no positions.
        """
        readings, exact = self.shown()
        self.plan.serials.forget()
        self.plan.told.forget()
        self._settle_places(readings, exact)
        self.plan = replace(self.plan, web=Web.of((), 0))
        return readings

    def shown(self) -> tuple[Readings, NDArray[np.int32]]:
        """What every reading shows, each by itself: places are those that the file gives.

        Returns:
            The readings, and the number of each where it was read exactly as planned, else 0.
        """
        place, number, finding, grade, time = (column.take() for column in self._columns)
        evidence = np.where(number > 0, np.uint8(ord("r")), np.uint8(ord("p")))
        readings = Readings(place, number, finding, grade, time, evidence)
        if not self._placed:
            self._look_up_shown(readings)
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
        exact = readings.number.copy()
        return replace(readings, also=self._count_other_spellings(readings)), exact

    @property
    def placed(self) -> bool:
        """Whether the file gives positions."""
        return self._placed

    def lanes(self) -> NDArray[np.uint8]:
        """The lane that the file names for each reading, where it gives no positions."""
        return np.concatenate(self._lanes)

    def _settle_places(self, readings: Readings, exact: NDArray[np.int32]) -> None:
        """Give every reading its place, and count one label that was read twice but once."""
        if self._placed:
            if self.plan.occupant is not None:
                self.told = readings.place.copy()
            same, self.notes = settle_positions(readings, exact, self.plan.web)
            self._check_inside(readings.place)
        else:
            strange = np.zeros(len(exact), dtype=np.bool_)
            strange[list(self.seen)] = True
            strange &= exact == 0
            seen = Seen(exact, self.lanes(), readings.time, strange)
            self._check_clock(seen)
            free = self.plan.free
            home = np.ones_like(free) if self.plan.again else free
            made = align(seen, self.plan.web, free, home=home, where=self.where)
            readings.place[:], readings.evidence[:] = made.place, made.evidence
            same, self.notes, self.aligned = made.same, made.notes, made
        # The reading with nothing wrong, or with nothing read, is the one too many.
        same &= np.isin(readings.finding, (GOOD, CODE["unreadable"]))
        readings.place[same] = readings.number[same] = readings.finding[same] = 0

    def _check_inside(self, place: NDArray[np.int32]) -> None:
        labels = len(self.plan.web.row) - 1
        outside = np.flatnonzero(place > labels)
        if len(outside):
            raise Refused(
                "results_position",
                "A position lies outside the plan.",
                where=f"{self.where}, line {self._line_of(int(outside[0]))}",
                expected=f"1 to {labels}",
                came=str(place[outside[0]]),
                remedy="Check that the file belongs to this lot; the record is as it was.",
                more=tuple(f"line {self._line_of(int(one))}" for one in outside[1:10]),
            )

    def _check_clock(self, seen: Seen) -> None:
        """Order is evidence here, so a clock that goes back refuses the file."""
        for lane in np.unique(seen.lane).tolist():
            index = np.flatnonzero((seen.lane == lane) & (seen.time > 0))
            back = np.flatnonzero(np.diff(seen.time[index]) < -CLOCK_SLACK)
            if len(back):
                at, before = int(index[back[0] + 1]), int(index[back[0]])
                raise Refused(
                    "results_clock",
                    "The camera's clock runs backwards, and the file gives no positions.",
                    where=f"{self.where}, line {self._line_of(at)}",
                    expected="readings in the order in which they were taken",
                    came=f"{seen.time[before] - seen.time[at]} ms before the line above",
                    remedy="Put the file into the camera's own order, or take out the part after "
                    "the clock was set back and take it as a file of its own.",
                )

    def _line_of(self, index: int) -> int:
        """The line of a reading in the file."""
        start, line = next(one for one in reversed(self._lines) if one[0] <= index)
        return line + index - start

    def _serials_in(self, seen: pl.Series) -> pl.Series:
        """What stands in each text where the serial should; null where its shape is another."""
        before, after = self.plan.shape()
        inner = pl.col("seen").str.strip_prefix(before)
        inner = inner.str.strip_suffix(after) if after else inner
        shaped = pl.col("seen").str.starts_with(before) & pl.col("seen").str.ends_with(after)
        shaped &= pl.col("seen") != ""
        return pl.DataFrame({"seen": seen}).select(pl.when(shaped).then(inner)).to_series()

    def _look_up_shown(self, readings: Readings) -> None:
        """The positions of the numbers read; what is no number of the lot is looked at later."""
        shown = pl.concat(self._shown)
        self._shown.clear()
        found = (self.plan.lookup or Lookup(self.plan.told.all())).find(shown)
        readings.number[:] = found
        readings.evidence[found > 0] = ord("r")
        before, after = self.plan.shape()
        unknown = np.flatnonzero((found == 0) & shown.is_not_null().to_numpy())
        for index, serial in zip(unknown.tolist(), shown.gather(unknown).to_list(), strict=True):
            self.seen[index] = before + serial + after

    def _count_other_spellings(self, readings: Readings) -> NDArray[np.int32]:
        """A planned number in a text that is not written as planned was read all the same.

        The label keeps its finding; every number of the lot that stands anywhere in the text
        counts as read there, so that no twin of it is called good. Gives the numbers beyond
        the first of a reading.
        """
        also: list[int] = []
        strange = [index for index in self.seen if not readings.number[index]]
        for start in range(0, len(strange), TEXTS_AT_ONCE):
            some = strange[start : start + TEXTS_AT_ONCE]
            named = {index: numbers_in(self.seen[index], self.plan.lengths) for index in some}
            places = self._positions_of(set().union(*named.values()), self.plan.serials)
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

    def _positions_of(self, texts: set[str], column: Texts) -> dict[str, int]:
        """The positions of those texts that stand in a column of the plan."""
        if self.plan.lookup is None or column is not self.plan.told:
            return column.places(texts)
        wanted = pl.Series(sorted(texts), dtype=pl.String)
        places = self.plan.lookup.find(wanted).tolist()
        return {text: place for text, place in zip(wanted, places, strict=True) if place}

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
        places = self._positions_of(set(shown["s"].to_list()), self.plan.told)
        shown = shown.filter(
            pl.col("s").is_in(pl.Series(sorted(places), dtype=pl.String).implode())
        )
        index = shown["index"].to_numpy()
        readings.number[index] = [places[serial] for serial in shown["s"].to_list()]

    def _places(
        self, rows: pl.DataFrame, line: Lines
    ) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
        """Positions, and lanes; a file gives positions in all of its rows or in none."""
        position = whole_numbers(rows["position"], "position", line)
        row, lane = (
            whole_numbers(rows["row"], "row", line),
            whole_numbers(rows["lane"], "lane", line),
        )
        known = self.plan.grid(row, lane)
        missing = (position == 0) & (known == 0)
        if not self._count:
            self._placed = not missing.all()
        if not self._placed:
            self._check_unplaced(rows, lane, ~missing, line)
            return np.zeros(len(lane), dtype=np.int32), lane
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
        outside = place > len(self.plan.serials) + OVERRUN
        if outside.any():
            line.refuse_place(
                outside, rows, "A position lies outside the plan.", f"1 to {len(self.plan.serials)}"
            )
        place = place.astype(np.int32)
        if self.plan.occupant is not None:
            inside = place < len(self.plan.occupant)
            place[inside] = self.plan.occupant[place[inside]]
        return place, lane

    @staticmethod
    def _check_unplaced(
        rows: pl.DataFrame, lane: NDArray[np.int64], placed: NDArray[np.bool_], line: Lines
    ) -> None:
        if placed.any():
            line.refuse_place(
                placed,
                rows,
                "A row names a place, and rows before it name none.",
                "positions in all rows or in none",
            )
        if (lane > MOST_LANES).any():
            line.refuse_place(
                lane > MOST_LANES, rows, "A lane cannot be.", f"a lane from 1 to {MOST_LANES}"
            )

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
        planned = joined(self.plan.layout.shown(model))
        before, _, after = planned.partition("\x00")
        text = pl.col("text")
        if self.plan.codes is not None:
            number = pl.col("seen").str.strip_prefix(self.plan.shell()[0])
            ended = number.str.split(gs1.FILE_GS).list.first()
            frame = frame.with_columns(serial=pl.when(pl.col("seen") != "").then(ended))
        return (
            frame.select(
                (text != "") & (text != pl.concat_str(pl.lit(before), "serial", pl.lit(after)))
            )
            .to_series()
            .fill_null(value=False)
            .to_numpy()
        )
