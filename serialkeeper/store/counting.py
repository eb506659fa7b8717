"""How many labels of a lot are in each state, kept beside the chain's head by the same transaction.

So nobody has to walk over a lot's labels to count them. What a statement has moved is what is
counted; `record verify` counts anew and compares.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from sqlalchemy import ColumnElement, Connection, insert, select, update

from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.moves import State
from serialkeeper.store.tables import LabelCount, table_of

NEW = ""
"""From where labels come that were not there before."""

COLUMNS: Mapping[str, str] = {
    state.value: "pulled" if state is State.PULLED else state.word for state in State
}
"""The column of each state's letter; rejected labels that were active before have their own."""

Moved = Mapping[tuple[str, str], int]
"""How many labels went from which letter to which."""


def begin(connection: Connection, key: LotKey) -> None:
    """A lot that has no labels yet."""
    row = {**key.row(), **dict.fromkeys(COLUMNS.values(), 0)}
    connection.execute(insert(table_of(LabelCount)), row)


def add(connection: Connection, key: LotKey, moved: Moved) -> None:
    """Count what was moved."""
    change: Counter[str] = Counter()
    for (source, target), count in moved.items():
        change[target] += count
        change[source] -= count
    del change[NEW]
    table = table_of(LabelCount)
    values = {COLUMNS[one]: table.c[COLUMNS[one]] + more for one, more in change.items() if more}
    if values:
        connection.execute(update(table).where(*_mine(key)).values(values))


def counts(connection: Connection, key: LotKey) -> dict[State, int]:
    """How many labels of a lot are in each state, of those that have any."""
    row = connection.execute(select(table_of(LabelCount)).where(*_mine(key))).mappings().one()
    there = {State(letter): int(row[name]) for letter, name in COLUMNS.items()}
    return {state: count for state, count in there.items() if count}


def told(letters: bytes | bytearray) -> dict[str, int]:
    """The counts of a lot whose labels have these letters."""
    return {name: letters.count(letter.encode()) for letter, name in COLUMNS.items()}


def _mine(key: LotKey) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
    c = table_of(LabelCount).c
    return c.product_id == key.product_id, c.lot_id == key.lot_id
