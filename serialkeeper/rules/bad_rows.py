"""Rows of a file to import that cannot be taken: each with its place, and what to do about it.

An import takes the whole file or nothing, so all of its faults are told at once.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from serialkeeper.errors import Refused
from serialkeeper.rules.counts import many
from serialkeeper.rules.texts import fault_of_name

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")

LONGEST_NAME = 120
"""Characters of a name."""

MOST_TOLD = 100
"""Bad rows that are told one by one; of the others only the number is told."""

_DAMAGED = re.compile(r"[0-9](?:[.,][0-9]+)?[eE]\+[0-9]{1,3}")


@dataclass(frozen=True, slots=True)
class BadRow:
    """One fault of a file.

    Attributes:
        line: from 1, as an editor counts.
        column: the column's name.
        expected, came, remedy: what would be right, what stands there, what to do.
    """

    line: int
    column: str
    expected: str
    came: str
    remedy: str

    def told(self) -> str:
        """The fault in one line."""
        came = self.came if len(self.came) <= 80 else self.came[:80] + "…"
        return (
            f"line {self.line}, {self.column}: expected {self.expected}; came {came!r}; "
            f"{self.remedy}"
        )


def damaged_by_spreadsheet(text: str) -> bool:
    """Whether a long number was written in powers of ten, so that its digits are lost.

    >>> damaged_by_spreadsheet("9.52123E+12"), damaged_by_spreadsheet("952123E12")
    (True, False)
    """
    return bool(_DAMAGED.fullmatch(text))


SPREADSHEET = (
    "a spreadsheet wrote the number in powers of ten and its digits are lost: export the file "
    "again from where it came from, and let the spreadsheet read such columns as text"
)
"""What to do about it."""


def refuse_rows(where: str, rows: int, bad: Sequence[BadRow], more: int = 0) -> None:
    """Refuses `import_rows` if there are any bad rows.

    Args:
        where: the file.
        rows: rows that were looked at.
        bad: the faults, in order of line; those beyond `MOST_TOLD` are only counted.
        more: faults that are not in `bad`.
    """
    if not bad:
        return
    first, count = bad[0], len(bad) + more
    told = [one.told() for one in bad[1:MOST_TOLD]]
    if count > MOST_TOLD:
        told = [*told[: MOST_TOLD - 2], f"and {count - MOST_TOLD + 1:,} more"]
    raise Refused(
        "import_rows",
        f"{many(count, 'fault')} in {many(rows, 'row')}, so nothing was taken.",
        where=f"{where}, line {first.line}, {first.column}",
        expected=first.expected,
        came=first.came,
        remedy=first.remedy,
        more=tuple(told),
    )


@dataclass
class Row:
    """A row of a small file while it is looked at.

    Attributes:
        line: from 1.
        fields: texts by column.
        bad: what is wrong with it so far.
    """

    line: int
    fields: Mapping[str, str]
    bad: list[BadRow] = field(default_factory=list)

    def once(self, seen: dict[Key, int], key: Key, column: str) -> bool:
        """Whether the key did not stand above; notes it, or the fault."""
        first = seen.setdefault(key, self.line)
        if first == self.line:
            return True
        remedy = f"it stands in line {first} already: take one of the two out"
        came = self.fields[column]
        self.bad.append(BadRow(self.line, column, "each key once in the file", came, remedy))
        return False

    def same(self, told: Mapping[str, str]) -> bool:
        """Whether the row says what the record says; columns left empty say nothing."""
        for column, there in told.items():
            came = self.fields[column]
            if came not in ("", there):
                remedy = "what is in the record stays: correct the file, or take the row out"
                self.bad.append(BadRow(self.line, column, f"{there!r} as recorded", came, remedy))
        return not self.bad


def check_row(row: Row, column: str, check: Callable[[], Value]) -> Value | None:
    """What a check gives; None where it refuses the row, which is noted."""
    came = row.fields[column]
    if damaged_by_spreadsheet(came):
        expected = "the number with all its digits"
        row.bad.append(BadRow(row.line, column, expected, came, SPREADSHEET))
        return None
    try:
        return check()
    except Refused as error:
        expected = error.expected or error.message
        row.bad.append(BadRow(row.line, column, expected, came, error.remedy))
        return None


def check_name(text: str) -> str:
    """A name for people. Refuses `bad_value`."""
    name = text.strip()
    fault = fault_of_name(name, LONGEST_NAME)
    if not fault:
        return name
    raise Refused(
        "bad_value",
        "This is no name.",
        where="name",
        expected=fault,
        came=text[: 2 * LONGEST_NAME],
        remedy="Correct it.",
    )


def read_whole(text: str) -> int:
    """A small whole number. Refuses `bad_value`."""
    if re.fullmatch(r"[0-9]{1,4}", text):
        return int(text)
    raise Refused(
        "bad_value",
        "This is no whole number.",
        expected="a whole number in digits",
        came=text,
        remedy="Correct it.",
    )
