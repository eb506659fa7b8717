"""Sheets as PDF files, drawn with reportlab: to scale, letters embedded, no font of the machine's.

reportlab, because it brings free fonts along and embeds them, writes the same bytes for the same
sheet, and needs nothing of the machine. Its Bitstream Vera knows Western European letters; others
are written as their number, `[U+0416]`, and never left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Any

from serialkeeper.rules.figures import Area, Cells, Group, Item, Line, Sheet, Text

POINT = 72 / 25.4
"""Points in a millimetre."""

PLAIN, BOLD = "Vera", "VeraBd"


def pdf(sheets: Sequence[Sheet]) -> bytes:
    """The sheets as one PDF document, a page each."""
    from reportlab.pdfgen.canvas import Canvas

    use_fonts()
    out = BytesIO()
    canvas = Canvas(out, invariant=True, pageCompression=1)
    canvas.setTitle(sheets[0].title)
    for sheet in sheets:
        canvas.setPageSize((sheet.width * POINT, sheet.height * POINT))
        canvas.scale(POINT, POINT)
        draw(canvas, sheet)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def use_fonts() -> None:
    """Make the fonts known that all files are written with."""
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    for name in (PLAIN, BOLD):
        registerFont(TTFont(name, f"{name}.ttf"))


def printable(text: str) -> str:
    """The text with every sign that the fonts lack written as its number."""
    if text.isascii() and text.isprintable():
        return text
    from reportlab.pdfbase.pdfmetrics import getFont

    known = getFont(PLAIN).face.charToGlyph
    return "".join(sign if ord(sign) in known else f"[U+{ord(sign):04X}]" for sign in text)


def draw(canvas: Any, sheet: Sheet) -> None:
    """Draw a sheet, its left lower corner where the canvas begins; a unit is a millimetre."""
    for item in sheet.items:
        _draw(canvas, item, sheet.height)


def _draw(canvas: Any, item: Item, height: float) -> None:
    if isinstance(item, Group):
        for one in item.items:
            _draw(canvas, one, height)
    elif isinstance(item, Text):
        canvas.setFillColor(item.fill)
        canvas.setFont(BOLD if item.bold else PLAIN, item.size)
        write = {
            "start": canvas.drawString,
            "middle": canvas.drawCentredString,
            "end": canvas.drawRightString,
        }
        write[item.anchor](item.x, height - item.y, printable(item.text))
    elif isinstance(item, Cells):
        canvas.setFillColor(item.fill)
        path = canvas.beginPath()
        for x, y, width, down in item.runs():
            path.rect(x, height - y - down, width, down)
        canvas.drawPath(path, stroke=0, fill=1)
    elif isinstance(item, Line):
        _pen(canvas, item.stroke, item.width, dash=item.dash)
        canvas.line(item.x1, height - item.y1, item.x2, height - item.y2)
    else:
        _area(canvas, item, height)


def _area(canvas: Any, area: Area, height: float) -> None:
    stroke, fill = area.stroke != "none", area.fill != "none"
    if stroke:
        _pen(canvas, area.stroke, area.width, dash=area.dash)
    if fill:
        canvas.setFillColor(area.fill)
    path = canvas.beginPath()
    if area.round:
        x, y, radius = area.round
        path.circle(x, height - y, radius)
    else:
        (x, y), *others = area.points
        path.moveTo(x, height - y)
        for other_x, other_y in others:
            path.lineTo(other_x, height - other_y)
        path.close()
    canvas.drawPath(path, stroke=int(stroke), fill=int(fill))


def _pen(canvas: Any, stroke: str, width: float, *, dash: bool) -> None:
    canvas.setStrokeColor(stroke)
    canvas.setLineWidth(width)
    canvas.setDash([width * 3, width * 2.2] if dash else [])
