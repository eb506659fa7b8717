"""The picture of one label among its neighbours, from which a person judges whether it was read in
its place.

A label's place is proven by its neighbours: where those before and behind it in its lane were read
with their own numbers, in order, and the rows follow each other evenly in time, what was read
between them is this label. So each place tells its number, how the reading was told to be of it,
when, and what was found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from serialkeeper.rules.doubts import SIGNS, Doubt
from serialkeeper.rules.events import write_time
from serialkeeper.rules.figures import (
    FAINT,
    GOOD,
    INK,
    PAPER,
    SOFT,
    Group,
    Item,
    Line,
    Sheet,
    Text,
    box,
    shorten,
    symbol,
)
from serialkeeper.rules.moves import State
from serialkeeper.rules.parts import NO_GRADE

ROWS, LANES = 4, 2
"""Rows before and behind the label, and lanes at each side of it, that are shown."""

ENDING = 6
"""Characters of a number that are shown."""

WORDS: Mapping[str, str] = {
    "title": "Around position",
    "lane": "lane",
    "row": "row",
    "read": "read",
    "position": "by position",
    "time": "by time",
    "count": "by count",
    "none": "no reading",
    "gone": "taken off",
    "ahead": "ran ahead",
    "behind": "came after",
    "grade": "grade",
}
"""What stands in the picture beside numbers, in English; who draws it may give other words."""

_EDGE, _AXIS, _TOP, _CELL, _HIGH = 4.0, 24.0, 14.0, 42.0, 17.0


@dataclass(frozen=True, slots=True)
class Place:
    """A place on the web, and what the record knows of the label there.

    Attributes:
        position, serial, state: of the label.
        evidence: how the last reading was told to be of it (`rules.parts.EVIDENCE`), or None.
        time, grade: of that reading, as parts hold them.
        finding: the word of the last one, settled or not; empty for none.
        gone: whether it was taken off the web.
    """

    position: int
    serial: str
    state: State
    evidence: str | None
    time: int
    grade: int
    finding: str
    gone: bool

    def describe(self) -> dict[str, Any]:
        """As plain data."""
        return {
            "position": self.position,
            "serial": self.serial,
            "state": self.state.word,
            "evidence": self.evidence,
            "at": write_time(self.time) if self.time else None,
            "grade": None if self.grade == NO_GRADE else f"{self.grade / 10:.1f}",
            "finding": self.finding or None,
            "gone": self.gone,
        }


@dataclass(frozen=True, slots=True)
class Surroundings:
    """A label among its neighbours.

    Attributes:
        job, row, lane: where it stands.
        rows, lanes: what is shown.
        places: what stands there, by row and lane; those without a label are missing.
        doubts: what is held against the labels there, by position.
        practice: whether the record is for practice only.
    """

    job: int
    row: int
    lane: int
    rows: tuple[int, ...]
    lanes: tuple[int, ...]
    places: Mapping[tuple[int, int], Place]
    doubts: Mapping[int, Doubt] = field(default_factory=dict)
    practice: bool = False

    def describe(self) -> dict[str, Any]:
        """Where the label stands, and what stands around it in words: before and behind it in its
        lane, and left and right of it in its row."""

        def told(row: int, lane: int) -> dict[str, Any] | None:
            found = self.places.get((row, lane))
            return found.describe() if found else None

        return {
            "job": self.job,
            "row": self.row,
            "lane": self.lane,
            "label": told(self.row, self.lane),
            "before": told(self.row - 1, self.lane),
            "behind": told(self.row + 1, self.lane),
            "left": told(self.row, self.lane - 1),
            "right": told(self.row, self.lane + 1),
        }


def around(row: int, rows: int, most: int) -> tuple[int, ...]:
    """The rows, or lanes, to be shown around one: as many as there are, `most` at each side.

    >>> around(2, 9, 2), around(5, 9, 2), around(1, 1, 2)
    ((1, 2, 3, 4, 5), (3, 4, 5, 6, 7), (1,))
    """
    first = max(1, min(row - most, rows - 2 * most))
    return tuple(range(first, min(first + 2 * most, rows) + 1))


def draw(shown: Surroundings, words: Mapping[str, str] = WORDS) -> Sheet:
    """The picture: rows run down, the one that ran ahead on top, lane 1 at the left."""
    width = 2 * _EDGE + _AXIS + len(shown.lanes) * _CELL
    height = _TOP + len(shown.rows) * _HIGH + 9
    own = shown.places[shown.row, shown.lane]
    title = f"{words['title']} {own.position}: {words['row']} {shown.row}, {words['lane']} "
    sheet = Sheet(width, height, f"{title}{shown.lane}")
    sheet.items.append(Text(_EDGE, 6, sheet.title, 4, bold=True))
    if shown.practice:
        sheet.items.append(Text(width - _EDGE, 6, "PRACTICE", 3.2, "end", bold=True))
    for index, lane in enumerate(shown.lanes):
        middle = _EDGE + _AXIS + (index + 0.5) * _CELL
        bold = lane == shown.lane
        sheet.items.append(
            Text(middle, _TOP - 1.6, f"{words['lane']} {lane}", 3.2, "middle", bold=bold)
        )
    sheet.items += _axis(shown, words)
    for number, row in enumerate(shown.rows):
        for index, lane in enumerate(shown.lanes):
            place = shown.places.get((row, lane))
            corner = _EDGE + _AXIS + index * _CELL, _TOP + number * _HIGH
            if place:
                own_place = (row, lane) == (shown.row, shown.lane)
                sheet.items.append(_cell(shown, place, corner, words, own=own_place))
    return sheet


def _axis(shown: Surroundings, words: Mapping[str, str]) -> list[Item]:
    """Each row's number, and how long after the row above it it was read."""
    items: list[Item] = []
    before: float | None = None
    for number, row in enumerate(shown.rows):
        y = _TOP + number * _HIGH
        right, bold = _EDGE + _AXIS - 2, row == shown.row
        items.append(Text(right, y + 7, str(row), 3.6, "end", bold=bold))
        times = [
            place.time
            for lane in shown.lanes
            if (place := shown.places.get((row, lane))) and place.time
        ]
        now = median(times) if times else None
        if now is not None and before is not None:
            items.append(Text(right, y + 11.4, f"{now - before:+.0f} ms", 2.7, "end", fill=SOFT))
        before = now
    bottom = _TOP + len(shown.rows) * _HIGH
    items.append(Text(_EDGE, _TOP - 1.6, f"\N{UPWARDS ARROW} {words['ahead']}", 2.7, fill=SOFT))
    items.append(Text(_EDGE, bottom + 4, f"\N{DOWNWARDS ARROW} {words['behind']}", 2.7, fill=SOFT))
    return items


