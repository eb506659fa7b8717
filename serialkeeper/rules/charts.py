"""Charts of a lot as figures: findings over the run and by lane, where on the web, grades.

Every bar and cell tells its numbers in its `data-` attributes. What there is of is never drawn
lower than can be seen, however many labels the lot has; each chart says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.counts import bad_percent, many
from serialkeeper.rules.figures import (
    FAINT,
    GOOD,
    INK,
    SOFT,
    TONES,
    Group,
    Item,
    Line,
    Sheet,
    Text,
    box,
)
from serialkeeper.rules.jobs import Web

WIDTH = 180.0
"""Millimetres; as wide as a page of text."""

_LEFT, _RIGHT = 14.0, 178.0
_BARS, _ROWS = 90, 120
_LEAST = 0.5
"""Millimetres that a bar is high at least."""

NONE, OTHER, CRITICAL = 0, 1, 2
"""What was found on a label at the worst: nothing, something, something that may mean a wrong
medicine."""

_DARK, _LIGHT = TONES["dark"][0], TONES["light"][0]
_SHADES = ("#f1e3cb", "#e3c598", "#9a5f42", "#23282b")


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar.

    Attributes:
        title: below it; empty for none.
        of: labels that it stands for.
        other, critical: how many of them had findings.
        facts: more of it, as `data-` attributes.
    """

    title: str
    of: int
    other: int
    critical: int
    facts: Mapping[str, object]


