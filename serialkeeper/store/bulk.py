"""Set-based SQL on labels: one statement moves up to 10,000 rows.

Numbers and positions travel as one parameter: JSON in SQLite, lines or an array in PostgreSQL; see
DEVELOPERS.md for why these are the fast ways. Every statement is guarded by the states it may
start from and checks how many rows it changed, so that a label can never be moved by mistake.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from string import ascii_letters, digits
from typing import Any, NamedTuple

import numpy as np
import orjson
from numpy.typing import NDArray
from sqlalchemy import Connection, TextClause, text

from serialkeeper.errors import Damaged
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.changes import MoveLabels, SettleFindings
from serialkeeper.rules.jobs import runs
from serialkeeper.rules.moves import INSPECTED
from serialkeeper.rules.parts import (
    UNCHANGED,
    States,
    unpack_serials,
)

Moved = Counter[tuple[str, str]]
"""How many labels went from which letter to which."""

MOST_RANGES = 1_000
"""Runs of labels in one block up to which updating range by range is the faster way."""

_IN_LOT = "product_id = :product_id AND lot_id = :lot_id"

_LINES = "string_to_table(:lines, chr(10)) WITH ORDINALITY AS given (value, place)"
_ADD = {
    "sqlite": text(
        "INSERT INTO label (product_id, lot_id, position, serial, state) "
        "SELECT :product_id, :lot_id, :first + key, value, 'a' FROM json_each(:lines)"
    ),
    "postgresql": text(
        "INSERT INTO label (product_id, lot_id, position, serial, state) "
        f"SELECT :product_id, :lot_id, :first + place - 1, value, 'a' FROM {_LINES}"
    ),
}
_ADD_EXTRAS = {
    "sqlite": text(
        "INSERT INTO extra (product_id, lot_id, position, elements) "
        "SELECT :product_id, :lot_id, :first + key, value FROM json_each(:lines)"
    ),
    "postgresql": text(
        "INSERT INTO extra (product_id, lot_id, position, elements) "
        f"SELECT :product_id, :lot_id, :first + place - 1, value FROM {_LINES}"
    ),
}
_ROW = {
    "sqlite": ("json_each(:rows)", "json_extract(value, '$[{}]')", "{}"),
    "postgresql": (
        "json_array_elements(CAST(:rows AS json)) AS given (value)",
        "value ->> {}",
        "CAST({} AS integer)",
    ),
}
"""Rows of a JSON array: where they come from, how a field is read, and how as a number."""


def _from_rows(statement: str) -> dict[str, TextClause]:
    """A statement in which `{n}` is field n of a row, `{position}` field 0 as a number."""
    made = {}
    for dialect, (rows, field, number) in _ROW.items():
        fields = [field.format(place) for place in range(5)]
        told = statement.format(*fields, position=number.format(fields[0]))
        made[dialect] = text(f"{told} FROM {rows}")
    return made


_FIND = _from_rows(
    "INSERT INTO finding (product_id, lot_id, position, take, word, seen, detail, state, "
    "together, seq) "
    "SELECT :product_id, :lot_id, {position}, :take, {1}, {2}, {3}, 'open', coalesce({4}, ''), :seq"
)
_PROVE = _from_rows(
    "INSERT INTO proof (product_id, lot_id, position, take, seq, word, evidence, detail) "
    "SELECT :product_id, :lot_id, {position}, :take, :seq, {1}, {2}, {3}"
)
_MOVE = text(
    f"UPDATE label SET state = :target WHERE {_IN_LOT} "
    "AND position BETWEEN :first AND :last AND state = :source"
)
_SETTLE = text(
    f"UPDATE finding SET state = 'settled' WHERE {_IN_LOT} AND position BETWEEN :first AND :last"
)
_TAKEN = {
    "sqlite": text(
        "SELECT label.serial, label.lot_id FROM json_each(:numbers) AS wanted "
        "CROSS JOIN label ON label.serial = wanted.value AND label.product_id = :product_id"
    ),
    "postgresql": text(
        "SELECT label.serial, label.lot_id FROM unnest(CAST(:numbers AS text[])) "
        'AS wanted (number) JOIN label ON label.serial = wanted.number COLLATE "C" '
        "AND label.product_id = :product_id"
    ),
}
_SOME = f"WHERE {_IN_LOT} AND position BETWEEN :first AND :last"
_EXTRAS = {
    "sqlite": text(
        "SELECT count(*), group_concat(elements, char(10)) FROM (SELECT elements FROM extra "
        f"{_SOME} ORDER BY position)"
    ),
    "postgresql": text(
        f"SELECT count(*), string_agg(elements, chr(10) ORDER BY position) FROM extra {_SOME}"
    ),
}
_ROWS = {
    "sqlite": text(
        "SELECT count(*), min(position), max(position), group_concat(serial, char(10)), "
        "group_concat(state, '') FROM (SELECT position, serial, state FROM label "
        f"{_SOME} ORDER BY position)"
    ),
    "postgresql": text(
        "SELECT count(*), min(position), max(position), "
        "string_agg(serial, chr(10) ORDER BY position), string_agg(state, '' ORDER BY position) "
        f"FROM label {_SOME}"
    ),
}
_STATES = {
    "sqlite": text(
        f"SELECT group_concat(state, '') FROM (SELECT state FROM label {_SOME} ORDER BY position)"
    ),
    "postgresql": text(f"SELECT string_agg(state, '' ORDER BY position) FROM label {_SOME}"),
}
_AMONG = {
    "sqlite": "position IN (SELECT value FROM json_each(:positions))",
    "postgresql": "position BETWEEN :first AND :last AND position = ANY(:positions)",
}
"""Labels by their positions. A server that has not counted the table yet (ANALYZE) would otherwise
read the whole lot for each block."""


_PLAIN = (ascii_letters + digits + "\n").encode()
"""Signs of lines that are JSON texts as they stand."""


def add_labels(connection: Connection, key: LotKey, first: int, data: bytes) -> None:
    """One allocated label per line of a `serials` part."""
    _add_lines(connection, _ADD, key, first, data)


def add_extras(connection: Connection, key: LotKey, first: int, data: bytes) -> None:
    """One row per line of an `extras` part."""
    _add_lines(connection, _ADD_EXTRAS, key, first, data)


def _add_lines(
    connection: Connection, statement: dict[str, TextClause], key: LotKey, first: int, data: bytes
) -> None:
    dialect = connection.dialect.name
    if dialect != "sqlite":
        lines = data.removesuffix(b"\n")
    elif data.translate(None, _PLAIN):
        lines = orjson.dumps(unpack_serials(data))
    else:
        lines = b'["' + data.removesuffix(b"\n").replace(b"\n", b'","') + b'"]'
    connection.execute(statement[dialect], {**key.row(), "first": first, "lines": lines.decode()})


def read_extras(connection: Connection, key: LotKey, first: int, last: int) -> tuple[int, str]:
    """How many labels of positions first..last have extras, and these, a line feed after each."""
    row = _one(connection, _EXTRAS, key, first, last)
    return row[0], (row[1] or "") + "\n" * bool(row[0])


def find_taken(
    connection: Connection, product_id: int, numbers: Sequence[str]
) -> list[tuple[str, int]]:
    """Which of these numbers the product has already, each with its lot's id."""
    dialect = connection.dialect.name
    wanted = orjson.dumps(numbers).decode() if dialect == "sqlite" else list(numbers)
    values = {"product_id": product_id, "numbers": wanted}
    return [(row[0], row[1]) for row in connection.execute(_TAKEN[dialect], values)]


