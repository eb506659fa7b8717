"""The bound of what a reader misses, held against the beta distribution and Wilks' sample sizes.

Sources: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413, whose upper limit is a
quantile of the beta distribution (mpmath computes it here); S. S. Wilks, Annals of Mathematical
Statistics 12 (1941) 91-96, whose one-sided 95 %/95 % sample sizes 59, 93, 124, 153, 181 are quoted
in many places (from memory).
"""

from __future__ import annotations

from fractions import Fraction
from math import comb

import mpmath
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from serialkeeper.rules.bounds import per_cent, series, upper_bound

MILLION = 10**6


@st.composite
def trials(draw: st.DrawFn) -> tuple[int, int]:
    """How many of how many were missed, not all of them."""
    tried = draw(st.integers(1, 120))
    return draw(st.integers(0, tried - 1)), tried


def test_sixty_of_sixty() -> None:
    """The sentence's own figures: 1 - 0.05^(1/60) = 4.87 %, told as 4.9 %."""
    assert per_cent(0, 60) == "4.9"
    assert upper_bound(0, 60, MILLION) == -int(-(1 - 0.05 ** (1 / 60)) * MILLION // 1)


@pytest.mark.parametrize(("missed", "needed"), list(enumerate((59, 93, 124, 153, 181))))
def test_the_sample_sizes_of_wilks(missed: int, needed: int) -> None:
    """So many labels are needed, and no fewer, to say that less than 5 % of a kind are missed."""
    assert upper_bound(missed, needed, 100) == 5
    assert upper_bound(missed, needed - 1, 100) == 6


@settings(max_examples=60, deadline=None)
@given(trials())
def test_the_bound_is_the_quantile_of_the_beta_distribution(trial: tuple[int, int]) -> None:
    """Clopper and Pearson: I_p(missed + 1, tried - missed) = 0.95 at the bound."""
    missed, tried = trial
    bound = upper_bound(missed, tried, MILLION)
    with mpmath.workdps(40):
        above, below = (
            mpmath.betainc(
                missed + 1, tried - missed, 0, mpmath.mpf(steps) / MILLION, regularized=True
            )
            for steps in (bound, bound - 1)
        )
    assert below - mpmath.mpf("1e-20") <= mpmath.mpf("0.95") <= above + mpmath.mpf("1e-20")


@settings(deadline=None)
@given(trials(), st.sampled_from([100, 1000, 10**7]))
def test_at_the_bound_the_binomial_sum_is_a_twentieth(trial: tuple[int, int], steps: int) -> None:
    """P(X <= missed) is below 0.05 at the bound and is not a step before it: rounded up."""
    missed, tried = trial
    bound = upper_bound(missed, tried, steps)

    def chance(share: int) -> Fraction:
        p = Fraction(share, steps)
        return sum(
            (comb(tried, k) * p**k * (1 - p) ** (tried - k) for k in range(missed + 1)),
            Fraction(0),
        )

    assert chance(bound) < Fraction(1, 20) <= chance(bound - 1)
    if bound < steps:
        assert Fraction(series(missed, tried, bound, steps), steps**tried) == chance(bound)


@settings(deadline=None)
@given(trials())
def test_what_is_told_is_never_less_than_the_bound(trial: tuple[int, int]) -> None:
    """The figure is rounded up, has two places that count, and is within a tenth of the bound."""
    missed, tried = trial
    told = per_cent(missed, tried)
    assert told is not None
    bound = Fraction(upper_bound(missed, tried, MILLION), MILLION) * 100
    assert bound - Fraction(1, 10_000) <= Fraction(told) <= bound * Fraction(11, 10)


@settings(deadline=None)
@given(trials())
def test_more_missed_is_never_better(trial: tuple[int, int]) -> None:
    """One more missed raises the bound; one more caught lowers it."""
    missed, tried = trial
    bound = upper_bound(missed, tried, MILLION)
    assert upper_bound(missed + 1, tried, MILLION) > bound
    assert upper_bound(missed, tried + 1, MILLION) < bound


def test_where_nothing_was_caught_there_is_no_bound() -> None:
    """All missed, or none tried: no figure is made up."""
    assert per_cent(3, 3) is None
    assert per_cent(0, 0) is None
    assert upper_bound(3, 3, 1000) == 1000
    with pytest.raises(ValueError, match="4 of 3"):
        upper_bound(4, 3, 1000)
