"""A document as PDF, laid out with reportlab: page x of y, fonts embedded, the same bytes again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from io import BytesIO
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    LongTable,
    NextPageTemplate,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
)
from reportlab.platypus import Table as Grid

from serialkeeper.outside.papers import BOLD, PLAIN, POINT, draw, printable, use_fonts
from serialkeeper.rules.figures import FAINT, INK, SOFT, Sheet
from serialkeeper.rules.pages import PAPERS, Document, Figure, Item, Say, Section, Table, Told

_SIDE, _TOP, _BOTTOM = 14 * POINT, 16 * POINT, 17 * POINT
_LOWEST = min(side for sides in PAPERS.values() for side in sides) * POINT - _TOP - _BOTTOM - 1
"""How high a drawing is at most, so that it stands on every page, upright or across."""

_ROOM = 75
"""Points that have to be left for a heading and the first rows of its table."""

_LOUD = "#e3c598"


def _style(name: str, size: float, **more: Any) -> ParagraphStyle:
    told = {"fontName": PLAIN, "fontSize": size, "leading": size * 1.32, "textColor": INK, **more}
    return ParagraphStyle(name, splitLongWords=1, allowWidows=0, allowOrphans=0, **told)


_TITLE = _style("title", 17, fontName=BOLD, spaceAfter=3)
_HEADING = _style("heading", 11.5, fontName=BOLD, spaceBefore=11, spaceAfter=4)
_HEADING_TAKES = _HEADING.spaceBefore + _HEADING.leading + _HEADING.spaceAfter
_CAPTION = _style("caption", 8.2, fontName=BOLD, spaceBefore=5, spaceAfter=2)
_CELL = _style("cell", 7)
_CELL_RIGHT = _style("right", 7, alignment=TA_RIGHT)
_CELL_LOUD = _style("loud", 7, fontName=BOLD)
_CELL_LOUD_RIGHT = _style("loud right", 7, fontName=BOLD, alignment=TA_RIGHT)
_TONES = {
    "plain": _style("plain", 8.6, spaceAfter=2),
    "soft": _style("soft", 7.2, textColor=SOFT, spaceAfter=2),
    "strong": _style(
        "strong", 9, fontName=BOLD, spaceBefore=9, spaceAfter=9, leftIndent=4,
        rightIndent=4,
        borderColor=INK, borderWidth=0.8, borderPadding=3,
    ),
}  # fmt: skip


def pdf(document: Document, paper: str) -> tuple[bytes, int]:
    """The document as PDF, and how many pages it has.

    Args:
        paper: a name of `pages.PAPERS`.
    """
    use_fonts()
    _, pages = _built(document, paper, 0)
    return _built(document, paper, pages)


def _built(document: Document, paper: str, pages: int) -> tuple[bytes, int]:
    """The document with that number of pages on every page, and how many there are."""
    out = BytesIO()
    width, height = (side * POINT for side in PAPERS[paper])
    made = BaseDocTemplate(
        out,
        pagesize=(width, height),
        title=printable(document.title),
        lang="en",
        invariant=1,
        pageCompression=1,
    )

    def margins(canvas: Any, template: Any) -> None:
        _margins(canvas, document, template.page, pages)

    made.addPageTemplates(
        [_page("upright", width, height, margins), _page("across", height, width, margins)]
    )
    made.build(
        [
            _paragraph(document.title, _TITLE),
            _paragraph(document.subtitle, _TONES["plain"]),
            *(one for part in document.sections[:-1] for one in _section(part, width - 2 * _SIDE)),
            *_last(document.sections[-1], width - 2 * _SIDE),
        ]
    )
    return out.getvalue(), made.page


def _page(
    name: str, width: float, height: float, margins: Callable[[Any, Any], None]
) -> PageTemplate:
    room = (width - 2 * _SIDE, height - _TOP - _BOTTOM)
    frame = Frame(_SIDE, _BOTTOM, *room, 0, 0, 0, 0, id=name)
    return PageTemplate(name, [frame], onPageEnd=margins, pagesize=(width, height))


def _margins(canvas: Any, document: Document, page: int, pages: int) -> None:
    """What stands on every page."""
    width, height = canvas._pagesize
    canvas.setFillColor(HexColor(INK))
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.5)
    canvas.line(_SIDE, _BOTTOM - 3, width - _SIDE, _BOTTOM - 3)
    canvas.setFont(PLAIN, 6.2)
    canvas.drawString(_SIDE, _BOTTOM - 12, printable(document.running))
    canvas.setFont(BOLD, 7)
    canvas.drawRightString(width - _SIDE, _BOTTOM - 22, f"page {page} of {pages}")
    canvas.drawString(_SIDE, _BOTTOM - 22, printable(document.title))
    if document.mark:
        canvas.setFont(BOLD, 8)
        canvas.drawCentredString(width / 2, height - _TOP + 6, printable(document.mark))


def _section(part: Section, width: float) -> Iterator[Flowable]:
    heading = _heading(part)
    laid_across = False
    for item in part.items:
        made = list(_item(item, width))
        across = isinstance(item, Figure) and item.across
        if heading and not isinstance(item, Table) and not across:
            made = [KeepTogether([*heading, *made])]
            heading = []
        elif isinstance(item, Told):
            made = [KeepTogether(made)]
        if heading:
            yield CondPageBreak(_ROOM + _HEADING_TAKES)  # it stays with what comes after it
            yield from heading
            heading = []
        if across or laid_across:
            yield NextPageTemplate("across" if across else "upright")
            yield PageBreak()
        laid_across = across
        yield from made
    if heading:
        yield from heading
    if laid_across:
        yield NextPageTemplate("upright")
        yield PageBreak()


def _last(part: Section, width: float) -> list[Flowable]:
    """The last section, on one page if it is short, so that no line of it stands there alone."""
    if any(isinstance(item, Table | Figure) for item in part.items):
        return list(_section(part, width))
    return [KeepTogether([*_heading(part), *(one for i in part.items for one in _item(i, width))])]


def _heading(part: Section) -> list[Flowable]:
    return [_Heading(escape(printable(part.title)), _HEADING)]


def _item(item: Item, width: float) -> Iterator[Flowable]:
    """Its pieces; none is a `KeepTogether`: one within another always breaks the page."""
    match item:
        case Say(text, tone):
            yield _paragraph(text, _TONES[tone])
        case Told(rows):
            cells = [
                [_paragraph(name, _TONES["soft"]), _paragraph(text, _CELL)] for name, text in rows
            ]
            lines = [("LINEBELOW", (0, 0), (-1, -1), 0.3, HexColor(FAINT)), *_TIGHT]
            yield Grid(cells, [width * 0.24, width * 0.76], style=lines, splitInRow=1)
            yield Spacer(1, 4)
        case Table():
            yield from _table(item, width)
        case Figure(sheet, caption, across):
            yield _Drawing(sheet)
            if caption and not across:
                yield _paragraph(caption, _TONES["soft"])


_LEFT, _RIGHT = 2.0, 5.0
_BESIDE = _LEFT + _RIGHT + 0.5
"""Points beside a cell's text, and a hair."""