def _cell(
    shown: Surroundings,
    place: Place,
    corner: tuple[float, float],
    words: Mapping[str, str],
    *,
    own: bool,
) -> Item:
    x, y = corner[0] + 0.6, corner[1] + 0.6
    wide, high = _CELL - 1.2, _HIGH - 1.2
    doubt = shown.doubts.get(place.position)
    unread = place.state in (State.ISSUED, State.ALLOCATED)
    fill = GOOD if doubt is None and not unread else PAPER
    items: list[Item] = [box(x, y, wide, high, fill, INK if own or doubt else FAINT, 0.35)]
    if own:
        items.append(box(x - 0.1, y - 0.1, wide + 0.2, high + 0.2, "none", INK, 1.3))
    if place.gone:
        items.append(Line(x, y + high, x + wide, y, SOFT, 0.3, dash=True))
    left = x + 2
    if doubt is not None:
        sign = SIGNS[doubt.sign]
        items += symbol(sign.shape, sign.letter, sign.tone, x + wide - 4.2, y + 4.6, 6)
    items.append(Text(left, y + 4.4, str(place.position), 3.4, bold=True))
    items.append(Text(left, y + 8, f"..{place.serial[-ENDING:]}", 3))
    told = words[place.evidence or "none"]
    if place.time:
        told += f" {write_time(place.time)[11:23]}"
    items.append(Text(left, y + 11.4, told, 2.7, bold=place.evidence == "read"))
    last = [words["gone"]] * place.gone + [place.finding.replace("_", " ")] * bool(place.finding)
    if place.grade != NO_GRADE:
        last.append(f"{words['grade']} {place.grade / 10:.1f}")
    items.append(Text(left, y + 14.6, shorten(", ".join(last), wide - 3, 2.6), 2.6, fill=SOFT))
    facts: dict[str, object] = {"position": place.position, "own": "yes" if own else "no"}
    facts |= {"evidence": place.evidence or "none", "sign": doubt.sign if doubt else ""}
    return Group("place", tuple(items), facts, doubt.text if doubt else "")
