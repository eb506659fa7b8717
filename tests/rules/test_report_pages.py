"""The parts of a report: shares, tables that are cut, charts, and the same bytes again."""

from __future__ import annotations

from decimal import ROUND_DOWN, ROUND_UP, Decimal

import numpy as np
import pypdfium2
from hypothesis import given, settings
from hypothesis import strategies as st

from serialkeeper.outside import page_papers
from serialkeeper.rules import charts, page_html
from serialkeeper.rules.counts import bad_percent, percent
from serialkeeper.rules.figures import Group, Sheet
from serialkeeper.rules.jobs import Shape, Web
from serialkeeper.rules.pages import MOST_ROWS, Column, Document, Figure, Say, Told, section, table


@given(st.integers(0, 10**7), st.integers(1, 10**7))
def test_shares_are_cut_toward_the_worse_side(part: int, whole: int) -> None:
    """A good share is cut down, a bad one up, as `decimal` cuts; 0.00 and 100.00 are exact."""
    part = min(part, whole)
    exact = Decimal(part) * 100 / whole
    good, bad = Decimal(percent(part, whole)), Decimal(bad_percent(part, whole))
    assert good == exact.quantize(Decimal("0.01"), ROUND_DOWN)
    up = exact.quantize(Decimal("0.01"), ROUND_UP)
    assert bad == (up if up < 100 or part == whole else Decimal("99.99"))
    assert (bad == 0) == (part == 0) and (bad == 100) == (good == 100) == (part == whole)


def document(rows: int) -> Document:
    listed = table(
        [Column("number", 1, right=True), Column("text", 2)],
        ((n, "x" * 90) for n in range(rows)),
        title="Many",
        more="label list LOT",
    )
    sheet = Sheet(180, 40, "drawing")
    return Document(
        "Title",
        "below",
        "running",
        "mark",
        (section("One", Say("s", "strong"), Told((("a", "b"),)), listed, Figure(sheet, "c")),),
    )


def test_a_long_table_says_what_it_leaves_out() -> None:
    """Up to the limit every row stands there; beyond, both forms tell how many there are and which
    command lists them. The same document gives the same bytes."""
    told = "200 of 4,321 rows are shown here. All of them: label list LOT"
    for rows, cut in ((MOST_ROWS, False), (4321, True)):
        made, pages = page_papers.pdf(document(rows), "A4")
        assert made == page_papers.pdf(document(rows), "A4")[0]
        paper = pypdfium2.PdfDocument(made)
        text = " ".join(" ".join(one.get_textpage().get_text_range().split()) for one in paper)
        page = "".join(page_html.html(document(rows), "A4"))
        assert len(paper) == pages > 1
        for form in (text, page):
            assert (told in form) == cut
        assert page.count("<tr>") == MOST_ROWS + 2


def test_no_line_of_the_last_section_stands_alone() -> None:
    """However much comes before it, the end of a document stands on one page with its heading."""
    one = section("One", *(Say("x " * 300) for _ in range(4)))
    facts = Told(tuple((f"name {n}", "value") for n in range(9)))
    last = section("The end", facts, Say("said " * 40, "soft"), Say("last words", "soft"))
    broke = 0
    for lines in range(46, 80):
        more = section("More", *(Say("a line") for _ in range(lines)))
        made, pages = page_papers.pdf(Document("T", "s", "r", sections=(one, more, last)), "Letter")
        text = pypdfium2.PdfDocument(made)[pages - 1].get_textpage().get_text_range()
        assert "The end" in text and "name 0" in text and "last words" in text
        broke += "a line" not in text
    assert 0 < broke < 34


@given(st.data())
def test_charts_count_every_label_once(data: st.DataObject) -> None:
    """Bars and cells together tell as many labels as there are, whatever was found where."""
    lanes, labels = data.draw(st.integers(1, 5)), data.draw(st.integers(1, 400))
    web = Web.of([Shape(((1, labels),), lanes, "rows")], labels)
    found = np.zeros(labels + 1, dtype=np.uint8)
    marked = st.lists(st.tuples(st.integers(1, labels), st.sampled_from([1, 2])), max_size=30)
    for position, mark in data.draw(marked):
        found[position] = mark
    edges = charts.bins_of(labels)
    sheets = [
        charts.over_the_run(found, web.row > 0, [""] * (len(edges) - 1)),
        charts.by_lane(found, web),
    ]
    for sheet in sheets:
        bars = [one for one in sheet.items if isinstance(one, Group)] if sheet else []
        for name, mark in (("other", charts.OTHER), ("critical", charts.CRITICAL)):
            assert sum(int(str(one.facts[name])) for one in bars) == int((found == mark).sum())
        assert sum(int(str(one.facts["labels"])) for one in bars) == labels
    where = charts.where(found, web)
    cells = [one for one in where.items if isinstance(one, Group)] if where else []
    assert sum(int(str(one.facts["labels"])) for one in cells) == int((found > 0).sum())


@given(st.integers(0, 3 * MOST_ROWS), st.data())
@settings(max_examples=30, deadline=None)
def test_rows_that_ask_for_something_are_never_left_out_for_others(
    rows: int, data: st.DataObject
) -> None:
    """However many there are and wherever they stand: as many as fit are shown, in order and in
    bold, others only beside all of them; and it is said."""
    loud = data.draw(st.sets(st.integers(0, rows - 1)) if rows else st.just(set()))
    made = table([Column("number", 1)], ((n,) for n in range(rows)), more="list", loud=loud)
    shown = [int(row[0].replace(",", "")) for row in made.rows]
    assert shown == sorted(shown) and len(shown) == min(rows, MOST_ROWS)
    bold = {shown[at] for at in made.loud}
    assert bold == loud & set(shown) and len(bold) == min(len(loud), MOST_ROWS)
    assert ("ask for something" in made.rest) == (rows > MOST_ROWS and bool(loud))
    page_papers.pdf(Document("T", "s", "r", "m", (section("One", made),)), "A4")


def test_a_heading_stands_with_what_comes_after_it() -> None:
    """Wherever on a page a section begins: its heading, the title of its table and a first row."""
    listed = table([Column("number", 1)], ((n,) for n in range(40)), title="Title of the table")
    below = 0
    for lines in range(20, 60):
        before = section("One", *(Say("a line") for _ in range(lines)))
        made, _ = page_papers.pdf(
            Document("T", "s", "r", sections=(before, section("Heading", listed))), "A4"
        )
        paper = pypdfium2.PdfDocument(made)
        [page] = (
            text for one in paper if "Heading" in (text := one.get_textpage().get_text_range())
        )
        assert "Title of the table" in page and "number" in page
        below += "a line" in page
    assert 0 < below < 40


def test_no_number_is_broken() -> None:
    """However long the numbers of a narrow column are: each stands on one line, and the columns of
    text beside it grow narrower."""
    longest = (999, 10**6, 10**9, 10**12)
    narrow = [Column("no.", 1, right=True), Column("what", 60), Column("labels", 2, right=True)]
    made = table(narrow, ((n, "some words " * 9, f"+{n:,}") for n in longest), loud=[2, 3])
    data, _ = page_papers.pdf(Document("T", "s", "r", "m", (section("One", made),)), "A4")
    lines = pypdfium2.PdfDocument(data)[0].get_textpage().get_text_range().splitlines()
    for number in longest:
        assert sum(f"{number:,}" in line.split() for line in lines) == 1, lines
        assert sum(f"+{number:,}" in line.split() for line in lines) == 1, lines
