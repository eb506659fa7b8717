"""Sheets as PDF files, drawn with reportlab: to scale, letters embedded, no font of the machine's.

reportlab, because it brings free fonts along and embeds them, writes the same bytes for the same
sheet, and needs nothing of the machine. Its Bitstream Vera knows Western European letters; others
in a product's name become empty boxes on the PDF, not on the SVG.
"""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Any

from serialkeeper.rules.figures import Area, Cells, Group, Item, Line, Sheet, Text

_POINT = 72 / 25.4
_PLAIN, _BOLD = "Vera", "VeraBd"


def pdf(sheets: Sequence[Sheet]) -> bytes:
    """The sheets as one PDF document, a page each."""
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    for name in (_PLAIN, _BOLD):
        registerFont(TTFont(name, f"{name}.ttf"))
    out = BytesIO()
    canvas = Canvas(out, invariant=True, pageCompression=1)
    canvas.setTitle(sheets[0].title)
    for sheet in sheets:
        canvas.setPageSize((sheet.width * _POINT, sheet.height * _POINT))
        canvas.scale(_POINT, _POINT)
        for item in sheet.items:
            _draw(canvas, item, sheet.height)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _draw(canvas: Any, item: Item, height: float) -> None:
    if isinstance(item, Group):
        for one in item.items:
            _draw(canvas, one, height)
    elif isinstance(item, Text):
        canvas.setFillColor(item.fill)
        canvas.setFont(_BOLD if item.bold else _PLAIN, item.size)
        write = {
            "start": canvas.drawString,
            "middle": canvas.drawCentredString,
            "end": canvas.drawRightString,
        }
        write[item.anchor](item.x, height - item.y, item.text)
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
