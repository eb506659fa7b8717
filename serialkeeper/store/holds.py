"""Holds as the record knows them, and which packs hold something that is held.

A step that rests on them reads them within its work: a hold is placed and lifted under the lock of
the lot whose journal tells it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields

import numpy as np
from sqlalchemy import ColumnElement, func, select, text

from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.holds import Hold
from serialkeeper.store.hold_tables import HoldRow
from serialkeeper.store.tables import Lot, table_of
from serialkeeper.store.view import View

AT_ONCE = 1_000
"""Packs whose units are looked through together."""

_UNITS = text(
    "SELECT pack, lot_id, position FROM packed WHERE product_id = :product "
    "AND pack_lot = :lot AND pack BETWEEN :first AND :last"
)
_GONE = text(
    "WITH RECURSIVE gone (lot_id, id) AS (SELECT lot_id, id FROM pack "
    "WHERE product_id = :product AND state = 'shipped' UNION ALL "
    "SELECT pack.lot_id, pack.id FROM gone JOIN pack ON pack.product_id = :product "
    "AND pack.parent_lot = gone.lot_id AND pack.parent = gone.id) "
    "SELECT packed.position FROM packed JOIN gone ON packed.pack_lot = gone.lot_id "
    "AND packed.pack = gone.id WHERE packed.product_id = :product AND packed.lot_id = :lot"
)


def open_holds(view: View, product_id: int, *lots: int) -> list[Hold]:
    """The open holds of a product, or of these lots of it only, in order."""
    c = table_of(HoldRow).c
    which = [c.product_id == product_id, c.lifted_at == ""]
    if lots:
        which.append(c.lot_id.in_(lots))
    return _read(view, *which)


def all_holds(view: View, key: LotKey | None = None, *, lifted: bool = False) -> list[Hold]:
    """The holds of a lot, or of all, in order; lifted ones, too, if asked for."""
    c = table_of(HoldRow).c
    which: list[ColumnElement[bool]] = []
    if key:
        which += [c.product_id == key.product_id, c.lot_id == key.lot_id]
    if not lifted:
        which.append(c.lifted_at == "")
    return _read(view, *which)


def _read(view: View, *which: ColumnElement[bool]) -> list[Hold]:
    table, lot = table_of(HoldRow), table_of(Lot)
    own = [table.c[one.name] for one in fields(Hold) if one.name != "lot"]
    query = (
        select(*own, lot.c.number.label("lot"))
        .join_from(
            table, lot, (lot.c.product_id == table.c.product_id) & (lot.c.id == table.c.lot_id)
        )
        .where(*which)
        .order_by(table.c.product_id, table.c.lot_id, table.c.id)
    )
    return [Hold(**row) for row in view.connection.execute(query).mappings()]


def last_hold(view: View, key: LotKey) -> int:
    """The highest number of a lot's holds; new ones take the numbers after it."""
    c = table_of(HoldRow).c
    query = select(func.coalesce(func.max(c.id), 0)).where(
        c.product_id == key.product_id, c.lot_id == key.lot_id
    )
    return int(view.connection.execute(query).scalar_one())


def holding_packs(
    view: View, product_id: int, lot_id: int, ids: Iterable[Sequence[int]], holds: Sequence[Hold]
) -> Iterator[tuple[int, Hold]]:
    """Which packs hold units directly that a hold on labels covers: id and hold.

    Args:
        lot_id: the lot that the packs were made in.
        ids: first and last id of each run of packs.
        holds: open ones; those on lots and packs are passed over.
    """
    some = [one for one in holds if one.positions]
    for start, stop in ids if some else ():
        for first in range(start, stop + 1, AT_ONCE):
            last = min(first + AT_ONCE - 1, stop)
            values = {"product": product_id, "lot": lot_id, "first": first, "last": last}
            rows = [tuple(row) for row in view.connection.execute(_UNITS, values)]
            told = np.array(rows, dtype=np.int64).reshape(-1, 3)
            for one in some:
                mine = told[told[:, 1] == one.lot_id]
                if len(mine):
                    places = mine[:, 2]
                    lowest = int(places.min())
                    hit = one.mask(lowest, int(places.max()))[places - lowest]
                    yield from ((int(pack), one) for pack in np.unique(mine[hit, 0]))


def count_gone(view: View, key: LotKey, hold: Hold) -> int:
    """How many of the lot's units that a hold covers left in shipped packs before it."""
    values = {"product": key.product_id, "lot": key.lot_id}
    places = np.array(list(view.connection.execute(_GONE, values).scalars()), dtype=np.int64)
    if hold.pack or not len(places):
        return 0
    lowest = int(places.min())
    return int(hold.mask(lowest, int(places.max()))[places - lowest].sum())