def add_findings(connection: Connection, key: LotKey, take: int, seq: int, data: bytes) -> None:
    """One open finding per line of a `findings` part."""
    values = {**key.row(), "take": take, "seq": seq, "rows": data.decode()}
    connection.execute(_FIND[connection.dialect.name], values)


def add_proofs(connection: Connection, key: LotKey, take: int, seq: int, data: bytes) -> None:
    """One proof per line of a `proofs` part."""
    values = {**key.row(), "take": take, "seq": seq, "rows": data.decode()}
    connection.execute(_PROVE[connection.dialect.name], values)


def move_labels(connection: Connection, key: LotKey, moves: Sequence[MoveLabels]) -> Moved:
    """Ranges of labels from one state to another, in order; all or an error. Gives how many."""
    values = [{**key.row(), **asdict(move)} for move in moves]
    moved = connection.execute(_MOVE, values).rowcount
    expected = sum(move.last - move.first + 1 for move in moves)
    _all_moved(moved, expected, moves[0].first, moves[-1].last)
    counted: Moved = Counter()
    for move in moves:
        counted[move.source, move.target] += move.last - move.first + 1
    return counted


def settle_findings(connection: Connection, key: LotKey, settled: Sequence[SettleFindings]) -> None:
    """Every finding in these ranges is settled."""
    connection.execute(_SETTLE, [{**key.row(), **asdict(some)} for some in settled])


