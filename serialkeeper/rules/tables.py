"""Tables of a lot for spreadsheets and other programs: their columns, and how CSV keeps text text.

CSV is RFC 4180: every text stands in quotes, quotes in it are doubled. The RFC knows neither types
nor remarks, so what a column is, and of which record and head the file is, stands beside it in
`FILE.csv-metadata.json`, which is W3C's *Metadata Vocabulary for Tabular Data* (2015; where such a
file lies: *Model for Tabular Data and Metadata on the Web*, 5.3; from memory).

A spreadsheet that opens a CSV reads what begins with `=`, `+`, `-` or `@` as a formula, quotes or
not, and a tab or line end may begin a cell (OWASP, *CSV Injection*; from memory). So a text that
begins like that, or with an apostrophe, gets one apostrophe before it; whoever reads the file takes
one away.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from serialkeeper.errors import Refused

CSV, XLSX = "csv", "xlsx"
FORMS = (CSV, XLSX)

MOST_ROWS = 1_048_576
"""Rows of a sheet in XLSX, the heading among them (a limit of its programs, from memory); what is
beyond stands on further sheets."""

LONGEST_CELL = 32_767
"""Characters of a cell in XLSX, in units of UTF-16 (as above)."""

GUARD = "'"
_DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠", GUARD)

Cell = str | int | None
Row = tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """A column.

    Attributes:
        name: its heading.
        whole: whether it holds whole numbers; everything else is text.
        width: in characters, as shown.
    """

    name: str
    whole: bool = False
    width: int = 14


def _columns(text: str) -> tuple[Column, ...]:
    """Columns from `name`, `name:width`, and `name#` for whole numbers."""
    made = []
    for piece in text.split():
        name, _, width = piece.partition(":")
        made.append(Column(name.rstrip("#"), name.endswith("#"), int(width or 12)))
    return tuple(made)


TABLES: Mapping[str, tuple[Column, ...]] = {
    "labels": _columns(
        "position# gtin:16 serial:22 lot:14 expiry state:16 was_active finding:18 detail:40 "
        "evidence job# row# lane# pack:22"
    ),
    "moves": _columns(
        "entry# at:26 verb:20 person:20 role second:20 station:16 reason:30 first# last# labels# "
        "from:16 to:16 serial:22"
    ),
    "packs": _columns("level key:22 state holds# held# units# doubtful# inside:22 held_by:30"),
    "review": _columns(
        "state group critical kind:18 reason:24 person:20 second:20 entry# at:26 told:40 first# "
        "last# step# labels# reviewer:20 reviewed_at:26 note:40"
    ),
}
"""What there is of a lot, and its columns."""


def check(what: str, name: str, suffix: str) -> str:
    """The form of a file by the end of its name. Refuses `bad_value`."""
    form = suffix.lower().removeprefix(".")
    if what in TABLES and form in FORMS:
        return form
    raise Refused(
        "bad_value",
        "There is no such table, or it cannot be written like that.",
        expected=f"{', '.join(TABLES)}; a file name that ends in .{' or .'.join(FORMS)}",
        came=f"{what}, {name}",
        remedy="Correct them.",
    )


def guarded(text: str) -> str:
    """A text as it stands in CSV: no spreadsheet reads it as a formula.

    >>> guarded("=1+1"), guarded("' -1"), guarded(" @x"), guarded("1-1")
    ("'=1+1", "'' -1", "' @x", '1-1')
    """
    return GUARD + text if text.lstrip(" \u00a0").startswith(_DANGEROUS) else text


def line(row: Row) -> list[str | int]:
    """A row's fields in CSV: whole numbers bare, and texts, which the writer puts in quotes."""
    return [one if isinstance(one, int) else guarded(one or "") for one in row]


def metadata(file: str, columns: tuple[Column, ...], facts: Mapping[str, str]) -> dict[str, Any]:
    """What stands beside a CSV file.

    Args:
        file: its name.
        facts: of what it is.
    """
    return {
        "@context": "http://www.w3.org/ns/csvw",
        "url": quote(file),
        "dc:title": f"{facts['table']} of lot {facts['lot']}",
        "notes": [dict(facts)],
        "tableSchema": {
            "columns": [
                {
                    "name": one.name,
                    "titles": one.name,
                    "datatype": "integer" if one.whole else "string",
                }
                for one in columns
            ]
        },
    }
