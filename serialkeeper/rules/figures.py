"""Plain figures on a sheet of paper, and the sheet as SVG text.

Lengths are millimetres, from the sheet's left upper corner. Texts stand on their baseline.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from html import escape

INK, SOFT, FAINT = "#1d1f21", "#6b6f72", "#c9ccc8"
PAPER, GOOD = "#ffffff", "#e9ebe6"
TONES: Mapping[str, tuple[str, str]] = {
    "dark": ("#23282b", "#ffffff"),
    "middle": ("#9a5f42", "#ffffff"),
    "light": ("#e3c598", INK),
    "open": ("#ffffff", INK),
}
"""Fill and letter of each tone; as grey they differ by at least a fifth of the scale."""

_S = 0.86
OUTLINES: Mapping[str, tuple[tuple[float, float], ...]] = {
    "square": ((-_S, -_S), (_S, -_S), (_S, _S), (-_S, _S)),
    "gap": ((-_S, -_S), (_S, -_S), (_S, _S), (-_S, _S)),
    "hexagon": ((-1, 0), (-0.5, -0.9), (0.5, -0.9), (1, 0), (0.5, 0.9), (-0.5, 0.9)),
    "diamond": ((0, -1.08), (1.08, 0), (0, 1.08), (-1.08, 0)),
    "arrow": ((-0.95, -0.8), (0.3, -0.8), (1.1, 0), (0.3, 0.8), (-0.95, 0.8)),
    "up": ((0, -1.15), (1.15, 0.9), (-1.15, 0.9)),
    "down": ((-1.15, -0.9), (1.15, -0.9), (0, 1.15)),
    "circle": (),
    "ring": (),
}
"""Corners of each shape around its middle, for a size of 2; none for a circle."""

DASHED = ("gap", "ring")
"""Shapes with a broken outline: the label may not be there."""

_LETTER_DOWN: Mapping[str, float] = {"up": 0.72, "down": 0.12, "arrow": 0.36}
_LETTER_LEFT: Mapping[str, float] = {"arrow": 0.14}


@dataclass(frozen=True, slots=True)
class Area:
    """A closed outline; `round` in place of points: middle and radius of a circle."""

    points: tuple[tuple[float, float], ...]
    fill: str = "none"
    stroke: str = "none"
    width: float = 0.2
    dash: bool = False
    round: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line."""

    x1: float
    y1: float
    x2: float
    y2: float
    stroke: str = FAINT
    width: float = 0.15
    dash: bool = False


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text; `anchor` is `start`, `middle` or `end`."""

    x: float
    y: float
    text: str
    size: float = 2.4
    anchor: str = "start"
    bold: bool = False
    fill: str = INK


@dataclass(frozen=True, slots=True)
class Cells:
    """A code of dark and light squares, its dark ones drawn; `rows` are texts of 1 and 0."""

    x: float
    y: float
    side: float
    rows: tuple[str, ...]
    fill: str = "#000000"

    def runs(self) -> Iterator[tuple[float, float, float, float]]:
        """Left, top, width and height of each run of dark squares in a row."""
        for row, text in enumerate(self.rows):
            for run in re.finditer("1+", text):
                left, width = self.x + run.start() * self.side, len(run[0]) * self.side
                yield left, self.y + row * self.side, width, self.side


@dataclass(frozen=True, slots=True)
class Group:
    """Figures that are one thing.

    Attributes:
        kind: what it is, the class in SVG.
        items: its figures.
        facts: what a program may want to know, as `data-` attributes.
        title: shown when a pointer rests on it.
    """

    kind: str
    items: tuple[Item, ...]
    facts: Mapping[str, object] = field(default_factory=dict)
    title: str = ""


Item = Area | Line | Text | Cells | Group


@dataclass(slots=True)
class Sheet:
    """A sheet of paper."""

    width: float
    height: float
    title: str
    items: list[Item] = field(default_factory=list)


def box(
    x: float,
    y: float,
    width: float,
    height: float,
    fill: str = "none",
    stroke: str = "none",
    line: float = 0.2,
) -> Area:
    """A rectangle."""
    corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
    return Area(corners, fill, stroke, line)


def symbol(shape: str, letter: str, tone: str, x: float, y: float, size: float) -> list[Item]:
    """A sign around its middle, with its letter."""
    fill, ink = TONES[tone]
    half, width, dash = size / 2, max(size * 0.06, 0.18), shape in DASHED
    corners = OUTLINES[shape]
    points = tuple((x + half * px, y + half * py) for px, py in corners)
    circle = None if corners else (x, y, half)
    area = Area(points, fill, INK, width, dash, circle)
    height = size * (0.56 if shape in ("up", "down") else 0.66)
    down = half * _LETTER_DOWN.get(shape, 0.46)
    if shape == "down":
        down = half * 0.24
    left = half * _LETTER_LEFT.get(shape, 0.0)
    return [area, Text(x - left, y + down, letter, height, "middle", bold=True, fill=ink)]


def fitting(width: float, size: float) -> int:
    """How many characters fit into about that width."""
    return max(int(width / (size * 0.52)), 1)


def shorten(text: str, width: float, size: float) -> str:
    """A text cut to about that width, with dots where something was cut away."""
    most = fitting(width, size)
    return text if len(text) <= most else text[: max(most - 3, 1)].rstrip() + "..."


def svg(sheet: Sheet) -> str:
    """The sheet as an SVG document, to scale: one unit is a millimetre."""
    size = f"{_number(sheet.width)} {_number(sheet.height)}"
    width, height = size.split()
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {size}" font-family="DejaVu Sans, Liberation Sans, Arial, sans-serif">\n'
        f"<title>{_plain(sheet.title)}</title>\n"
        f'<rect width="{width}" height="{height}" fill="{PAPER}"/>\n'
    )
    return head + "".join(f"{line}\n" for item in sheet.items for line in _lines(item)) + "</svg>\n"


def _lines(item: Item) -> Iterator[str]:
    if isinstance(item, Group):
        facts = "".join(f' data-{name}="{_plain(value)}"' for name, value in item.facts.items())
        yield f'<g class="{item.kind}"{facts}>'
        if item.title:
            yield f"<title>{_plain(item.title)}</title>"
        for one in item.items:
            yield from _lines(one)
        yield "</g>"
    elif isinstance(item, Text):
        more = f' text-anchor="{item.anchor}"' if item.anchor != "start" else ""
        more += ' font-weight="bold"' if item.bold else ""
        more += ' xml:space="preserve"' if "  " in item.text else ""
        place = f'x="{_number(item.x)}" y="{_number(item.y)}"'
        size = f'font-size="{_number(item.size)}" fill="{item.fill}"'
        yield f"<text {place} {size}{more}>{_plain(item.text)}</text>"
    elif isinstance(item, Line):
        ends = ((item.x1, item.y1), (item.x2, item.y2))
        path = " ".join(
            f'x{index}="{_number(x)}" y{index}="{_number(y)}"'
            for index, (x, y) in enumerate(ends, 1)
        )
        yield f"<line {path}{_stroke(item.stroke, item.width, dash=item.dash)}/>"
    elif isinstance(item, Cells):
        path = "".join(
            f"M{_number(x)} {_number(y)}h{_number(width)}v{_number(height)}h-{_number(width)}z"
            for x, y, width, height in item.runs()
        )
        yield f'<path fill="{item.fill}" shape-rendering="crispEdges" d="{path}"/>'
    else:
        look = f' fill="{item.fill}"'
        if item.stroke != "none":
            look += _stroke(item.stroke, item.width, dash=item.dash)
        if item.round:
            x, y, radius = (_number(value) for value in item.round)
            yield f'<circle cx="{x}" cy="{y}" r="{radius}"{look}/>'
        else:
            yield f"{_outline(item.points)}{look}/>"


def _outline(points: tuple[tuple[float, float], ...]) -> str:
    if len(points) == 4:
        (x1, y1), (x2, y2), (x3, y3), (x4, y4) = points
        if (y1, x2, y3, x4) == (y2, x3, y4, x1):
            place = f'x="{_number(x1)}" y="{_number(y1)}"'
            return f'<rect {place} width="{_number(x2 - x1)}" height="{_number(y3 - y1)}"'
    listed = " ".join(f"{_number(x)},{_number(y)}" for x, y in points)
    return f'<polygon points="{listed}"'


def _stroke(stroke: str, width: float, *, dash: bool) -> str:
    more = f' stroke-dasharray="{_number(width * 3)} {_number(width * 2.2)}"' if dash else ""
    return f' stroke="{stroke}" stroke-width="{_number(width)}"{more}'


def _number(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _plain(value: object) -> str:
    """A value as XML text; what XML cannot hold becomes a replacement sign."""
    return escape(
        re.sub("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", str(value))
    )