def bins_of(labels: int) -> NDArray[np.int64]:
    """The first position of each bar over the run, and the position after the last."""
    each = max(-(-labels // _BARS), 1)
    return np.append(np.arange(1, labels + 1, each, dtype=np.int64), labels + 1)


def over_the_run(
    found: NDArray[np.uint8], there: NDArray[np.bool_], times: Sequence[str]
) -> Sheet | None:
    """Findings in plan order.

    Args:
        found: NONE, OTHER or CRITICAL by position, element 0 unused.
        there: which labels were printed.
        times: for each bar of `bins_of` when its first label was read, or empty.
    """
    edges = bins_of(len(found) - 1)
    if len(edges) < 2 or not there.any():
        return None
    bars = []
    step = max(len(edges) // 6, 1)
    for index, (first, after) in enumerate(
        zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    ):
        some = found[first:after][there[first:after]]
        title = f"{first:,}" if index % step == 0 else ""
        facts = {"first": first, "last": after - 1, "read": times[index]}
        bars.append(_bar(title, some, facts))
    each = int(edges[1] - edges[0])
    what = f"positions in plan order, {each:,} label{'' if each == 1 else 's'} a bar"
    return _bars("Findings over the run", what, bars, [t[11:19] for t in times])


def by_lane(found: NDArray[np.uint8], web: Web) -> Sheet | None:
    """Findings by lane of the web."""
    if not web.lanes:
        return None
    bars = []
    for lane in range(1, web.lanes + 1):
        facts = {"lane": lane}
        bars.append(_bar(str(lane), found[web.lane == lane], facts))
    return _bars("Findings by lane", "lanes, 1 left in running direction", bars, ())


def _bar(title: str, some: NDArray[np.uint8], facts: Mapping[str, object]) -> Bar:
    counts = np.bincount(some, minlength=3)
    return Bar(title, len(some), int(counts[OTHER]), int(counts[CRITICAL]), facts)


def _bars(title: str, below: str, bars: Sequence[Bar], times: Sequence[str]) -> Sheet:
    sheet = Sheet(WIDTH, 56.0, title)
    top, bottom = 9.0, 42.0
    worst = max((one.other + one.critical) / one.of if one.of else 0.0 for one in bars)
    most = _rounded(worst)
    sheet.items += [
        Text(_LEFT, 4, title, 3, bold=True),
        *_key(_RIGHT - 92),
        *_axis(top, bottom, most),
    ]
    wide = (_RIGHT - _LEFT) / len(bars)
    for index, one in enumerate(bars):
        x = _LEFT + index * wide
        items: list[Item] = []
        y = bottom
        for count, fill in ((one.critical, _DARK), (one.other, _LIGHT)):
            if count:
                high = max(count / one.of / most * (bottom - top), _LEAST)
                y -= high
                items.append(box(x + wide * 0.1, y, wide * 0.8, high, fill, INK, 0.1))
        bad = one.critical + one.other
        if bad and len(bars) <= 24:
            items.append(Text(x + wide / 2, y - 0.8, f"{bad:,}", 2, "middle"))
        if one.title:
            anchor = "middle" if wide > 4 or len(bars) <= 24 else "start"
            anchor = "end" if x > _RIGHT - 12 and anchor == "start" else anchor
            at = {"start": x, "middle": x + wide / 2, "end": x + wide}[anchor]
            items.append(Text(at, bottom + 3.2, one.title, 2.1, anchor))
            if index < len(times) and times[index]:
                items.append(Text(at, bottom + 6, times[index], 1.8, anchor, fill=SOFT))
        facts = {**one.facts, "labels": one.of, "other": one.other, "critical": one.critical}
        told = f"{bad:,} of {many(one.of, 'label')}, {bad_percent(bad, one.of)} %"
        sheet.items.append(Group("bar", tuple(items), facts, told))
    sheet.items += [
        Text(_LEFT, 51.5, below + ("; below: when the first was read (UTC)" if any(times) else ""),
             2.2, fill=SOFT),
        Text(_RIGHT, 51.5, f"a bar is {_LEAST} mm high at least", 2.2, "end", fill=SOFT),
    ]  # fmt: skip
    return sheet


def _key(x: float) -> list[Item]:
    return [
        box(x, 2, 3, 2.4, _DARK, INK, 0.1),
        Text(x + 4, 4, "may mean a wrong medicine", 2.2),
        box(x + 44, 2, 3, 2.4, _LIGHT, INK, 0.1),
        Text(x + 48, 4, "anything else found", 2.2),
    ]


def _axis(top: float, bottom: float, most: float) -> list[Item]:
    """Lines at nothing, half and the most, with per cent."""
    items: list[Item] = []
    for share in (0.0, 0.5, 1.0):
        y = bottom - share * (bottom - top)
        items.append(Line(_LEFT, y, _RIGHT, y, INK if not share else FAINT, 0.15))
        items.append(Text(_LEFT - 1, y + 0.8, f"{share * most * 100:.4g} %", 2.1, "end", fill=SOFT))
    return items


def _rounded(share: float) -> float:
    """The next plain share up."""
    power = 1e-6
    while True:
        for step in (1.0, 2.0, 4.0, 6.0):
            if share <= step * power:
                return step * power
        power *= 10


def grades(counts: Sequence[int], minimum: int) -> Sheet | None:
    """How many labels have each in-line grade.

    Args:
        counts: by tenths, 0 to 40.
        minimum: the lot's, in tenths.
    """
    most = max(counts, default=0)
    if not most:
        return None
    sheet = Sheet(WIDTH, 54.0, "In-line grades")
    top, bottom = 15.0, 40.0
    wide = (_RIGHT - _LEFT) / len(counts)
    sheet.items += [
        Text(_LEFT, 4, "In-line grades", 3, bold=True),
        Line(_LEFT, bottom, _RIGHT, bottom, INK, 0.15),
    ]
    for tenths, count in enumerate(counts):
        x = _LEFT + tenths * wide
        items: list[Item] = []
        if count:
            high = max(count / most * (bottom - top), _LEAST)
            fill = _DARK if tenths < minimum else _LIGHT
            items.append(box(x + wide * 0.08, bottom - high, wide * 0.84, high, fill, INK, 0.1))
            # Long numbers stand at three heights by turns, so that none covers its neighbour.
            above = 0.7 + (tenths % 3) * 1.9 * (count >= 1_000)
            y = bottom - high - above
            items.append(Text(x + wide / 2, y, f"{count:,}", 1.7, "middle"))
        if tenths % 5 == 0:
            items.append(Text(x + wide / 2, bottom + 3.2, f"{tenths / 10:.1f}", 2.2, "middle"))
        sheet.items.append(Group("grade", tuple(items), {"tenths": tenths, "labels": count}))
    edge = _LEFT + minimum * wide
    sheet.items += [
        Group(
            "minimum",
            (
                Line(edge, 5.5, edge, bottom + 0.6, INK, 0.5, dash=True),
                Text(edge + 1, 7.4, f"the lot's minimum, {minimum / 10:.1f}", 2.3, bold=True),
            ),
            {"tenths": minimum},
        ),
        Text(
            _LEFT,
            48.5,
            "Labels by the last in-line grade read of each; a bar is at least "
            f"{_LEAST} mm high. An in-line camera grade is not a verifier grade.",
            2.2,
            fill=SOFT,
        ),
    ]
    return sheet


def where(found: NDArray[np.uint8], web: Web) -> Sheet | None:
    """Where on the web labels with findings stand: rows in bins, lanes below each other."""
    rows = int(web.row.max(initial=0))
    if not rows:
        return None
    each = max(-(-rows // _ROWS), 1)
    bins = -(-rows // each)
    bad = np.flatnonzero((found > NONE) & (web.row > 0))
    across, down = (web.row[bad].astype(np.int64) - 1) // each, web.lane[bad].astype(np.int64) - 1
    counts = np.zeros((web.lanes, bins), dtype=np.int64)
    np.add.at(counts, (down, across), 1)
    most = int(counts.max())
    wide, high = (_RIGHT - _LEFT) / bins, 3.4 if web.lanes <= 12 else 40 / web.lanes
    limits = _limits(counts)
    sheet = Sheet(WIDTH, 20 + high * web.lanes, "Where on the web")
    sheet.items += [
        Text(_LEFT, 4, "Where on the web", 3, bold=True),
        *_shades(limits, most),
        box(_LEFT, 8, _RIGHT - _LEFT, high * web.lanes, GOOD, SOFT, 0.15),
    ]
    for lane in range(web.lanes):
        y = 8 + lane * high
        if web.lanes <= 12 or lane in (0, web.lanes - 1):
            sheet.items.append(
                Text(_LEFT - 1, y + high / 2 + 0.8, f"lane {lane + 1}", 2.1, "end", fill=SOFT)
            )
        for column in np.flatnonzero(counts[lane]).tolist():
            count = int(counts[lane, column])
            shade = _SHADES[sum(count > limit for limit in limits)]
            cell = box(_LEFT + column * wide, y, wide, high, shade, INK, 0.1)
            facts = {"lane": lane + 1, "row": column * each + 1, "labels": count}
            sheet.items.append(Group("cell", (cell,), facts, many(count, "label")))
    bottom = 8 + high * web.lanes
    for column in range(0, bins, max(bins // 6, 1)):
        x = _LEFT + column * wide
        sheet.items += [
            Line(x, bottom, x, bottom + 1, SOFT, 0.15),
            Text(x, bottom + 3.6, f"row {column * each + 1:,}", 2.1, fill=SOFT),
        ]
    told = f"{each:,} row{'' if each == 1 else 's'} a cell; print jobs one after the other"
    sheet.items.append(Text(_LEFT, bottom + 8.5, told, 2.2, fill=SOFT))
    return sheet


def _limits(counts: NDArray[np.int64]) -> tuple[int, ...]:
    """Up to how many labels a cell has each shade but the darkest: below what is usual, usual,
    up to twice that."""
    some = counts[counts > 0]
    usual = float(some.mean()) if len(some) else 0.0
    if usual < 3:
        return (1, 2, 4)
    return (int(usual * 0.7), int(usual * 1.3) + 1, int(usual * 2) + 1)


def _shades(limits: Sequence[int], most: int) -> list[Item]:
    items: list[Item] = []
    x, below = _RIGHT - 88.0, 0
    for shade, limit in zip(_SHADES, [*limits, most], strict=True):
        if below >= most:
            break
        upper = min(limit, most)
        text = f"{below + 1:,}" if upper == below + 1 else f"{below + 1:,} to {upper:,}"
        items += [box(x, 2, 3, 2.4, shade, INK, 0.1), Text(x + 4, 4, text, 2.2)]
        x, below = x + 23, upper
    return items
