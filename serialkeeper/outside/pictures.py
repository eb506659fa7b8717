"""Sheets as PNG pictures, drawn with Pillow: no window, no browser, no font of the machine's.

Where the machine has DejaVu Sans it is used; else the letters that come with Pillow, which know
ASCII only: other signs in a product's name become question marks there.
"""

from __future__ import annotations

from functools import cache
from io import BytesIO
from itertools import pairwise

from PIL import Image, ImageDraw, ImageFont

from serialkeeper.rules.figures import PAPER, Area, Cells, Group, Item, Line, Sheet, Text

DOTS = 200
"""Dots per inch of a picture."""
_FINER = 2
"""Drawn so many times as large, then made smaller: smooth edges."""
_SCALE = DOTS / 25.4 * _FINER

_Font = ImageFont.FreeTypeFont | ImageFont.ImageFont


def png(sheet: Sheet) -> bytes:
    """The sheet as a PNG file of `DOTS` per inch."""
    size = (round(sheet.width * _SCALE), round(sheet.height * _SCALE))
    image = Image.new("RGB", size, PAPER)
    pen = ImageDraw.Draw(image)
    for item in sheet.items:
        _draw(pen, item)
    small = image.reduce(_FINER)
    out = BytesIO()
    small.save(out, "PNG", dpi=(DOTS, DOTS))
    return out.getvalue()


def _draw(pen: ImageDraw.ImageDraw, item: Item) -> None:
    if isinstance(item, Group):
        for one in item.items:
            _draw(pen, one)
    elif isinstance(item, Text):
        font, plain = _font(max(round(item.size * _SCALE), 1), item.bold)
        text = item.text if not plain else item.text.encode("ascii", "replace").decode()
        anchor = {"start": "ls", "middle": "ms", "end": "rs"}[item.anchor]
        heavy = round(item.size * _SCALE / 28) if plain and item.bold else 0
        place = (item.x * _SCALE, item.y * _SCALE)
        pen.text(place, text, fill=item.fill, font=font, anchor=anchor, stroke_width=heavy)
    elif isinstance(item, Cells):
        for x, y, width, height in item.runs():
            corners = (x * _SCALE, y * _SCALE, (x + width) * _SCALE - 1, (y + height) * _SCALE - 1)
            pen.rectangle([round(corner) for corner in corners], fill=item.fill)
    elif isinstance(item, Line):
        ends = [(item.x1 * _SCALE, item.y1 * _SCALE), (item.x2 * _SCALE, item.y2 * _SCALE)]
        _stroke(pen, ends, item.stroke, item.width, dash=item.dash)
    else:
        _area(pen, item)


def _area(pen: ImageDraw.ImageDraw, area: Area) -> None:
    fill = None if area.fill == "none" else area.fill
    line = max(round(area.width * _SCALE), 1)
    if area.round:
        x, y, radius = (value * _SCALE for value in area.round)
        corners = (x - radius, y - radius, x + radius, y + radius)
        if not area.dash:
            stroke = None if area.stroke == "none" else area.stroke
            pen.ellipse(corners, fill=fill, outline=stroke, width=line)
            return
        pen.ellipse(corners, fill=fill)
        for start in range(0, 360, 36):
            pen.arc(corners, start, start + 22, fill=area.stroke, width=line)
        return
    points = [(x * _SCALE, y * _SCALE) for x, y in area.points]
    if fill:
        pen.polygon(points, fill=fill)
    if area.stroke != "none":
        _stroke(pen, [*points, points[0]], area.stroke, area.width, dash=area.dash)


def _stroke(
    pen: ImageDraw.ImageDraw,
    points: list[tuple[float, float]],
    stroke: str,
    width: float,
    *,
    dash: bool,
) -> None:
    line = max(round(width * _SCALE), 1)
    if not dash:
        pen.line(points, fill=stroke, width=line, joint="curve")
        return
    mark, step = width * 3 * _SCALE, width * 5.2 * _SCALE
    for (x1, y1), (x2, y2) in pairwise(points):
        length = max(((x2 - x1) ** 2 + (y2 - y1) ** 2) ** 0.5, 0.01)
        at = 0.0
        while at < length:
            end = min(at + mark, length)
            piece = [
                (x1 + (x2 - x1) * part / length, y1 + (y2 - y1) * part / length)
                for part in (at, end)
            ]
            pen.line(piece, fill=stroke, width=line)
            at += step


@cache
def _font(size: int, bold: bool) -> tuple[_Font, bool]:
    """A font of that height in dots, and whether it is the plain one without other signs."""
    try:
        return ImageFont.truetype(f"DejaVuSans{'-Bold' if bold else ''}.ttf", size), False
    except OSError:
        return ImageFont.load_default(size), True
