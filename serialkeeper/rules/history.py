"""Reject rates of closed lots over time, as a p-chart with its control limits.

Of each lot n labels were printed and d of them rejected; its share is p = d / n. The centre c is
the sum of all d by the sum of all n, and the limits of a lot are c ± 3 sqrt(c (1 - c) / n), never
below 0 or above 1 (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2, *Proportions Control
Charts*; from memory).

These limits know of chance alone. With many labels a lot they are narrow, and real lots differ by
more than chance: then nearly every lot lies outside. `spread` says how much more: the mean distance
between neighbouring lots, each measured in its own standard deviation, by 1.128 (Laney, *Improved
control charts for attributes*, Quality Engineering 14, 2002; from memory). Limits widened by it are
told beside the others.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.counts import bad_percent, many
from serialkeeper.rules.serials import needed

PRODUCT, STATION, LANE, REASON = "product", "station", "lane", "reason"
BY = (PRODUCT, STATION, LANE, REASON)

ENOUGH = 20
"""Closed lots from which limits mean something (common practice, no source)."""

LAST = 60
"""Closed lots of a product that are looked at, the newest ones."""

_SIGMAS = 3.0
_MOVING_RANGE = 1.128
"""d2 for ranges of two."""

Counts = Mapping[str, Sequence[int]]


@dataclass(frozen=True, slots=True)
class Closed:
    """A closed lot.

    Attributes:
        lot, gtin: which.
        at: when it was closed last.
        printed, rejected: labels; of those made bad on purpose none.
        reasons: labels by what was found.
        lanes, stations: printed and rejected labels by lane, by station; no stations where the
            files of several told of the same stretches.
        unaccounted: what both ledgers left open, the worse of them.
    """

    lot: str
    gtin: str
    at: str
    printed: int
    rejected: int
    reasons: Mapping[str, int]
    lanes: Sequence[Sequence[int]]
    stations: Counts
    unaccounted: int


@dataclass(frozen=True, slots=True)
class Sample:
    """One lot in a series."""

    lot: str
    gtin: str
    at: str
    labels: int
    rejected: int

    @property
    def share(self) -> float:
        """Rejected of all."""
        return self.rejected / self.labels


@dataclass(frozen=True)
class Series:
    """Lots in the order in which they were closed.

    Attributes:
        name: the product, station, lane or reason.
        samples: the lots; none without labels.
    """

    name: str
    samples: tuple[Sample, ...]

    @cached_property
    def labels(self) -> int:
        """Labels of all lots."""
        return sum(one.labels for one in self.samples)

    @cached_property
    def rejected(self) -> int:
        """Rejected ones among them."""
        return sum(one.rejected for one in self.samples)

    @cached_property
    def centre(self) -> float:
        """The share of all lots together."""
        return self.rejected / self.labels if self.labels else 0.0

    @property
    def enough(self) -> bool:
        """Whether the limits rest on enough lots."""
        return len(self.samples) >= ENOUGH

    def deviation(self, labels: int) -> float:
        """The standard deviation by chance alone of a lot with so many labels."""
        return math.sqrt(self.centre * (1 - self.centre) / labels)

    @cached_property
    def spread(self) -> float | None:
        """How many times more neighbouring lots differ than by chance; None where nothing tells."""
        if len(self.samples) < 2 or not 0 < self.centre < 1:
            return None
        z = [(one.share - self.centre) / self.deviation(one.labels) for one in self.samples]
        ranges = [abs(b - a) for a, b in pairwise(z)]
        return sum(ranges) / len(ranges) / _MOVING_RANGE

    def limits(self, labels: int, *, widened: bool = False) -> tuple[float, float]:
        """Lower and upper limit of a lot with so many labels.

        Args:
            widened: by the spread, where lots differ by more than chance.
        """
        factor = max(self.spread or 1.0, 1.0) if widened else 1.0
        away = _SIGMAS * factor * self.deviation(labels)
        return max(self.centre - away, 0.0), min(self.centre + away, 1.0)

    def outside(self, one: Sample, *, widened: bool = False) -> str:
        """`above` or `below` for a lot outside the limits, else empty."""
        lower, upper = self.limits(one.labels, widened=widened)
        return "above" if one.share > upper else "below" if one.share < lower else ""

    def describe(self) -> dict[str, Any]:
        """As answers tell it."""
        spread = self.spread
        return {
            "name": self.name,
            "lots": len(self.samples),
            "enough": self.enough,
            "labels": self.labels,
            "rejected": self.rejected,
            "centre": round(self.centre, 8),
            "spread": None if spread is None else round(spread, 4),
            "samples": [self._told(one) for one in self.samples],
        }

    def _told(self, one: Sample) -> dict[str, Any]:
        plain, wide = self.limits(one.labels), self.limits(one.labels, widened=True)
        return {
            "lot": one.lot,
            "gtin": one.gtin,
            "closed": one.at,
            "labels": one.labels,
            "rejected": one.rejected,
            "share": round(one.share, 8),
            "limits": [round(value, 8) for value in plain],
            "widened": [round(value, 8) for value in wide],
            "outside": self.outside(one) or None,
            "outside_widened": self.outside(one, widened=True) or None,
        }


def check(by: str, last: int) -> None:
    """Refuses `bad_value` for a history that there is not."""
    if by in BY and 1 <= last <= 1_000:
        return
    raise Refused(
        "bad_value",
        "There is no such history.",
        expected=f"{', '.join(BY)}; 1 to 1,000 lots",
        came=f"{by}, {last}",
        remedy="Correct them.",
    )


def series_of(by: str, lots: Iterable[Closed]) -> list[Series]:
    """Closed lots as series, by name; lanes by number.

    Args:
        by: one of `BY`.
    """
    made: dict[str, list[Sample]] = {}
    everything = sorted(lots, key=lambda one: one.at)
    reasons = sorted({word for one in everything for word in one.reasons})
    for one in everything:
        for name, labels, rejected in _counts(by, one, reasons):
            if labels:
                sample = Sample(one.lot, one.gtin, one.at, labels, rejected)
                made.setdefault(name, []).append(sample)
    return [Series(name, tuple(made[name])) for name in sorted(made, key=_order)]


def _order(name: str) -> tuple[str, int]:
    head, _, tail = name.rpartition(" ")
    return (head, int(tail)) if tail.isascii() and tail.isdigit() else (name, 0)


def _counts(by: str, one: Closed, reasons: Sequence[str]) -> Iterable[tuple[str, int, int]]:
    if by == PRODUCT:
        return [(one.gtin, one.printed, one.rejected)]
    if by == STATION:
        return [(name, labels, rejected) for name, (labels, rejected) in one.stations.items()]
    if by == LANE:
        return [(f"lane {lane}", all_, bad) for lane, (all_, bad) in enumerate(one.lanes, 1)]
    return [(word, one.printed, one.reasons.get(word, 0)) for word in reasons]


# -- what it says beside other answers -------------------------------------------------------------


def resting_on(lots: int) -> str:
    """How much a figure of so many closed lots is worth, in words.

    >>> resting_on(3)
    '3 closed lots, too few for limits (20 are wanted)'
    """
    few = "" if lots >= ENOUGH else f", too few for limits ({ENOUGH} are wanted)"
    return f"{many(lots, 'closed lot')}{few}"


def advice(target: int, lots: Sequence[Closed]) -> dict[str, Any] | None:
    """What closed lots of a product say of how many numbers a lot needs; None without any.

    It is told beside the advice, which does not change by itself.
    """
    found = series_of(PRODUCT, lots)
    if not found:
        return None
    one = found[0]
    wanted = needed(target, reject_rate=one.centre) if one.centre < 1 else None
    so_many = f"{wanted:,} numbers" if wanted else "no count that would do"
    share = bad_percent(one.rejected, one.labels)
    return {
        "lots": len(one.samples),
        "enough": one.enough,
        "labels": one.labels,
        "rejected": one.rejected,
        "percent": share,
        "advice": wanted,
        "sentence": f"{resting_on(len(one.samples))}: {one.rejected:,} of {one.labels:,} labels "
        f"rejected, {share} %; at that rate {so_many} for {target:,} good labels in 95 of 100 lots",
    }


def comparison(printed: int, rejected: int, lots: Sequence[Closed]) -> dict[str, Any] | None:
    """A lot beside closed ones of its product; None where there are none, or nothing is printed.

    It decides nothing: a lot closes when its ledgers agree, whatever others were like.
    """
    found = series_of(PRODUCT, lots)
    if not found or not printed:
        return None
    one, mine = found[0], Sample("", "", "", printed, rejected)
    limits, wide = one.limits(printed), one.limits(printed, widened=True)
    where = one.outside(mine)
    verdict = f"{where} the limits" if where else "within the limits"
    if where and not one.outside(mine, widened=True):
        verdict += " of chance alone, within those that these lots' own spread gives"
    worst = max((each.unaccounted for each in lots), default=0)
    total = sum(each.unaccounted for each in lots)
    open_ = f"; unaccounted in them {total:,} in all, {worst:,} in one lot at most"
    return {
        "lots": len(one.samples),
        "enough": one.enough,
        "percent": bad_percent(rejected, printed),
        "usual_percent": bad_percent(one.rejected, one.labels),
        "limits": [round(value, 8) for value in limits],
        "widened": [round(value, 8) for value in wide],
        "outside": where or None,
        "unaccounted": {"all": total, "most": worst},
        "sentence": f"rejected {rejected:,} of {printed:,}, {bad_percent(rejected, printed)} %, "
        f"{verdict} ({100 * limits[0]:.2f} to {100 * limits[1]:.2f} %) of "
        f"{resting_on(len(one.samples))}{open_}",
    }
