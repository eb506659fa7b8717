"""Control limits of reject rates, against a published worked example and plain arithmetic.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2 (from memory): chips on 30 wafers, 50 of
each; p-bar 0.2313, upper limit 0.4102, lower limit 0.0524.
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.rules.figures import svg
from serialkeeper.rules.history import Closed, Sample, Series, advice, comparison, series_of
from serialkeeper.rules.history_pages import panels
from serialkeeper.rules.serials import needed

WAFERS = (
    *(12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22),
    *(8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6),
)


def made(counts: list[tuple[int, int]]) -> Series:
    return Series("p", tuple(Sample(f"L{n}", "", f"{n:05}", *one) for n, one in enumerate(counts)))


def closed(lot: str, printed: int, rejected: int, **more: object) -> Closed:
    told = {"reasons": {}, "lanes": [[printed, rejected]], "stations": {}, "unaccounted": 0}
    return Closed(lot, "g", lot, printed, rejected, **{**told, **more})  # type: ignore[arg-type]


def test_the_handbooks_wafers_have_the_handbooks_limits() -> None:
    """Centre and limits to four places; two wafers lie above, none below."""
    series = made([(50, defective) for defective in WAFERS])
    assert round(series.centre, 4) == 0.2313
    lower, upper = series.limits(50)
    assert (round(lower, 4), round(upper, 4)) == (0.0524, 0.4102)
    outside = {one.rejected: series.outside(one) for one in series.samples if series.outside(one)}
    assert outside == {22: "above", 24: "above"} and series.enough
    drawn = svg(panels([series]))
    assert drawn.count('data-outside="above"') == 2 and drawn.count('class="lot"') == 30


@given(
    st.lists(
        st.integers(1, 2_000_000).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n))),
        min_size=1,
        max_size=40,
    )
)
def test_limits_of_lots_of_any_size(counts: list[tuple[int, int]]) -> None:
    """They lie around the centre, between 0 and 1; a greater lot never has wider ones; widened ones
    hold the plain ones; a lot's side is what exact fractions say of it."""
    series = made(counts)
    labels, rejected = sum(n for n, _ in counts), sum(d for _, d in counts)
    centre = Fraction(rejected, labels)
    assert math.isclose(series.centre, float(centre))
    for one in series.samples:
        lower, upper = series.limits(one.labels)
        assert 0 <= lower <= series.centre + 1e-15 and series.centre - 1e-15 <= upper <= 1
        under, over = series.limits(one.labels, widened=True)
        assert under <= lower and over >= upper
        wider = series.limits(max(one.labels // 4, 1))
        assert wider[0] <= lower + 1e-15 and wider[1] >= upper - 1e-15
        # Beyond three sigmas: (p - c)^2 n > 9 c (1 - c), without roots.
        away = (Fraction(one.rejected, one.labels) - centre) ** 2 * one.labels
        limit = 9 * centre * (1 - centre)
        if abs(away - limit) > limit / 10**9 and away != limit:
            assert bool(series.outside(one)) == (away > limit)
    svg(panels([series]))


def test_lots_that_differ_more_than_by_chance_are_said_to() -> None:
    """Neighbours two standard deviations apart, by turns: a spread of 2 by 1.128; the plain limits
    call great lots out, the widened ones do not. One lot, or none rejected, tells no spread."""
    away = math.sqrt(0.1 * 0.9 / 10_000)
    high, low = round(10_000 * (0.1 + away)), round(10_000 * (0.1 - away))
    by_turns = made([(10_000, high), (10_000, low)] * 12)
    assert by_turns.spread == pytest.approx(2 / 1.128, rel=0.001)
    million = made([(1_000_000, 18_000), (1_000_000, 22_000)] * 12)
    assert all(million.outside(one) for one in million.samples)
    assert not any(million.outside(one, widened=True) for one in million.samples)
    assert made([(10, 1)]).spread is None and made([(10, 0), (10, 0)]).spread is None


def test_series_by_lane_station_and_reason() -> None:
    """In the order of closing; lanes by number; a lot without a finding of that kind counts with
    none of it; without labels it does not count."""
    lanes = [[10, n] for n in range(11)]
    stations = {"line 1": [60, 5], "line 2": [50, 50]}
    one = closed("b", 110, 55, lanes=lanes, stations=stations, reasons={"unreadable": 55})
    two = closed("a", 100, 1, lanes=[[100, 1], [0, 0]], reasons={"low_grade": 1})
    by_lane = series_of("lane", [one, two])
    assert [each.name for each in by_lane] == [f"lane {n}" for n in range(1, 12)]
    assert [each.lot for each in by_lane[0].samples] == ["a", "b"]
    assert [each.lot for each in by_lane[1].samples] == ["b"]
    assert [(s.name, s.labels) for s in series_of("station", [one, two])] == [
        ("line 1", 60),
        ("line 2", 50),
    ]
    found = {each.name: each.rejected for each in series_of("reason", [one, two])}
    assert found == {"low_grade": 1, "unreadable": 55}
    assert [(s.labels, s.rejected) for s in series_of("product", [one, two])] == [(210, 56)]


def test_history_beside_the_advice_says_on_what_it_rests() -> None:
    """The figure of the negative binomial rule at the lots' own rate; too few is said."""
    told = advice(2_000, [closed(f"{n}", 1_000, 30) for n in range(3)])
    assert told and told["advice"] == needed(2_000, reject_rate=0.03) > needed(
        2_000, reject_rate=0.02
    )
    assert not told["enough"] and "too few" in told["sentence"] and told["percent"] == "3.00"
    many = advice(2_000, [closed(f"{n}", 1_000, 30) for n in range(20)])
    assert many and many["enough"] and "too few" not in many["sentence"]
    assert advice(2_000, []) is None
    none_good = advice(5, [closed("x", 10, 10)])
    assert none_good and none_good["advice"] is None

    lots = [closed(f"{n}", 1_000, 30, unaccounted=n) for n in range(20)]
    beside = comparison(1_000, 90, lots)
    assert beside and beside["outside"] == "above" and "above the limits" in beside["sentence"]
    assert beside["unaccounted"] == {"all": 190, "most": 19}
    within = comparison(1_000, 31, lots)
    assert within and within["outside"] is None
    assert comparison(0, 0, lots) is None and comparison(10, 1, []) is None
