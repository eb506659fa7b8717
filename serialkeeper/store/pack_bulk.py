"""Set-based SQL on what is in what: one statement a chunk, each checked by its row count.

In SQLite ids and texts travel as one JSON parameter, in PostgreSQL as an array.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, NamedTuple

import orjson
from sqlalchemy import Connection, text

from serialkeeper.errors import Damaged
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.changes import MovePacks, PutUnits, TakeUnits
from serialkeeper.rules.parts import unpack_packs

_IN_LOT = "product_id = :product_id AND lot_id = :lot_id"
_FILL = {
    "sqlite": text(
        "INSERT INTO packed (product_id, lot_id, position, pack_lot, pack) "
        "SELECT :product_id, :lot_id, :first + key, :lot_id, value FROM json_each(:packs) "
        "WHERE value > 0"
    ),
    "postgresql": text(
        "INSERT INTO packed (product_id, lot_id, position, pack_lot, pack) "
        "SELECT :product_id, :lot_id, :first + place - 1, :lot_id, pack "
        "FROM unnest(CAST(:packs AS integer[])) WITH ORDINALITY AS told (pack, place) "
        "WHERE pack > 0"
    ),
}
_PUT = text(
    "INSERT INTO packed (product_id, lot_id, position, pack_lot, pack) "
    f"SELECT product_id, lot_id, position, :pack_lot, :pack FROM label WHERE {_IN_LOT} "
    "AND position BETWEEN :first AND :last AND state = 'c'"
)
_TAKE = text(
    f"DELETE FROM packed WHERE {_IN_LOT} AND position BETWEEN :first AND :last "
    "AND pack_lot = :pack_lot AND pack = :pack"
)
_MOVE = text(
    f"UPDATE pack SET parent_lot = :target_lot, parent = :target WHERE {_IN_LOT} "
    "AND id BETWEEN :first AND :last AND parent_lot = :source_lot AND parent = :source"
)
_WANTED = {
    "sqlite": "json_each(:wanted) AS wanted CROSS JOIN",
    "postgresql": "unnest(CAST(:wanted AS text[])) AS wanted (value) JOIN",
}
_UNITS = (
    "SELECT label.serial, label.lot_id, label.position, label.state, "
    "coalesce(packed.pack_lot, 0), coalesce(packed.pack, 0) FROM {wanted} label "
    "ON label.serial = wanted.value {c} AND label.product_id = :product_id "
    "LEFT JOIN packed ON packed.product_id = label.product_id "
    "AND packed.lot_id = label.lot_id AND packed.position = label.position"
)
_INSIDE = text(
    "SELECT label.serial, label.lot_id, label.position, label.state, packed.pack_lot, "
    "packed.pack FROM packed JOIN label ON label.product_id = packed.product_id "
    "AND label.lot_id = packed.lot_id AND label.position = packed.position "
    "WHERE packed.product_id = :product_id AND packed.pack_lot = :pack_lot "
    "AND packed.pack BETWEEN :first AND :last ORDER BY packed.pack, label.lot_id, label.position"
)


class Unit(NamedTuple):
    """A label and the pack that it is in, 0 for none."""

    serial: str
    lot_id: int
    position: int
    state: str
    pack_lot: int
    pack: int


class Pack(NamedTuple):
    """A row of the table of packs; a lot may have many, and models are slow to make."""

    product_id: int
    lot_id: int
    id: int
    level: str
    key: str
    state: str
    parent_lot: int
    parent: int


def fill(connection: Connection, key: LotKey, first: int, data: bytes) -> None:
    """One row per unit of a `packs` part that goes into a pack."""
    packs, dialect = unpack_packs(data), connection.dialect.name
    told: Any = packs.tolist()
    if dialect == "sqlite":
        told = orjson.dumps(told).decode()
    moved = connection.execute(_FILL[dialect], {**key.row(), "first": first, "packs": told})
    _check(moved.rowcount, int((packs > 0).sum()), f"positions from {first}")


def put(connection: Connection, key: LotKey, some: Sequence[PutUnits]) -> None:
    """Commissioned, loose units go into packs; all or an error."""
    moved = connection.execute(_PUT, [{**key.row(), **asdict(one)} for one in some]).rowcount
    _check(moved, sum(one.last - one.first + 1 for one in some), f"positions from {some[0].first}")


def take(connection: Connection, key: LotKey, some: Sequence[TakeUnits]) -> None:
    """Units leave the packs that they are in; all or an error."""
    moved = connection.execute(_TAKE, [{**key.row(), **asdict(one)} for one in some]).rowcount
    _check(moved, sum(one.last - one.first + 1 for one in some), f"positions from {some[0].first}")


def move(connection: Connection, key: LotKey, some: Sequence[MovePacks]) -> None:
    """Packs go from one pack around them to another; all or an error."""
    moved = connection.execute(_MOVE, [{**key.row(), **asdict(one)} for one in some]).rowcount
    _check(moved, sum(one.last - one.first + 1 for one in some), f"packs from {some[0].first}")


def _check(moved: int, expected: int, where: str) -> None:
    if moved != expected:
        raise Damaged(
            "table_differs",
            "Units or packs were not where they have to be.",
            where=where,
            expected=f"{expected} moved",
            came=str(moved),
            remedy="Nothing was changed. Check the record: record verify.",
        )


def find_units(connection: Connection, product_id: int, serials: Sequence[str]) -> dict[str, Unit]:
    """Those of these numbers that the product has, each with the pack that it is in."""
    dialect = connection.dialect.name
    collate = "" if dialect == "sqlite" else 'COLLATE "C"'
    statement = text(_UNITS.format(wanted=_WANTED[dialect], c=collate))
    wanted: Any = orjson.dumps(list(serials)).decode() if dialect == "sqlite" else list(serials)
    rows = connection.execute(statement, {"product_id": product_id, "wanted": wanted})
    return {row[0]: Unit(*row) for row in rows}


def units_inside(
    connection: Connection, product_id: int, pack_lot: int, first: int, last: int
) -> list[Unit]:
    """The units in the packs with these ids of a lot, by pack."""
    values = {"product_id": product_id, "pack_lot": pack_lot, "first": first, "last": last}
    return [Unit(*row) for row in connection.execute(_INSIDE, values)]
