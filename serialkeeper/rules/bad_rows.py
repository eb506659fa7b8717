"""Rows of a file to import that cannot be taken: each with its place, and what to do about it.

An import takes the whole file or nothing, so all of its faults are told at once.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from serialkeeper.errors import Refused

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
        f"{count:,} of {rows:,} rows cannot be taken, so nothing was.",
        where=f"{where}, line {first.line}, {first.column}",
        expected=first.expected,
        came=first.came,
        remedy=first.remedy,
        more=tuple(told),
    )