_TIGHT = [
    ("TOPPADDING", (0, 0), (-1, -1), 1.2),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
    ("LEFTPADDING", (0, 0), (-1, -1), _LEFT),
    ("RIGHTPADDING", (0, 0), (-1, -1), _RIGHT),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
]


def _table(one: Table, width: float) -> Iterator[Flowable]:
    if one.title:
        yield CondPageBreak(_ROOM)
        yield _paragraph(one.title, _CAPTION)
    heads = [_CELL_LOUD_RIGHT if column.right else _CELL_LOUD for column in one.columns]
    plain = [_CELL_RIGHT if column.right else _CELL for column in one.columns]
    cells = [[_paragraph(each.title, s) for each, s in zip(one.columns, heads, strict=True)]]
    for number, row in enumerate(one.rows):
        styles = heads if number in one.loud else plain
        cells.append([_paragraph(text, s) for text, s in zip(row, styles, strict=True)])
    style: list[Any] = [
        ("LINEBELOW", (0, 0), (-1, -1), 0.3, HexColor(FAINT)),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(INK)),
        *(("BACKGROUND", (0, n + 1), (-1, n + 1), HexColor(_LOUD)) for n in sorted(one.loud)),
        *_TIGHT,
    ]
    yield _Rows(cells, _widths(one, width), repeatRows=1, style=style)
    if one.rest:
        yield _paragraph(one.rest, _TONES["strong"])
    yield Spacer(1, 5)


def _widths(one: Table, width: float) -> list[float]:
    """Of each column: its share, and for numbers as much as the longest takes, so that none is
    broken; the columns of text give it."""
    share = width / sum(column.width for column in one.columns)
    widths = [column.width * share for column in one.columns]
    taken, text = 0.0, 0.0
    for at, column in enumerate(one.columns):
        if not column.right:
            text += widths[at]
            continue
        longest = max((stringWidth(row[at], BOLD, _CELL.fontSize) for row in one.rows), default=0.0)
        needed = min(longest + _BESIDE, width / 4)
        if needed > widths[at]:
            taken += needed - widths[at]
            widths[at] = needed
    if taken >= text:
        return widths
    rest = (text - taken) / text
    return [w if c.right else w * rest for w, c in zip(widths, one.columns, strict=True)]


class _Heading(Paragraph):  # type: ignore[misc]
    """A section's heading, which a reader finds in the outline, too."""

    def draw(self) -> None:
        """Draw it."""
        text = self.getPlainText()
        self.canv.bookmarkPage(text)
        self.canv.addOutlineEntry(text, text)
        super().draw()


class _Rows(LongTable):  # type: ignore[misc]
    """A table that breaks between rows, and within one only where no page would hold it."""

    def split(self, width: float, height: float) -> list[Flowable]:
        """The part that fits, and the rest."""
        self.splitInRow = int(height > 0.6 * _LOWEST)
        made: list[Flowable] = super().split(width, height)
        return made


class _Drawing(Flowable):  # type: ignore[misc]
    """A sheet of figures, as large as there is room for, and never larger than it is."""

    def __init__(self, sheet: Sheet) -> None:
        super().__init__()
        self.sheet = sheet

    def wrap(self, width: float, _height: float) -> tuple[float, float]:
        """How much room it takes; where that is not left, it goes to the next page."""
        sheet = self.sheet
        self.scale = min(POINT, width / sheet.width, _LOWEST / sheet.height)
        return sheet.width * self.scale, sheet.height * self.scale

    def draw(self) -> None:
        """Draw it."""
        self.canv.saveState()
        self.canv.scale(self.scale, self.scale)
        draw(self.canv, self.sheet)
        self.canv.restoreState()


def _paragraph(text: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(printable(text)), style)
