"""How much a reader may miss at most, from how often it was tried.

One-sided exact binomial upper bound at 95 % confidence (C. J. Clopper and E. S. Pearson, "The use
of confidence or fiducial limits illustrated in the case of the binomial", Biometrika 26, 1934,
404-413): the share p at which so few misses or fewer come in one of twenty series,
P(X <= missed | tried, p) = 0.05. Where none was missed that is 1 - 0.05^(1/tried).

A bound holds for labels like those shown, each tried for itself.
"""

from __future__ import annotations

CONFIDENCE = "95 %"
ONE_IN = 20
"""Series among which one may be worse than the bound says: 1 / (1 - 0.95)."""

_FINEST = 10**7


def upper_bound(missed: int, tried: int, steps: int, *, below: int | None = None) -> int:
    """The bound in whole parts of `steps`, rounded up.

    Computed in whole numbers, so that no rounding error makes it smaller than it is: the least k
    for which P(X <= missed | tried, k / steps) is below 0.05; `steps` itself where none is.

    Args:
        missed: labels that were missed, 0 to `tried`.
        tried: labels in all, 1 or more.
        steps: parts of the whole; 1000 gives tenths of a per cent.
        below: a number of parts that the bound is known not to exceed.

    >>> upper_bound(0, 60, 1000), upper_bound(0, 59, 100)
    (49, 5)
    """
    if not 0 <= missed <= tried or tried < 1 or steps < 1:
        raise ValueError(f"{missed} of {tried} in {steps} steps")
    whole: int = steps**tried
    low, high = 0, below or steps  # at p = 0 every series is like this one; at `high` too few are
    while high - low > 1:
        middle = (low + high) // 2
        if ONE_IN * series(missed, tried, middle, steps) < whole:
            high = middle
        else:
            low = middle
    return high


def series(missed: int, tried: int, share: int, steps: int) -> int:
    """P(X <= missed) for `tried` labels of which share / steps are missed, times steps^tried."""
    rest = steps - share
    if not rest:
        return steps**tried if missed == tried else 0
    term: int = rest**tried
    total = term
    for count in range(missed):
        # The next term of the binomial sum; the division is exact.
        term = term * (tried - count) * share // ((count + 1) * rest)
        total += term
    return total


def per_cent(missed: int, tried: int) -> str | None:
    """The bound in per cent with two figures or more, rounded up; None where there is none.

    >>> per_cent(0, 60), per_cent(0, 1000), per_cent(3, 3)
    ('4.9', '0.30', None)
    """
    if not tried or missed == tried:
        return None
    steps, places, bound = 1000, 1, upper_bound(missed, tried, 1000)
    while bound < 10 and steps < _FINEST:
        steps, places = steps * 10, places + 1
        bound = upper_bound(missed, tried, steps, below=bound * 10)
    whole, part = divmod(bound, steps // 100)
    return f"{whole}.{part:0{places}d}"
