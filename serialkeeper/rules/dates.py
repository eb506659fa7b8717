"""Dates on labels: six digits, YYMMDD.

Source: GS1 General Specifications 7.12 (section number and arithmetic from memory).
"""

from __future__ import annotations

import calendar
import re
from datetime import date

from serialkeeper.errors import Refused


def write_date(day: date) -> str:
    """A day as YYMMDD; the day is always written, never 00.

    Source: GS1 General Specifications 7.12; DD=00 is not allowed for regulated healthcare
    items from 2025.
    """
    return day.strftime("%y%m%d")


def read_date(text: str, *, this_year: int) -> date:
    """YYMMDD as a day; DD=00 is the last day of the month.

    The century is the one that brings the year within 49 years before and 50 years after
    `this_year`. Source: GS1 General Specifications 7.12 (the arithmetic from memory).

    >>> read_date("240200", this_year=2026)
    datetime.date(2024, 2, 29)
    """
    if re.fullmatch(r"[0-9]{6}", text):
        short, month, day = int(text[:2]), int(text[2:4]), int(text[4:])
        difference = short - this_year % 100
        year = this_year - this_year % 100 + short
        if difference >= 51:
            year -= 100
        elif difference <= -50:
            year += 100
        if 1 <= month <= 12:
            last = calendar.monthrange(year, month)[1]
            if day <= last:
                return date(year, month, day or last)
    raise Refused(
        "bad_value",
        "The date does not exist.",
        expected="YYMMDD, a real day (00 for the month's last)",
        came=text,
        remedy="Correct the date.",
    )


def names_no_day(text: str) -> bool:
    """Whether the six digits leave the day open: DD=00."""
    return len(text) == 6 and text.endswith("00")
