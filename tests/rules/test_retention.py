"""How long a record is kept: the latest of three rules counts."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.rules.retention import retention, sentence, years_after

DAYS = st.dates(date(2020, 1, 1), date(2090, 12, 31))
MAYBE = st.none() | DAYS


@pytest.mark.parametrize(
    ("expiry", "released", "shipped", "until", "by"),
    [
        # 21 CFR 211.180: 1 year after the expiry date of the batch
        (date(2028, 6, 30), None, None, "2029-06-30", "expiry"),
        # EU 2016/161 Article 4(d): 1 year after expiry or 5 after release, the longer
        (date(2028, 6, 30), date(2026, 7, 1), None, "2031-07-01", "release"),
        (date(2036, 6, 30), date(2026, 7, 1), None, "2037-06-30", "expiry"),
        # FD&C Act section 582(b)(2), from memory: 6 years after the transaction
        (date(2028, 6, 30), date(2026, 7, 1), date(2027, 1, 5), "2033-01-05", "last shipment"),
        (date(2028, 2, 29), None, None, "2029-03-01", "expiry"),
    ],
)
def test_the_latest_of_three_rules_counts(
    expiry: date, released: date | None, shipped: date | None, until: str, by: str
) -> None:
    """Worked by hand from the text of the rules."""
    told = retention(expiry, released=released, shipped=shipped)
    assert (told["until"], told["by"]) == (until, by)
    assert until in sentence(told) and by in sentence(told)


@given(DAYS, MAYBE, MAYBE)
def test_no_rule_is_cut_short(expiry: date, released: date | None, shipped: date | None) -> None:
    """What becomes known later can only make it longer, and no term ends before its years."""
    told = retention(expiry, released=released, shipped=shipped)
    until = date.fromisoformat(told["until"])
    assert retention(expiry)["until"] <= told["until"]
    for day, years in ((expiry, 1), (released, 5), (shipped, 6)):
        assert day is None or until >= years_after(day, years)
    assert told["until"] == max(day for day in told["terms"].values() if day)


@given(DAYS, st.integers(0, 9))
def test_years_are_whole(day: date, years: int) -> None:
    """As many years, and on the same day but for one that is not there: then a day later."""
    later = years_after(day, years)
    assert later.year == day.year + years
    assert (later.month, later.day) == (day.month, day.day) or (
        (day.month, day.day) == (2, 29) and later == date(later.year, 2, 28) + timedelta(1)
    )
