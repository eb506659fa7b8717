"""A document of pages: sections of sentences, facts, tables and figures; how it looks is elsewhere.

`rules.page_html` writes it as HTML, `outside.page_papers` as PDF; both say the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from serialkeeper.errors import Refused
from serialkeeper.rules.figures import Sheet

PAPERS: Mapping[str, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height of a page in millimetres (ISO 216; ANSI/ASME Y14.1, from memory)."""

FORMS = ("pdf", "html")

MOST_ROWS = 200
"""Rows of a table; what is beyond is told in a line below it."""

LONGEST_CELL = 1_200
"""Characters of a cell; what is beyond is told at its end."""


@dataclass(frozen=True, slots=True)
class Say:
    """A sentence; `tone` is `plain`, `strong` for what must not be missed, `soft` for an aside."""

    text: str
    tone: str = "plain"


@dataclass(frozen=True, slots=True)
class Told:
    """Facts under names, one a line."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table.

    Attributes:
        title: its heading.
        width: its share of the page, beside the others' shares.
        right: whether its cells stand to the right, as numbers do.
    """

    title: str
    width: float
    right: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table.

    Attributes:
        columns: from left to right.
        rows: texts, one for each column.
        title: stands above it.
        rest: stands below it where rows were left out; empty where all are there.
        loud: numbers of rows, from 0, that must not be missed.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    title: str = ""
    rest: str = ""
    loud: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing; `across` asks for a page of its own, laid across."""

    sheet: Sheet
    caption: str = ""
    across: bool = False


Item = Say | Told | Table | Figure


@dataclass(frozen=True, slots=True)
class Section:
    """What stands under one heading."""

    title: str
    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True)
class Document:
    """A whole document.

    Attributes:
        title, subtitle: at its beginning.
        running: what stands on every page, left below.
        mark: what stands on every page, above, if anything.
        sections: in order.
    """

    title: str
    subtitle: str
    running: str
    mark: str = ""
    sections: tuple[Section, ...] = field(default_factory=tuple)


def table(
    columns: Sequence[Column],
    rows: Iterable[Sequence[object]],
    *,
    title: str = "",
    total: int | None = None,
    more: str = "",
    loud: Iterable[int] = (),
) -> Table:
    """A table of the first rows, with what was left out told below it. Where not all fit, loud
    ones go before others; their order stays.

    Args:
        total: how many rows there are in all, where `rows` does not give all of them.
        more: the command that lists them all.
        loud: which rows ask for something, counted from 0.
    """
    marked = frozenset(loud)
    first, others = list[tuple[int, tuple[str, ...]]](), list[tuple[int, tuple[str, ...]]]()
    count = 0
    for number, row in enumerate(rows):
        count += 1
        pile = first if number in marked else others
        if len(pile) < MOST_ROWS:
            pile.append((number, tuple(_cell(one) for one in row)))
    kept = sorted([*first, *others[: MOST_ROWS - len(first)]])
    count = count if total is None else total
    rest = ""
    if count > len(kept):
        rest = f"{len(kept):,} of {count:,} rows are shown here. All of them: {more}"
        if first:
            rest += f"; the first {len(first):,} that ask for something are among these"
    standing = frozenset(at for at, (number, _) in enumerate(kept) if number in marked)
    return Table(tuple(columns), tuple(row for _, row in kept), title, rest, standing)


def _cell(value: object) -> str:
    text = "" if value is None else f"{value:,}" if type(value) is int else str(value)
    if len(text) <= LONGEST_CELL:
        return text
    return f"{text[:LONGEST_CELL]} ... and {len(text) - LONGEST_CELL:,} more characters"


def moment(at: object) -> str:
    """A time as entries tell it, to the second, for a column that says UTC; it may break between
    day and time.

    >>> moment("2026-11-26T19:44:02.398Z")
    '2026-11-26 19:44:02'
    """
    return str(at)[:19].replace("T", " ")


def section(title: str, *items: Item | None) -> Section:
    """A section without the items that are not there."""
    return Section(title, tuple(one for one in items if one is not None))


def check_form(name: str, suffix: str, paper: str) -> str:
    """The form of a file by the end of its name. Refuses `bad_value`."""
    form = suffix.lower().removeprefix(".")
    if form in FORMS and paper in PAPERS:
        return form
    raise Refused(
        "bad_value",
        "The report cannot be written like that.",
        expected=f"a file name that ends in .{' or .'.join(FORMS)}; --paper {' or '.join(PAPERS)}",
        came=f"{name}, paper {paper}",
        remedy="Correct them.",
    )
