"""Strips: each doubtful label large, among the labels around it, with positions and numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from textwrap import wrap

from serialkeeper.rules.doubts import SIGNS, Doubt, Stretch, metres
from serialkeeper.rules.figures import (
    FAINT,
    GOOD,
    INK,
    PAPER,
    SOFT,
    TONES,
    Group,
    Item,
    Line,
    Text,
    box,
    fitting,
    shorten,
    symbol,
)
from serialkeeper.rules.moves import State

AROUND = 2
"""Rows shown before and behind a doubtful label."""

ENDING = 4
"""Characters of a number that are shown."""

_MOST_LANES, _ALIKE, _KEPT = 8, 12, 4
_AXIS, _CELL, _ROW, _LINE = 12.0, 15.0, 6.4, 3.1
_TITLE, _LANES = 4.2, 3.2


@dataclass(frozen=True, slots=True)
class Strip:
    """Some rows of the web, large.

    Attributes:
        rows: each web row that is shown, or a pair (first, last) of rows that all are like the
            row above and are left out.
        columns: which columns of the stretch are shown.
        lanes: how many lanes the stretch has.
        doubts: the doubtful labels on it, those in rows left out too.
        width: millimetres that it may take.
    """

    rows: tuple[int | tuple[int, int], ...]
    columns: tuple[int, ...]
    lanes: int
    doubts: tuple[Doubt, ...]
    width: float

    def cut(self, room: float) -> tuple[Strip, Strip]:
        """The rows that fit into that height, at least two, and the rest."""
        count = min(2, len(self.rows) - 1)
        while count < len(self.rows) - 1 and height_of(self._part(0, count + 1)) <= room:
            count += 1
        return self._part(0, count), self._part(count, len(self.rows))

    def _part(self, start: int, stop: int) -> Strip:
        rows = self.rows[start:stop]
        first, last = _ends(rows)
        doubts = tuple(doubt for doubt in self.doubts if first <= doubt.row <= last)
        return replace(self, rows=rows, doubts=doubts)


def make_strips(stretch: Stretch, width: float) -> list[Strip]:
    """All strips of a stretch, row by row; neighbours share one."""
    lanes = len(stretch.lanes)
    panel = min(_MOST_LANES, lanes, max(int((width - _AXIS) / _CELL), 1))
    found: list[tuple[int, Strip]] = []
    for start in range(0, lanes, panel):
        columns = tuple(range(start, min(start + panel, lanes)))
        shown = {stretch.lanes[column] for column in columns}
        mine = [doubt for doubt in stretch.doubts if doubt.lane in shown]
        for together in _neighbours(mine):
            first = max(together[0].row - AROUND, stretch.first)
            last = min(together[-1].row + AROUND, stretch.last)
            rows = _left_out(stretch, columns, first, last, together)
            found.append((first, Strip(rows, columns, lanes, tuple(together), width)))
    found.sort(key=lambda pair: pair[0])
    return [strip for _, strip in found]


def _neighbours(doubts: list[Doubt]) -> list[list[Doubt]]:
    """Doubtful labels whose surroundings touch, together."""
    made: list[list[Doubt]] = []
    for doubt in doubts:
        if made and doubt.row - made[-1][-1].row <= 2 * AROUND + 1:
            made[-1].append(doubt)
        else:
            made.append([doubt])
    return made


def _left_out(
    stretch: Stretch, columns: tuple[int, ...], first: int, last: int, doubts: list[Doubt]
) -> tuple[int | tuple[int, int], ...]:
    """The rows of a strip; of a long run of rows that are all alike only both ends are shown."""
    signs = {(doubt.row, doubt.lane): doubt.sign for doubt in doubts}
    look = {
        row: tuple(signs.get((row, stretch.lanes[column]), "") for column in columns)
        for row in range(first, last + 1)
    }
    rows: list[int | tuple[int, int]] = []
    row = first
    while row <= last:
        end = row
        while end < last and look[end + 1] == look[row]:
            end += 1
        if end - row + 1 >= _ALIKE and any(look[row]):
            rows += [*range(row, row + _KEPT), (row + _KEPT, end - _KEPT)]
            rows += range(end - _KEPT + 1, end + 1)
        else:
            rows += range(row, end + 1)
        row = end + 1
    return tuple(rows)


def shown_in(strips: list[Strip], stretch: Stretch) -> set[int]:
    """The positions of all labels that stand in these strips."""
    found: set[int] = set()
    for strip in strips:
        rows = [row - stretch.first for row in strip.rows if isinstance(row, int)]
        for column in strip.columns:
            found.update(stretch.position[rows, column].tolist())
    return found - {0}


def width_of(strip: Strip) -> float:
    """Millimetres across."""
    return _AXIS + max(len(strip.columns), 3) * _CELL


def height_of(strip: Strip) -> float:
    """Millimetres down."""
    return _TITLE + _LANES + len(strip.rows) * _ROW + 1.2 + len(_lines(strip)) * _LINE


def place_strip(
    strip: Strip, x: float, y: float, pitch: float, stretch: Stretch, serials: Mapping[int, str]
) -> Item:
    """A strip with its left upper corner there."""
    first, last = _ends(strip.rows)
    lanes = [stretch.lanes[column] for column in strip.columns]
    title = f"rows {first:,} to {last:,}"
    if len(strip.columns) < strip.lanes:
        title += f" · lanes {lanes[0]} to {lanes[-1]}"
    along = metres(stretch, first, pitch)
    if along is not None:
        title += f" · from {along:.2f} m"
    items: list[Item] = [Text(x, y + 2.6, title, 2.6, bold=True)]
    below = y + _TITLE + _LANES
    for index, lane in enumerate(lanes):
        middle = x + _AXIS + (index + 0.5) * _CELL
        items.append(Text(middle, below - 0.8, f"lane {lane}", 2.1, "middle", fill=SOFT))
    by_place = {(doubt.row, doubt.lane): doubt for doubt in strip.doubts}
    for row in strip.rows:
        if isinstance(row, tuple):
            items.append(_gap(strip, row, x, below))
        else:
            items.append(Text(x + _AXIS - 1.4, below + 2.9, f"{row}", 2.4, "end"))
            along = metres(stretch, row, pitch)
            if along is not None:
                place = (x + _AXIS - 1.4, below + 5.3)
                items.append(Text(*place, f"{along:.2f} m", 1.8, "end", fill=SOFT))
            for index, column in enumerate(strip.columns):
                left = x + _AXIS + index * _CELL
                doubt = by_place.get((row, stretch.lanes[column]))
                items.append(_label(stretch, row, column, doubt, serials, left, below))
        below += _ROW
    below += 1.2
    for text in _lines(strip):
        below += _LINE
        items.append(Text(x, below - 0.6, text, 2.2))
    facts = {"first": first, "last": last, "doubts": len(strip.doubts)}
    return Group("strip", tuple(items), facts)


def _label(
    stretch: Stretch,
    row: int,
    column: int,
    doubt: Doubt | None,
    serials: Mapping[int, str],
    x: float,
    y: float,
) -> Item:
    """One label: position, and the end of its number; a doubtful one with its sign."""
    position = int(stretch.position[row - stretch.first, column])
    if not position:
        return Group("nothing", ())
    ending = ending_of(serials.get(position, ""))
    facts: dict[str, object] = {"position": position, "row": row, "lane": stretch.lanes[column]}
    inner = (x + 0.35, y + 0.35, _CELL - 0.7, _ROW - 0.7)
    if doubt is None:
        letter = State(chr(stretch.state[row - stretch.first, column]))
        waiting = letter is State.ISSUED
        items: list[Item] = [box(*inner, PAPER if waiting else GOOD, FAINT, 0.2)]
        if waiting:
            left, top, wide, high = inner
            items.append(Line(left, top, left + wide, top + high, SOFT, 0.12))
        middle = x + _CELL / 2
        items.append(Text(middle, y + 2.9, str(position), 2.1, "middle"))
        items.append(Text(middle, y + 5.3, ending, 2.1, "middle", fill=SOFT))
        return Group("label", tuple(items), facts)
    sign = SIGNS[doubt.sign]
    edge = TONES[sign.tone][0] if sign.tone != "open" else INK
    items = [
        box(*inner, PAPER, INK, 0.5),
        box(x + 0.35, y + 0.35, 0.9, _ROW - 0.7, edge if sign.tone != "light" else INK),
        *symbol(sign.shape, sign.letter, sign.tone, x + 3.6, y + _ROW / 2, 3.9),
        Text(x + 6.2, y + 2.9, str(position), 2.1 if position < 10**6 else 1.8, bold=True),
        Text(x + 6.2, y + 5.3, ending, 2.1),
    ]
    facts |= {"sign": sign.letter, "finding": doubt.finding}
    return Group("doubtful", tuple(items), facts, doubt.text)


def _gap(strip: Strip, rows: tuple[int, int], x: float, y: float) -> Item:
    """Rows left out, with how many labels of each sign they hold."""
    inside = [doubt for doubt in strip.doubts if rows[0] <= doubt.row <= rows[1]]
    counts: dict[tuple[int, str], int] = {}
    for doubt in inside:
        counts[doubt.lane, doubt.sign] = counts.get((doubt.lane, doubt.sign), 0) + 1
    told = ", ".join(f"lane {lane}: {count} {sign}" for (lane, sign), count in counts.items())
    text = f"rows {rows[0]:,} to {rows[1]:,} are all like this: {told}"
    wide = _AXIS + len(strip.columns) * _CELL
    facts = {"first": rows[0], "last": rows[1], "doubts": len(inside)}
    lines = [Line(x, y + at, x + wide, y + at, SOFT, 0.3, dash=True) for at in (1.0, _ROW - 1.0)]
    return Group(
        "like", (*lines, Text(x, y + 3.9, shorten(text, wide, 2.2), 2.2, bold=True)), facts
    )


def _listed(strip: Strip) -> list[str]:
    """What is wrong, in words; equal findings of a strip on one line."""
    lines: dict[tuple[str, str], list[Doubt]] = {}
    for doubt in strip.doubts:
        lines.setdefault((doubt.sign, doubt.text), []).append(doubt)
    return [
        f"{sign} {', '.join(str(doubt.position) for doubt in some[:3])}"
        + (f" and {len(some) - 3} more" if len(some) > 3 else "")
        + f": {text}"
        for (sign, text), some in lines.items()
    ]


def _lines(strip: Strip) -> list[str]:
    """The same as lines that fit under the strip."""
    most = fitting(width_of(strip), 2.2)
    return [line for text in _listed(strip) for line in wrap(text, most, subsequent_indent="  ")]


def _ends(rows: tuple[int | tuple[int, int], ...]) -> tuple[int, int]:
    first, last = rows[0], rows[-1]
    return (
        first if isinstance(first, int) else first[0],
        last if isinstance(last, int) else last[1],
    )


def ending_of(serial: str) -> str:
    """The end of a number, as it is shown."""
    return f"..{serial[-ENDING:]}" if len(serial) > ENDING else serial
