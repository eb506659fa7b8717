"""Set-based SQL on labels: one statement moves up to 10,000 rows.

In SQLite numbers and positions travel as one JSON parameter, in PostgreSQL as a COPY or an array;
see DEVELOPERS.md for why these are the fast ways. Every statement is guarded by the states it may
start from and checks how many rows it changed, so that a label can never be moved by mistake.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from typing import Any, NamedTuple

import numpy as np
import orjson
from numpy.typing import NDArray
from sqlalchemy import Connection, TextClause, text
from sqlalchemy.exc import DBAPIError

from serialkeeper.errors import Damaged
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.changes import MoveLabels, SettleFindings
from serialkeeper.rules.jobs import runs
from serialkeeper.rules.moves import INSPECTED
from serialkeeper.rules.parts import (
    UNCHANGED,
    States,
    unpack_findings,
    unpack_proofs,
    unpack_serials,
)

MOST_RANGES = 1_000
"""Runs of labels in one block up to which updating range by range is the faster way."""

_IN_LOT = "product_id = :product_id AND lot_id = :lot_id"

_ADD = text(
    "INSERT INTO label (product_id, lot_id, position, serial, state) "
    "SELECT :product_id, :lot_id, :first + key, value, 'a' FROM json_each(:numbers)"
)
_ADD_EXTRAS = text(
    "INSERT INTO extra (product_id, lot_id, position, elements) "
    "SELECT :product_id, :lot_id, :first + key, value FROM json_each(:extras)"
)
_FIND = text(
    "INSERT INTO finding (product_id, lot_id, position, take, word, seen, detail, state, "
    "together, seq) "
    "SELECT :product_id, :lot_id, json_extract(value, '$[0]'), :take, json_extract(value, '$[1]'), "
    "json_extract(value, '$[2]'), json_extract(value, '$[3]'), 'open', "
    "coalesce(json_extract(value, '$[4]'), ''), :seq FROM json_each(:findings)"
)
_PROVE = text(
    "INSERT INTO proof (product_id, lot_id, position, take, seq, word, evidence, detail) "
    "SELECT :product_id, :lot_id, json_extract(value, '$[0]'), :take, :seq, "
    "json_extract(value, '$[1]'), json_extract(value, '$[2]'), json_extract(value, '$[3]') "
    "FROM json_each(:proofs)"
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
    "postgresql": "position = ANY(:positions)",
}


def add_labels(connection: Connection, key: LotKey, first: int, data: bytes) -> None:
    """One allocated label per line of a `serials` part."""
    numbers = unpack_serials(data)
    if connection.dialect.name == "sqlite":
        values = {**key.row(), "first": first, "numbers": orjson.dumps(numbers).decode()}
        connection.execute(_ADD, values)
        return
    lot = f"{key.product_id}\t{key.lot_id}"
    rows = [f"{lot}\t{place}\t{number}\ta\n" for place, number in enumerate(numbers, first)]
    with copying_into(
        connection, "label", "product_id, lot_id, position, serial, state"
    ) as copying:
        copying.write("".join(rows).replace("\\", r"\\"))


def add_extras(connection: Connection, key: LotKey, first: int, data: bytes) -> None:
    """One row per line of an `extras` part."""
    extras = unpack_serials(data)
    if connection.dialect.name == "sqlite":
        values = {**key.row(), "first": first, "extras": orjson.dumps(extras).decode()}
        connection.execute(_ADD_EXTRAS, values)
        return
    with copying_into(connection, "extra", "product_id, lot_id, position, elements") as copying:
        for place, elements in enumerate(extras, first):
            copying.write_row((key.product_id, key.lot_id, place, elements))


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
    if connection.dialect.name == "sqlite":
        values = {**key.row(), "take": take, "seq": seq, "findings": data.decode()}
        connection.execute(_FIND, values)
        return
    columns = "product_id, lot_id, position, take, word, seen, detail, state, together, seq"
    with copying_into(connection, "finding", columns) as copying:
        for one in unpack_findings(data):
            told = (one.word, one.seen, one.detail, "open", one.together, seq)
            copying.write_row((key.product_id, key.lot_id, one.position, take, *told))


def add_proofs(connection: Connection, key: LotKey, take: int, seq: int, data: bytes) -> None:
    """One proof per line of a `proofs` part."""
    if connection.dialect.name == "sqlite":
        values = {**key.row(), "take": take, "seq": seq, "proofs": data.decode()}
        connection.execute(_PROVE, values)
        return
    columns = "product_id, lot_id, position, take, seq, word, evidence, detail"
    with copying_into(connection, "proof", columns) as copying:
        for one in unpack_proofs(data):
            told = (one.word, one.evidence, one.detail)
            copying.write_row((key.product_id, key.lot_id, one.position, take, seq, *told))


@contextmanager
def copying_into(connection: Connection, table: str, columns: str) -> Iterator[Any]:
    """PostgreSQL's fastest way in, as part of the connection's transaction."""
    import psycopg

    driver = connection.connection.driver_connection
    if driver is None:
        raise RuntimeError("the connection was given back")
    try:
        with (
            driver.cursor() as cursor,
            cursor.copy(f"COPY {table} ({columns}) FROM STDIN") as copying,
        ):
            yield copying
    except psycopg.Error as error:
        # The driver's own errors, as SQLAlchemy would raise them.
        raise DBAPIError.instance(
            None, None, error, psycopg.Error, connection_invalidated=bool(driver.closed)
        ) from error


def move_labels(connection: Connection, key: LotKey, moves: Sequence[MoveLabels]) -> None:
    """Ranges of labels from one state to another, in order; all or an error."""
    values = [{**key.row(), **asdict(move)} for move in moves]
    moved = connection.execute(_MOVE, values).rowcount
    expected = sum(move.last - move.first + 1 for move in moves)
    _all_moved(moved, expected, moves[0].first, moves[-1].last)


def settle_findings(connection: Connection, key: LotKey, settled: Sequence[SettleFindings]) -> None:
    """Every finding in these ranges is settled."""
    connection.execute(_SETTLE, [{**key.row(), **asdict(some)} for some in settled])


def set_states(connection: Connection, key: LotKey, states: States) -> None:
    """The labels of a `states` part take the part's letters; `.` leaves a label alone.

    The rare letters go first, by position; the most frequent one then takes whole ranges,
    in which the others no longer are in a state that it may start from.
    """
    letters, counts = np.unique(states.state[states.state != UNCHANGED], return_counts=True)
    if not len(letters):
        return
    most = chr(letters[counts.argmax()])
    for letter in letters.tolist():
        if chr(letter) != most:
            places = np.flatnonzero(states.state == letter) + states.first
            _set_listed(connection, key, chr(letter), places)
    safe = [x for x in letters.tolist() if chr(x) == most or chr(x) not in INSPECTED[most]]
    inside = np.isin(states.state, safe)
    expected = int(counts.max())
    wanted = np.flatnonzero(states.state == ord(most))
    inside[: wanted[0]] = inside[wanted[-1] + 1 :] = False
    ranges = runs(np.flatnonzero(inside) + states.first)
    if len(ranges) > MOST_RANGES:
        _set_listed(connection, key, most, wanted + states.first)
        return
    where = f"position BETWEEN :first AND :last AND state IN ({_quoted(most)})"
    statement = text(f"UPDATE label SET state = '{most}' WHERE {_IN_LOT} AND {where}")
    moved = 0
    for first, last in ranges:
        values = {**key.row(), "first": first, "last": last}
        moved += connection.execute(statement, values).rowcount
    _all_moved(moved, expected, states.first, states.first + len(states.state) - 1)


def _set_listed(
    connection: Connection, key: LotKey, target: str, places: NDArray[np.int64]
) -> None:
    dialect = connection.dialect.name
    where = f"{_AMONG[dialect]} AND state IN ({_quoted(target)})"
    statement = text(f"UPDATE label SET state = '{target}' WHERE {_IN_LOT} AND {where}")
    positions: Any = places.tolist()
    if dialect == "sqlite":
        positions = orjson.dumps(positions).decode()
    moved = connection.execute(statement, {**key.row(), "positions": positions}).rowcount
    _all_moved(moved, len(places), int(places[0]), int(places[-1]))


def _quoted(target: str) -> str:
    return ",".join(f"'{source}'" for source in INSPECTED[target])


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
