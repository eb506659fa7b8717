"""The roll drawing: a stretch of web to scale, every doubtful label with its sign.

The first sheet has the whole web, folded into columns, and beside it how doubtful labels are
spread; strips that show each of them among its neighbours follow, on further sheets as needed.
Rows run down, lane 1 is left: as seen from the printed side, row 1 running ahead.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.counts import many
from serialkeeper.rules.doubts import SIGNS, Doubt, Stretch, metres
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
from serialkeeper.rules.strips import Strip, height_of, make_strips, place_strip, width_of

PAPERS: Mapping[str, tuple[float, float]] = {"A4": (297.0, 210.0), "A3": (420.0, 297.0)}
"""Width and height of a sheet laid across, in millimetres (ISO 216)."""

MARGIN = 10.0
MOST_SHEETS = 30
"""Sheets that are drawn unless more are asked for."""

_HEAD, _LEGEND_LINE, _FOOT = 19.0, 5.4, 9.0
_ROW_MOST, _ROW_SIGN, _ROW_CELLS = 6.0, 2.5, 1.4
"""Millimetres a row is high at most, from which every label has room for a sign, and from which
it has an outline of its own."""
_SIGN, _AXIS, _GAP, _BAR = 3.4, 12.0, 5.0, 22.0
_CAUTIONS = (
    f"{CAUTION} No machine is stopped by this.",
    "Seen from the printed side, row 1 ahead: lane 1 is left. Rows are those of the plan; metres "
    "are rows times pitch: blanks, stops and cut-outs move the web. Scan a neighbour before a cut.",
)


@dataclass(frozen=True, slots=True)
class Scene:
    """What stands on the sheets besides the web.

    Attributes:
        lot, gtin, product: what was printed.
        web: which roll or print job.
        head: the lot's journal: how many entries, and the last one's hash.
        drawn: when, where and by whom.
        pitch: millimetres from label to label in a lane, 0 where it is not known.
        practice: whether the record is for practice only.
        paper: a name of `PAPERS`.
        sheets: sheets to draw at most, 0 for all.
        serials: numbers by position, for the labels in strips.
    """

    lot: str
    gtin: str
    product: str
    web: str
    head: str
    drawn: str
    pitch: float
    practice: bool
    paper: str
    sheets: int
    serials: Mapping[int, str]


def check_paper(paper: str, pitch: float, sheets: int) -> None:
    """Refuses `bad_value` for a paper, pitch or number of sheets that cannot be."""
    if paper in PAPERS and 0 <= pitch <= 10_000 and 0 <= sheets <= 10_000:
        return
    raise Refused(
        "bad_value",
        "The roll cannot be drawn like that.",
        expected=f"--paper {' or '.join(PAPERS)}, --pitch up to 10000 mm, --sheets up to 10000",
        came=f"paper {paper}, pitch {pitch:g}, sheets {sheets}",
        remedy="Correct them.",
    )


def draw(stretch: Stretch, scene: Scene) -> tuple[list[Sheet], int]:
    """The sheets, and how many doubtful labels are shown in strips on them."""
    pen = _Pen(stretch, scene)
    waiting = make_strips(stretch, pen.right - pen.left)
    sheets = [pen.new_sheet()]
    x = pen.web(sheets[0]) + _GAP
    shown = pen.strips(sheets[0], x, waiting)
    while waiting and (not scene.sheets or len(sheets) < scene.sheets):
        sheets.append(pen.new_sheet())
        shown += pen.strips(sheets[-1], pen.left, waiting)
    for number, sheet in enumerate(sheets, 1):
        sheet.items += pen.heading(number, len(sheets), shown)
        sheet.items += pen.legend()
        sheet.items += pen.foot()
    return sheets, shown


class _Pen:
    """Draws one stretch; everything that all of its sheets have in common."""

    def __init__(self, stretch: Stretch, scene: Scene) -> None:
        self.stretch, self.scene = stretch, scene
        self.width, self.height = PAPERS[scene.paper]
        self.left, self.right = MARGIN, self.width - MARGIN
        self.counts = dict.fromkeys(SIGNS, 0)
        for doubt in stretch.doubts:
            self.counts[doubt.sign] += 1
        self.entries = list(self._legend_entries())
        lines = 1 + max((line for line, *_ in self.entries), default=0)
        self.top = MARGIN + _HEAD + lines * _LEGEND_LINE + 3
        self.bottom = self.height - MARGIN - _FOOT - 2

    def new_sheet(self) -> Sheet:
        """An empty sheet."""
        return Sheet(self.width, self.height, f"Roll drawing, lot {self.scene.lot}")

    # -- what stands on every sheet --------------------------------------------------------

    def heading(self, number: int, sheets: int, shown: int) -> list[Item]:
        """Which web this is, and from which state of the record."""
        stretch, scene = self.stretch, self.scene
        y, total = MARGIN + 4.6, len(stretch.doubts)
        lanes = (
            f"lane {stretch.lanes[0]}"
            if len(stretch.lanes) == 1
            else (f"lanes {stretch.lanes[0]} to {stretch.lanes[-1]}")
        )
        length = metres(stretch, stretch.last + 1, scene.pitch)
        measure = (
            "pitch not given: no metres"
            if length is None
            else (f"pitch {scene.pitch:g} mm, {length:,.2f} m by pitch")
        )
        facts = (
            f"{scene.web} · rows {stretch.first:,} to {stretch.last:,} · {lanes} · "
            f"{many(stretch.labels, 'label')} · {measure}"
        )
        items: list[Item] = [
            Text(self.left, y, f"Roll drawing · lot {scene.lot}", 5.2, bold=True),
            Text(self.left, y + 5.2, shorten(f"{scene.gtin} {scene.product}", 150, 2.8), 2.8),
            Text(self.left, y + 9.4, facts, 2.8),
            Text(self.left, y + 13.4, self._told(total, shown), 2.8, bold=shown < total),
            Text(self.right, y, f"sheet {number} of {sheets}", 3.2, "end", bold=True),
            Text(self.right, y + 5.2, scene.drawn, 2.4, "end", fill=SOFT),
            Text(self.right, y + 9.4, scene.head, 2.0, "end", fill=SOFT),
            Line(self.left, y + 15.2, self.right, y + 15.2, INK, 0.3),
        ]
        if scene.practice:
            items.append(Text(self.right, y + 13.4, "PRACTICE RECORD", 2.8, "end", bold=True))
        return items

    def _told(self, total: int, shown: int) -> str:
        waiting = int(self.stretch.waiting.sum())
        text = many(total, "doubtful label")
        if shown < total:
            text += (
                f", {shown:,} of them in strips; the other {total - shown:,} stand on the web and "
                "in the pull list only (--sheets 0 draws all)"
            )
        return text + (f" · {waiting:,} not inspected yet" if waiting else "")

    def _legend_entries(self) -> Iterator[tuple[int, float, str, str]]:
        """Line, place across, sign and text of each entry."""
        line, x = 0, self.left
        entries = [
            (sign.letter, f"{sign.title}: {self.counts[sign.letter]:,}")
            for sign in SIGNS.values()
            if self.counts[sign.letter]
        ]
        entries += [
            ("good", "good"),
            ("waiting", "not inspected"),
            ("many", "so many close together"),
        ]
        for letter, text in entries:
            width = 7.5 + len(text) * 1.33
            if x + width > self.right:
                line, x = line + 1, self.left
            yield line, x, letter, text
            x += width

    def legend(self) -> list[Item]:
        """What each sign says, and how many there are."""
        items: list[Item] = []
        for line, x, letter, text in self.entries:
            y = MARGIN + _HEAD + 3.6 + line * _LEGEND_LINE
            mark: list[Item]
            if letter in SIGNS:
                sign = SIGNS[letter]
                mark = symbol(sign.shape, letter, sign.tone, x + 2, y, 3.6)
            elif letter == "good":
                mark = [box(x + 0.2, y - 1.5, 3.6, 3, GOOD, FAINT)]
            elif letter == "waiting":
                mark = [
                    box(x + 0.2, y - 1.5, 3.6, 3, PAPER, SOFT),
                    *_crossed(x + 0.2, y - 1.5, 3.6, 3),
                ]
            else:
                mark = _many(x + 2, y, 3.4, 3)
            items.append(Group("legend", (*mark, Text(x + 5, y + 0.9, text, 2.5))))
        return items

    def foot(self) -> list[Item]:
        """What the drawing is not."""
        y = self.height - MARGIN - 3.6
        return [
            Line(self.left, y - 3.4, self.right, y - 3.4, INK, 0.3),
            *(
                Text(self.left, y + 3.2 * line, text, 2.3, fill=SOFT)
                for line, text in enumerate(_CAUTIONS)
            ),
        ]

    # -- strips ----------------------------------------------------------------------------

    def strips(self, sheet: Sheet, x: float, waiting: list[Strip]) -> int:
        """Place as many strips as there is room for, column by column; gives their doubts."""
        y, widest, shown = self.top, 0.0, 0
        while waiting:
            strip = waiting[0]
            width, height = width_of(strip), height_of(strip)
            if y > self.top and y + height > self.bottom:
                x, y, widest = x + widest + _GAP, self.top, 0.0
            if x + width > self.right + 0.01:
                break
            if y + height > self.bottom:
                strip, rest = strip.cut(self.bottom - y)
                waiting[0:1] = [strip, rest]
                height = height_of(strip)
            sheet.items.append(
                place_strip(strip, x, y, self.scene.pitch, self.stretch, self.scene.serials)
            )
            shown += len(strip.doubts)
            widest, y = max(widest, width), y + height + 4
            waiting.pop(0)
        return shown

    # -- the whole web ---------------------------------------------------------------------

    def web(self, sheet: Sheet) -> float:
        """The whole web in columns; gives the place across where the room behind it begins."""
        rows, lanes = self.stretch.position.shape
        lane = 5.0 if lanes <= 6 else 3.6 if lanes <= 16 else 2.6
        wide = _AXIS + lanes * lane + _GAP
        high = self.bottom - self.top - 5
        wanted = -(-rows // int(high / _ROW_SIGN))
        fit = max(int((self.right - self.left - _BAR) / wide), 1)
        columns = min(wanted, fit)
        if columns * wide > 0.55 * (self.right - self.left):
            columns = fit
        each = _rounded(-(-rows // columns)) if columns > 1 else rows
        columns = -(-rows // each)
        scale = min(high / each, _ROW_MOST)
        x = self.left
        if columns > 1:
            sheet.items += self._spread(x, high, each)
            x += _BAR
        for column in range(columns):
            part = _Column(self, x + _AXIS, self.top + 5, lane, scale, column * each, each)
            sheet.items += part.draw()
            x += wide
        return x - _GAP

    def _spread(self, x: float, high: float, each: int) -> list[Item]:
        """How doubtful labels are spread over the whole web, from its first row to its last."""
        rows = len(self.stretch.position)
        some = _rounded(-(-rows // int(high / 1.2)))
        bins = -(-rows // some)
        edges = np.arange(bins + 1) * some
        counts, _ = np.histogram(
            [doubt.row - self.stretch.first for doubt in self.stretch.doubts], edges
        )
        most, y, step = max(int(counts.max()), 1), self.top + 5, high * some / rows
        items: list[Item] = [
            Text(x, self.top + 1, "spread", 2.6, bold=True),
            Text(x, self.top + 4, f"most: {most} in {some} rows", 1.9, fill=SOFT),
            box(x, y, 3, high, GOOD, SOFT, 0.15),
        ]
        for index in np.flatnonzero(counts).tolist():
            share = float(counts[index]) / most
            bar = box(x + 3, y + index * step, share * (_BAR - 9), min(step, 1.2) * 0.86, INK)
            items.append(Group("spread", (bar,), {"first": index * some + self.stretch.first}))
        for start in range(0, rows, each):
            at = y + high * start / rows
            items.append(Line(x, at, x + 3, at, INK, 0.2))
        return items


class _Column:
    """One column of the folded web."""

    def __init__(
        self, pen: _Pen, x: float, y: float, lane: float, scale: float, start: int, rows: int
    ) -> None:
        self.pen, self.x, self.y, self.lane, self.scale = pen, x, y, lane, scale
        self.start = start
        self.stop = min(start + rows, len(pen.stretch.position))
        self.sign = min(_SIGN, lane - 0.2, max(scale * 0.98, 2.4))

    def draw(self) -> list[Item]:
        """The band with its lanes and axis, then a mark for each doubtful label."""
        stretch, lanes = self.pen.stretch, self.pen.stretch.lanes
        items = [*self._band(), *self._axis()]
        for column, lane in enumerate(lanes):
            if len(lanes) <= 16 or column in (0, len(lanes) - 1):
                middle = self.x + (column + 0.5) * self.lane
                items.append(Text(middle, self.y - 1, str(lane), 2.2, "middle", fill=SOFT))
        first, last = self.start + stretch.first, self.stop + stretch.first
        for lane in lanes:
            mine = [d for d in stretch.doubts if d.lane == lane and first <= d.row < last]
            items += [self._tick(doubt) for doubt in mine]
            items += self._signs(mine)
        return items

    def _place(self, doubt: Doubt) -> tuple[float, float]:
        """The left upper corner of a label."""
        row, column = self.pen.stretch.cell(doubt.row, doubt.lane)
        return self.x + column * self.lane, self.y + (row - self.start) * self.scale

    def _tick(self, doubt: Doubt) -> Item:
        x, y = self._place(doubt)
        fill = PAPER if self.scale >= _ROW_CELLS else INK
        mark = box(x, y, self.lane, max(self.scale, 0.2), fill, INK, 0.12)
        facts = {"position": doubt.position, "row": doubt.row, "lane": doubt.lane}
        return Group("tick", (mark,), {**facts, "sign": doubt.sign}, _titled(doubt))

    def _signs(self, doubts: list[Doubt]) -> list[Item]:
        """The sign of each label; labels too close to have one each share a box with a number."""
        items: list[Item] = []
        below = -1e9
        while doubts:
            top = self._place(doubts[0])[1]
            close = [d for d in doubts if self._place(d)[1] - top < self.sign - 0.01]
            doubts = doubts[len(close) :]
            x, end = self._place(close[-1])
            middle = max((top + end + self.scale) / 2, below + self.sign)
            below, x = middle, x + self.lane / 2
            if len(close) == 1:
                sign = SIGNS[close[0].sign]
                size = self.sign * 0.9
                items += symbol(sign.shape, sign.letter, sign.tone, x, middle, size)
            else:
                items += _many(x, middle, self.sign, len(close))
        return items

    def _band(self) -> list[Item]:
        """Good labels as a tone, those not inspected crossed, places without a label empty."""
        stretch, items = self.pen.stretch, list[Item]()
        waiting, good = stretch.waiting, stretch.position > 0
        for column in range(len(stretch.lanes)):
            x = self.x + column * self.lane
            span = slice(self.start, self.stop)
            kind = good[span, column].astype(np.int8) + waiting[span, column]
            for first, last in _same(kind):
                y, tall = self.y + first * self.scale, (last - first) * self.scale
                if kind[first] == 1:
                    items.append(box(x, y, self.lane, tall, GOOD))
                elif kind[first] == 2:
                    items += [box(x, y, self.lane, tall, PAPER, SOFT, 0.12)]
                    items += _crossed(x, y, self.lane, tall)
        right = self.x + len(stretch.lanes) * self.lane
        bottom = self.y + (self.stop - self.start) * self.scale
        for column in range(len(stretch.lanes) + 1):
            x = self.x + column * self.lane
            outer = column in (0, len(stretch.lanes))
            items.append(Line(x, self.y, x, bottom, SOFT if outer else PAPER, 0.2))
        if self.scale >= _ROW_CELLS:
            for row in range(1, self.stop - self.start):
                y = self.y + row * self.scale
                items.append(Line(self.x, y, right, y, PAPER, 0.2))
        items += [Line(self.x, y, right, y, SOFT, 0.2) for y in (self.y, bottom)]
        return items

    def _axis(self) -> list[Item]:
        """Rows, and metres below them."""
        stretch, pitch = self.pen.stretch, self.pen.scene.pitch
        step = _rounded(max(int((7.0 if pitch else 5.0) / self.scale), 1))
        first, last = self.start + stretch.first, self.stop - 1 + stretch.first
        marked = [row for row in range(first, last + 1) if row == first or row % step == 0]
        if len(marked) > 1 and marked[1] - marked[0] < step:
            del marked[1]
        items: list[Item] = []
        for row in marked:
            y = self.y + (row - first + 0.5) * self.scale
            items.append(Line(self.x - 1.2, y, self.x, y, SOFT, 0.15))
            items.append(Text(self.x - 1.8, y + 0.8, str(row), 2.3, "end"))
            along = metres(stretch, row, pitch)
            if along is not None:
                items.append(Text(self.x - 1.8, y + 3.0, f"{along:.2f} m", 1.8, "end", fill=SOFT))
        return items


def _titled(doubt: Doubt) -> str:
    return (
        f"{doubt.sign}: position {doubt.position}, row {doubt.row}, lane {doubt.lane}: {doubt.text}"
    )


def _many(x: float, y: float, size: float, count: int) -> list[Item]:
    """A box with a number: so many doubtful labels stand too close for a sign each."""
    frame = box(x - size / 2, y - size / 2 + 0.15, size, size - 0.3, PAPER, INK, 0.2)
    text = size * (0.66 if count < 10 else 0.56 if count < 100 else 0.42)
    return [frame, Text(x, y + text * 0.36, str(count), text, "middle", bold=True)]


def _crossed(x: float, y: float, width: float, height: float) -> list[Item]:
    return [Line(x, y, x + width, y + height, SOFT, 0.12)]


def _same(kinds: NDArray[np.int8]) -> list[tuple[int, int]]:
    """Runs of equal values as (first, last + 1)."""
    cuts = (np.flatnonzero(np.diff(kinds)) + 1).tolist()
    return list(zip([0, *cuts], [*cuts, len(kinds)], strict=True))


def _rounded(count: int) -> int:
    """The next plain number up: 1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30 and so on."""
    power = 1
    while True:
        for tenths in (10, 12, 15, 20, 25, 30, 40, 50, 60, 80):
            if tenths * power >= 10 * count and tenths * power % 10 == 0:
                return tenths * power // 10
        power *= 10
