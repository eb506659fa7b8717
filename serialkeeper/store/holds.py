"""Holds as the record knows them."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select

from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.holds import Hold
from serialkeeper.store.pack_tables import HoldRow
from serialkeeper.store.tables import Lot, table_of
from serialkeeper.store.view import View


def holds_of(view: View, key: LotKey) -> list[Hold]:
    """The holds of a lot that stand."""
    return standing(view, key.product_id, key.lot_id).get(key.lot_id, [])


def standing(view: View, product_id: int, lot_id: int = 0) -> dict[int, list[Hold]]:
    """The holds that stand, by lot; of one lot only, if it is named."""
    table, lots = table_of(HoldRow), table_of(Lot)
    c = table.c
    query = (
        select(table, lots.c.number)
        .join(lots, (lots.c.product_id == c.product_id) & (lots.c.id == c.lot_id))
        .where(c.product_id == product_id, c.lifted_at == "")
        .order_by(c.lot_id, c.id)
    )
    if lot_id:
        query = query.where(c.lot_id == lot_id)
    found: dict[int, list[Hold]] = {}
    for row in view.connection.execute(query).mappings():
        found.setdefault(row["lot_id"], []).append(_hold(dict(row)))
    return found


def _hold(row: dict[str, Any]) -> Hold:
    kept = {name: row[name] for name in ("id", "what", "pack", "reference", "reason", "by", "at")}
    pieces = [piece.split("-") for piece in row["positions"].split()]
    runs = tuple((int(first), int(last)) for first, last in pieces)
    return Hold(lot_id=row["lot_id"], lot=row["number"], runs=runs, **kept)