def set_states(connection: Connection, key: LotKey, states: States, there: frozenset[str]) -> Moved:
    """The labels of a `states` part take the part's letters; `.` leaves a label alone. Gives how
    many went from which letter to which.

    The rare letters go first, by position; the most frequent one then takes whole ranges,
    in which the others no longer are in a state that it may start from.

    Args:
        there: letters that labels of the lot have now; a statement for each that may move.
    """
    letters, counts = np.unique(states.state[states.state != UNCHANGED], return_counts=True)
    moved: Moved = Counter()
    if not len(letters):
        return moved
    most = chr(letters[counts.argmax()])
    for letter in letters.tolist():
        if chr(letter) != most:
            places = np.flatnonzero(states.state == letter) + states.first
            moved += _set_listed(connection, key, chr(letter), places, there)
    safe = [x for x in letters.tolist() if chr(x) == most or chr(x) not in INSPECTED[most]]
    inside = np.isin(states.state, safe)
    expected = int(counts.max())
    wanted = np.flatnonzero(states.state == ord(most))
    inside[: wanted[0]] = inside[wanted[-1] + 1 :] = False
    ranges = runs(np.flatnonzero(inside) + states.first)
    if len(ranges) > MOST_RANGES:
        return moved + _set_listed(connection, key, most, wanted + states.first, there)
    found: Moved = Counter()
    for source in _sources(most, there):
        statement = _set("position BETWEEN :first AND :last", source, most)
        for first, last in ranges:
            values = {**key.row(), "first": first, "last": last}
            found[source, most] += connection.execute(statement, values).rowcount
    last = states.first + len(states.state) - 1
    _all_moved(found.total(), expected, states.first, last)
    return moved + found


def _set_listed(
    connection: Connection,
    key: LotKey,
    target: str,
    places: NDArray[np.int64],
    there: frozenset[str],
) -> Moved:
    dialect = connection.dialect.name
    positions: Any = places.tolist()
    if dialect == "sqlite":
        positions = orjson.dumps(positions).decode()
    values = {**key.row(), "positions": positions}
    if dialect == "postgresql":
        values |= {"first": int(places[0]), "last": int(places[-1])}
    found: Moved = Counter()
    for source in _sources(target, there):
        statement = _set(_AMONG[dialect], source, target)
        found[source, target] = connection.execute(statement, values).rowcount
    _all_moved(found.total(), len(places), int(places[0]), int(places[-1]))
    return found


def _sources(target: str, there: frozenset[str]) -> list[str]:
    """From which letters labels may be moved to one, of those that there are."""
    return [source for source in INSPECTED[target] if source in there]


def _set(where: str, source: str, target: str) -> TextClause:
    return text(
        f"UPDATE label SET state = '{target}' WHERE {_IN_LOT} AND {where} AND state = '{source}'"
    )


def _all_moved(moved: int, expected: int, first: int, last: int) -> None:
    if moved != expected:
        raise Damaged(
            "table_differs",
            "Labels were not in the state that they have to be in.",
            where=f"label table, positions {first} to {last}",
            expected=f"{expected} labels moved",
            came=f"{moved}",
            remedy="Nothing was changed. Check the record: record verify.",
        )


class Rows(NamedTuple):
    """Labels of successive positions as the table has them.

    Attributes:
        number: how many rows.
        first, last: lowest and highest position, None for no rows.
        serials: the numbers, a line feed after each.
        states: the state letters.
    """

    number: int
    first: int | None
    last: int | None
    serials: str
    states: str


def read_rows(connection: Connection, key: LotKey, first: int, last: int) -> Rows:
    """The label rows of positions first..last."""
    row = _one(connection, _ROWS, key, first, last)
    return Rows(row[0], row[1], row[2], (row[3] or "") + "\n" * bool(row[0]), row[4] or "")


def read_states(connection: Connection, key: LotKey, first: int, last: int) -> bytes:
    """The state letters of positions first..last, one byte each."""
    found: str = _one(connection, _STATES, key, first, last)[0] or ""
    return found.encode()


def _one(
    connection: Connection, query: dict[str, TextClause], key: LotKey, first: int, last: int
) -> Any:
    """The one row that a question about positions first..last gives."""
    values = {**key.row(), "first": first, "last": last}
    return connection.execute(query[connection.dialect.name], values).one()
