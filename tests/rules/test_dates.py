"""Dates of labels: the century window and day 00, against vectors and biip with a set clock."""

from __future__ import annotations

import calendar
import datetime as dt
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import biip.gs1_element_strings as biip_elements
import pytest
from biip import ParseError
from hypothesis import example, given, settings
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1


@contextmanager
def biip_in(year: int) -> Iterator[None]:
    """biip with its clock set to a year; its century window moves with the clock."""

    class Clock(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> dt.datetime:
            return dt.datetime(year, 6, 15, tzinfo=tz)

    real = biip_elements.dt
    biip_elements.dt = SimpleNamespace(datetime=Clock, date=dt.date, UTC=dt.UTC)
    try:
        yield
    finally:
        biip_elements.dt = real


def by_biip(text: str) -> dt.date | None:
    """The date that biip reads from (17), or None if it refuses."""
    try:
        return biip_elements.GS1ElementString.extract("17" + text).date
    except ParseError:
        return None


def ours(text: str, year: int) -> dt.date | None:
    """The date that we read, or None if we refuse."""
    try:
        return gs1.read_date(text, this_year=year)
    except Refused:
        return None


def test_date_vectors(standards: Path) -> None:
    """Every published date row gets its year, its day, or its refusal.

    Source: dates.json (GS1 General Specifications 7.12; GS1 engine lint_yymmd0.c; biip).
    """
    used = 0
    for row in json.loads((standards / "vectors" / "dates.json").read_text("utf-8")):
        given, expect = row["input"], row["expect"]
        read = ours(given["yymmdd"], given.get("current_year", 2026))
        used += 1
        if "year" in expect:
            assert read is not None
            assert read.year == expect["year"], given
        elif "date" in expect:
            assert read == dt.date.fromisoformat(expect["date"]), given
        else:
            assert (read is not None) == expect["valid"], given
    assert used >= 61


def test_all_dates_of_one_clock_are_read_as_biip_reads_them() -> None:
    """Every YYMM with each day 00 to 32, and months 00 and 13, agrees with biip in 2026."""
    differ = []
    with biip_in(2026):
        for short in range(100):
            for month in range(14):
                # The middle days of a month say nothing that the 9th does not say.
                for day in (0, 1, 9, 27, 28, 29, 30, 31, 32):
                    text = f"{short:02d}{month:02d}{day:02d}"
                    if ours(text, 2026) != by_biip(text):
                        differ.append(text)
    assert differ == []


@given(
    st.integers(2000, 2199),
    st.integers(0, 99),
    st.integers(0, 13),
    st.integers(0, 32),
)
@settings(deadline=None, max_examples=400)
@example(2051, 0, 2, 29)
@example(2075, 24, 2, 0)
@example(2099, 49, 1, 15)
@example(2050, 0, 2, 29)
def test_dates_under_any_clock_agree_with_biip(year: int, short: int, month: int, day: int) -> None:
    """Whatever the year of reading, biip set to that year reads the same day."""
    text = f"{short:02d}{month:02d}{day:02d}"
    with biip_in(year):
        assert ours(text, year) == by_biip(text)


def test_biip_is_itself_again() -> None:
    """The set clock leaves no trace in biip for the tests that follow."""
    with biip_in(2100):
        assert by_biip("000115") == dt.date(2100, 1, 15)
    assert biip_elements.dt is dt


@given(st.integers(1950, 2200), st.integers(-49, 50))
def test_window_is_49_back_and_50_ahead(year: int, offset: int) -> None:
    """Each year of the window, and no other, is what its two digits mean.

    Source: GS1 General Specifications 7.12.
    """
    assert gs1.read_date(f"{(year + offset) % 100:02d}0115", this_year=year).year == year + offset


@given(st.dates(dt.date(1980, 1, 1), dt.date(2070, 12, 31)))
def test_what_is_written_is_read(day: dt.date) -> None:
    """A real day is written as six digits, with its day, and read back."""
    text = gs1.write_date(day)
    assert len(text) == 6
    assert text[4:] != "00"
    assert gs1.read_date(text, this_year=2026) == day


@given(st.integers(0, 99), st.integers(1, 12), st.integers(2000, 2100))
def test_day_00_is_the_last_of_the_month(short: int, month: int, year: int) -> None:
    """Day 00 means the month's last day, leap years included (General Specifications 7.12)."""
    read = gs1.read_date(f"{short:02d}{month:02d}00", this_year=year)
    assert read.day == calendar.monthrange(read.year, month)[1]
    assert (read + dt.timedelta(days=1)).day == 1


@pytest.mark.parametrize(
    "text", ["", "28063", "2806300", "２80630", "28 630", "+80630", "280630\n"]
)
def test_six_plain_digits_or_nothing(text: str) -> None:
    """Short, long, foreign and padded digits are no date."""
    with pytest.raises(Refused) as refusal:
        gs1.read_date(text, this_year=2026)
    assert refusal.value.word == "bad_value"
