"""Tables as CSV and XLSX files: a row at a time, whole or not there at all, always the same bytes.

XLSX is written by XlsxWriter, which keeps one row in memory and gives the members of its archive
one fixed date; a cell is text because we say so, whatever it looks like.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.files import Delivery, private_copy
from serialkeeper.rules import tables
from serialkeeper.rules.tables import LONGEST_CELL, MOST_ROWS, Column, Row

_AT_ONCE = 2_000
_PIECE = 1 << 20

Written = dict[str, Any]
"""rows, size, sha256, sheets of a table (None in CSV), and the file beside it, if there is one."""


def write_csv(
    out: Path, columns: tuple[Column, ...], rows: Iterable[Row], facts: Mapping[str, str]
) -> Written:
    """Write a table as CSV, and beside it what its columns are, and of what it is.

    Refuses `file_exists`, `file_unwritable`.
    """
    beside = out.with_name(f"{out.name}-metadata.json")
    count = 0
    with Delivery(out) as file, Delivery(beside) as about:
        file.write(_lines([[one.name for one in columns]]))
        for some in _batches(rows):
            count += len(some)
            file.write(_lines([tables.line(row) for row in some]))
        sha256 = file.sync()
        told = tables.metadata(out.name, columns, {**facts, "rows": str(count), "sha256": sha256})
        about.write((json.dumps(told, indent=2, ensure_ascii=False) + "\n").encode())
        about.sync()
        about.deliver()
        try:
            file.deliver()
        except BaseException:
            beside.unlink(missing_ok=True)
            raise
        size = file.size
    return {
        "rows": count,
        "size": size,
        "sha256": sha256,
        "sheets": None,
        "metadata": str(beside),
    }


def _lines(rows: list[list[str | int]]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC).writerows(rows)
    return text.getvalue().encode()


def _batches(rows: Iterable[Row]) -> Iterator[list[Row]]:
    waiting = iter(rows)
    while some := list(islice(waiting, _AT_ONCE)):
        yield some


def write_xlsx(
    out: Path,
    columns: tuple[Column, ...],
    rows: Iterable[Row],
    facts: Mapping[str, str],
    *,
    most_rows: int = MOST_ROWS,
) -> Written:
    """Write a table as XLSX: as many sheets as it takes, and after them the sheet `about`.

    Args:
        facts: of what the table is; `table` names its sheets, `as_of` dates the file.
        most_rows: rows of a sheet, the heading among them.

    Refuses `file_exists`, `file_unwritable`, `bad_value` for a text that no cell holds.
    """
    with Delivery(out) as file, private_copy(out.with_name(f"{out.name}.made")) as own:
        book = _Book(own, facts)
        for row in rows:
            if not book.rows % (most_rows - 1):
                book.begin(columns)
            book.add(row)
        book.end(columns)
        with own.open("rb") as made:
            while data := made.read(_PIECE):
                file.write(data)
        sha256 = file.sync()
        file.deliver()
        size = file.size
    return {
        "rows": book.rows,
        "size": size,
        "sha256": sha256,
        "sheets": book.sheets,
        "metadata": None,
    }


class _Book:
    """A workbook that is being written.

    Attributes:
        rows: how many were written, headings not counted.
        sheets: how many of them the table takes.
    """

    def __init__(self, path: Path, facts: Mapping[str, str]) -> None:
        from xlsxwriter import Workbook
        from xlsxwriter.worksheet import Worksheet

        class Plain(Worksheet):  # type: ignore[misc]
            """A sheet in which a text that looks like markup is a text, too: the library takes one
            that begins with `<r>` and ends with `</r>` for markup of its own."""

            def _xml_rich_inline_string(self, string: str, attributes: Any = ()) -> None:
                self._xml_inline_string(string, False, attributes)

        self.rows = self.sheets = 0
        self._facts, self._kind = facts, Plain
        self._book = Workbook(str(path), {"constant_memory": True, "tmpdir": str(path.parent)})
        made = datetime.fromisoformat(facts["as_of"]).replace(tzinfo=None)
        told = "; ".join(f"{name} {value}" for name, value in facts.items())
        title = f"{facts['table']} of lot {facts['lot']}"
        self._book.set_properties({"title": title, "comments": told, "created": made})
        self._text = self._book.add_format({"num_format": "@"})
        self._head = self._book.add_format({"bold": True, "num_format": "@"})

    def begin(self, columns: tuple[Column, ...]) -> None:
        """The next sheet, with its heading."""
        self.sheets += 1
        more = f" {self.sheets}" if self.sheets > 1 else ""
        self._sheet = self._add(self._facts["table"] + more)
        for number, one in enumerate(columns):
            self._sheet.set_column(number, number, one.width)
        self._sheet.freeze_panes(1, 0)
        for number, one in enumerate(columns):
            self._sheet.write_string(0, number, one.name, self._head)
        self._line = 0

    def _add(self, name: str) -> Any:
        return self._book.add_worksheet(name, worksheet_class=self._kind)

    def add(self, row: Row) -> None:
        """The next row."""
        self._line += 1
        self.rows += 1
        for number, one in enumerate(row):
            if isinstance(one, int):
                self._sheet.write_number(self._line, number, one)
            elif one:
                self._put(self._sheet, self._line, number, one)

    def _put(self, sheet: Any, line: int, number: int, text: str) -> None:
        if sheet.write_string(line, number, text, self._text):
            raise Refused(
                "bad_value",
                "A text is longer than a cell of XLSX holds.",
                where=f"row {self.rows:,}, column {number + 1}",
                expected=f"{LONGEST_CELL:,} characters",
                came=f"{len(text):,}",
                remedy="Write the table as CSV.",
            )

    def end(self, columns: tuple[Column, ...]) -> None:
        """The sheet that tells what this is; then the file is whole."""
        if not self.sheets:
            self.begin(columns)
        about = self._add("about")
        about.set_column(0, 0, 18)
        about.set_column(1, 1, 80)
        facts = {**self._facts, "rows": str(self.rows)}
        for line, (name, value) in enumerate(facts.items()):
            about.write_string(line, 0, name, self._head)
            self._put(about, line, 1, value)
        self._book.close()
