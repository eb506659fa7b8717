"""What an entry changed, as lines of a thing, its field, the old value and the new one.

All of it follows from what entries do to the tables (`rules.replay`): the new value stands in the
entry, the old one in the last entry before it that set the same field of the same row. So nothing
is kept for it, and whoever reads is told what the record itself would tell.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules import changes, replay, signatures
from serialkeeper.rules.chain import Entry, LotKey
from serialkeeper.rules.changes import Change, Insert, Update
from serialkeeper.rules.jobs import runs
from serialkeeper.rules.moves import State
from serialkeeper.rules.parts import UNCHANGED, unpack_findings, unpack_states

LABEL, SAID = "label", "said"
"""Things that are no table: labels, and what an entry tells without changing anything."""

UNTOLD = {"person": ("password", "pin", "badge"), "token": ("sha256",)}
"""By table, fields of which only is told that they changed."""

_KEYS = frozenset(("product_id", "lot_id", "seq"))
"""Columns that place a row and say nothing to anybody."""

_MIRRORS = ("departure",)
"""Tables whose rows say once more what became of labels."""

_BY_NAME = ("person", "product", "station", "location", "destination", "setting")
"""Tables whose rows have names of their own."""

_BESIDE = ("explanation", "investigation")
"""What an entry tells in words beside what it changes."""

_SHOWN = 6
"""Stretches of positions that are told."""

Place = tuple[str, tuple[tuple[str, Any], ...]]
"""A row of a table, by its key."""


@dataclass(slots=True)
class Line:
    """One changed value.

    Attributes:
        what: a table's name, `LABEL` or `SAID`.
        name: which one: positions, or the row's own key in short; empty where there is only one.
        field: what of it.
        old, new: the values; None for none.
        labels: how many it is about; 0 where it is about none.
        place: the row, as long as the old value is still to be found.
    """

    what: str
    name: str
    field: str
    old: Any
    new: Any
    labels: int = 0
    place: Place | None = None

    def describe(self) -> dict[str, Any]:
        """As plain data."""
        return {
            **{"what": self.what, "name": self.name, "field": self.field},
            **{"old": self._plain(self.old), "new": self._plain(self.new)},
            "labels": self.labels or None,
        }

    def _plain(self, value: Any) -> Any:
        if self.field in UNTOLD.get(self.what, ()) and value:
            return "***"
        return None if value == "" else value


def lines(entry: Entry, key: LotKey) -> Iterator[Line]:
    """What an entry changed, but for what lies in its parts (`of_states`, `of_findings`); old
    values of rows are open (`Seeker`). What happened alike to many labels is one line."""
    spans: dict[tuple[str, Any, Any], list[Span]] = {}
    rows: list[Insert | Update] = []
    for change in replay.changes(entry, key):
        if isinstance(change, Insert | Update):
            rows.append(change)
        elif told := _of_labels(change):
            spans.setdefault(told[0], []).append(told[1])
    if any(field == "state" for field, *_ in spans):  # a decision settles what was open, if any was
        spans = {told: some for told, some in spans.items() if told[0] != "finding"}
    for (field, before, after), some in spans.items():
        what = "pack" if field == "parent" else LABEL
        letters = field == "state"
        old, new = (State(one).word if letters and one else one for one in (before, after))
        labels = sum(last - first + 1 for first, last in some) if what == LABEL else 0
        yield Line(what, _spans(some), field, old, new, labels)
    for row in rows:
        yield from _of_row(row)
    untold = not (spans or rows or entry.parts)
    for name, value in signatures.bare(entry).data.items():
        if value not in ("", None) and (untold or name in _BESIDE):
            yield Line(SAID, "", name, None, value)


Span = tuple[int, int]


def _of_labels(change: Change) -> tuple[tuple[str, Any, Any], Span] | None:
    """Field, old and new value, and of which labels; None for what lies in parts."""
    match change:
        case changes.MoveLabels(first, last, source, target):
            return ("state", source, target), (first, last)
        case changes.AddLabels(part):
            return ("state", None, State.ALLOCATED.value), (part.first, part.first + part.count - 1)
        case changes.SettleFindings(first, last):
            return ("finding", "open", "settled"), (first, last)
        case changes.PutUnits(first, last, _, pack):
            return ("pack", None, pack), (first, last)
        case changes.TakeUnits(first, last, _, pack):
            return ("pack", pack, None), (first, last)
        case changes.MovePacks(first, last, _, source, _, target):
            return ("parent", source or None, target or None), (first, last)
    return None


def _of_row(change: Insert | Update) -> Iterator[Line]:
    if isinstance(change, Insert):
        if change.table in _MIRRORS:
            return
        for name, value in change.row.items():
            if name not in _KEYS and value not in ("", None):
                yield Line(change.table, _called(change.table, change.row), name, None, value)
        return
    place = change.table, tuple(sorted(change.key.items()))
    called = _called(change.table, change.key)
    for name, value in change.values.items():
        yield Line(change.table, called, name, None, value, place=place)


def _spans(some: list[Span]) -> str:
    text = ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in some[:_SHOWN])
    return text + ", ..." * (len(some) > _SHOWN)


def _called(table: str, row: Mapping[str, Any]) -> str:
    """What people call a row: its name where it has one of its own, else its number or its place;
    of a lot there is only one."""
    if table == "lot":
        return ""
    names = ("name",) * (table in _BY_NAME) + ("gtin", "id", "position", "pack", "run", "word")
    found = next((row[name] for name in names if row.get(name) not in (None, "")), "")
    return str(found)


class Seeker:
    """Finds old values in entries that are read from the newest to the oldest."""

    def __init__(self) -> None:
        self._open: dict[tuple[Place, str], list[Line]] = {}
        self._unnamed: dict[Place, list[Line]] = {}

    @property
    def done(self) -> bool:
        """Whether nothing is looked for any more."""
        return not (self._open or self._unnamed)

    def read(self, entry: Entry, key: LotKey) -> None:
        """An entry that is older than all that are waited for: it tells old values."""
        if self.done:
            return
        tables = {place[0] for place, _ in self._open} | {place[0] for place in self._unnamed}
        for change in reversed(replay.changes(entry, key)):
            if isinstance(change, Update) and change.table in tables:
                self._found((change.table, tuple(sorted(change.key.items()))), change.values)
            elif isinstance(change, Insert) and change.table in tables:
                for place in {p for p, _ in self._open} | self._unnamed.keys():
                    row = change.row
                    if place[0] == change.table and all(row.get(k) == v for k, v in place[1]):
                        self._found(place, row)
                        for line in self._unnamed.pop(place, ()):
                            line.name = _called(change.table, row)

    def _found(self, place: Place, values: Mapping[str, Any]) -> None:
        for name, value in values.items():
            for line in self._open.pop((place, name), ()):
                line.old = value

    def wait(self, some: Iterable[Line]) -> None:
        """Lines whose old values are to be found."""
        for line in some:
            if line.place:
                self._open.setdefault((line.place, line.field), []).append(line)
                if line.place[0] in _BY_NAME:
                    self._unnamed.setdefault(line.place, []).append(line)


def worth_telling(line: Line) -> bool:
    """Whether a line says that anything changed, and of something that people know of."""
    return line.old != line.new or line.what in (LABEL, SAID)


def of_states(first: int, count: int, data: bytes, before: NDArray[np.uint8]) -> Iterator[Line]:
    """What a `states` part changed: from state to state, which labels.

    Args:
        before: the letters of its positions before it.
    """
    new = unpack_states(first, count, data).state
    moved = (new != UNCHANGED) & (new != before)
    pairs = Counter(zip(before[moved].tolist(), new[moved].tolist(), strict=True))
    for (source, target), labels in pairs.most_common():
        there = np.flatnonzero(moved & (before == source) & (new == target)) + first
        old = State(chr(source)).word if source else None
        yield Line(LABEL, in_short(there), "state", old, State(chr(target)).word, labels)


def of_findings(data: bytes) -> Iterator[Line]:
    """What a `findings` part found: by word, which labels."""
    found: dict[str, list[int]] = {}
    for one in unpack_findings(data):
        found.setdefault(one.word, []).append(one.position)
    for word, positions in sorted(found.items(), key=lambda pair: -len(pair[1])):
        yield Line(LABEL, in_short(positions), "finding", None, word, len(positions))


def in_short(positions: Iterable[int] | NDArray[np.int64]) -> str:
    """Ascending positions as their first few stretches.

    >>> in_short([1, 2, 3, 7])
    '1-3, 7'
    """
    return _spans([(first, last) for first, last in runs(positions)])
