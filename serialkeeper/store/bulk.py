"""Set-based SQL on labels: one statement moves up to 10,000 rows.

Numbers and positions travel as one JSON parameter; see DEVELOPERS.md for why this is the
fast way. Every statement is guarded by the states it may start from and checks how many
rows it changed, so that a label can never be moved by mistake.
"""

from __future__ import annotations

import numpy as np
import orjson
from numpy.typing import NDArray
from sqlalchemy import Connection, text

from serialkeeper.errors import Damaged
from serialkeeper.rules.moves import LEGAL
from serialkeeper.rules.parts import UNCHANGED, States, unpack_serials
from serialkeeper.rules.replay import LotKey

_ADD = text(
    "INSERT INTO label (product_id, lot_id, position, serial, state) "
    "SELECT :product_id, :lot_id, :first + key, value, 'a' FROM json_each(:numbers)"
)
_MOVE = text(
    "UPDATE label SET state = :target WHERE product_id = :product_id AND lot_id = :lot_id "
    "AND position BETWEEN :first AND :last AND state = :source"
)
_STATES = text(
    "SELECT group_concat(state, '') FROM (SELECT state FROM label WHERE product_id = :product_id "
    "AND lot_id = :lot_id AND position BETWEEN :first AND :last ORDER BY position)"
)


def add_labels(connection: Connection, key: LotKey, first: int, data: bytes) -> None:
    """One allocated label per line of a `serials` part."""
    numbers = orjson.dumps(unpack_serials(data)).decode()
    connection.execute(_ADD, {**key.row(), "first": first, "numbers": numbers})


def move_labels(
    connection: Connection, key: LotKey, first: int, last: int, source: str, target: str
) -> None:
    """Every label from first to last from one state to another; all or an error."""
    values = {"first": first, "last": last, "source": source, "target": target}
    moved = connection.execute(_MOVE, {**key.row(), **values}).rowcount
    _all_moved(moved, last - first + 1, first, last)


def set_states(connection: Connection, key: LotKey, states: States) -> None:
    """The labels of a `states` part take the part's letters; `.` leaves a label alone."""
    letters, counts = np.unique(states.state[states.state != UNCHANGED], return_counts=True)
    if not len(letters):
        return
    most = letters[counts.argmax()]
    changed = np.flatnonzero(states.state != UNCHANGED)
    for letter in letters:
        where = np.flatnonzero(states.state == letter)
        if letter == most:
            first, last = changed[0] + states.first, changed[-1] + states.first
            inside = states.state[changed[0] : changed[-1] + 1]
            others = np.flatnonzero(inside != letter) + first
            place = f"position BETWEEN {first} AND {last}"
            if len(others):
                place += " AND position NOT IN (SELECT value FROM json_each(:positions))"
            positions = others
        else:
            place = "position IN (SELECT value FROM json_each(:positions))"
            positions = where + states.first
        _set(connection, key, place, chr(letter), positions, len(where))


def _set(
    connection: Connection,
    key: LotKey,
    place: str,
    target: str,
    positions: NDArray[np.int64],
    expected: int,
) -> None:
    sources = ",".join(f"'{a}'" for a, b in sorted(LEGAL) if b == target)
    statement = text(
        f"UPDATE label SET state = '{target}' WHERE product_id = :product_id "
        f"AND lot_id = :lot_id AND {place} AND state IN ({sources})"
    )
    values: dict[str, object] = dict(key.row())
    if ":positions" in place:
        values["positions"] = orjson.dumps(positions.tolist()).decode()
    moved = connection.execute(statement, values).rowcount
    _all_moved(moved, expected, int(positions[0]) if len(positions) else 0, 0)


def _all_moved(moved: int, expected: int, first: int, last: int) -> None:
    if moved != expected:
        raise Damaged(
            "table_differs",
            "Labels were not in the state that they have to be in.",
            where=f"label table, positions {first} to {last}",
            expected=f"{expected} labels moved",
            came=f"{moved}",
            remedy="Nothing was changed. Run record verify.",
        )


def read_states(connection: Connection, key: LotKey, first: int, last: int) -> bytes:
    """The state letters of positions first..last, one byte each."""
    found = connection.execute(_STATES, {**key.row(), "first": first, "last": last}).scalar()
    return (found or "").encode()
