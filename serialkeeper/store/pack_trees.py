"""A pack and everything in it and around it, as plain data."""

from __future__ import annotations

from typing import Any

from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.levels import level_named, levels_of
from serialkeeper.rules.moves import State
from serialkeeper.rules.pack_tree import describe_lots
from serialkeeper.store.pack_bulk import Pack, Unit
from serialkeeper.store.packs import around, tree_of, units_inside
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View


def describe_pack(view: View, pack: Pack) -> dict[str, Any]:
    """A pack as plain data, with everything in it and around it; see `steps.contents.show`."""
    there = tree_of(view, pack)
    units: dict[tuple[int, int], list[Unit]] = {}
    for unit in units_inside(view, there):
        units.setdefault((unit.pack_lot, unit.pack), []).append(unit)
    inside: dict[tuple[int, int], list[Pack]] = {}
    for one in there[1:]:
        inside.setdefault((one.parent_lot, one.parent), []).append(one)
    ids = {one.lot_id for one in there} | {unit.lot_id for some in units.values() for unit in some}
    lots = {id_: view.lot_at(LotKey(pack.product_id, id_)) for id_ in ids}
    told = _node(pack, inside, units, lots)
    outer = around(view, pack)
    told["around"] = [
        {"key": one.key, "level": one.level, "state": one.state, "lot": _lot(view, one).number}
        for one in outer
    ]
    counts: dict[int, int] = {}
    for some in units.values():
        for unit in some:
            counts[unit.lot_id] = counts.get(unit.lot_id, 0) + 1
    told["units"] = sum(counts.values())
    told["contents"] = describe_lots(
        [(lots[id_].number, lots[id_].expiry, count) for id_, count in counts.items()]
    )
    told["doubtful"] = [
        {"serial": unit.serial, "lot": lots[unit.lot_id].number, "position": unit.position}
        for some in units.values()
        for unit in some
        if unit.state != State.COMMISSIONED
    ]
    return told


def _lot(view: View, pack: Pack) -> Lot:
    return view.lot_at(LotKey(pack.product_id, pack.lot_id))


def _node(
    pack: Pack,
    inside: dict[tuple[int, int], list[Pack]],
    units: dict[tuple[int, int], list[Unit]],
    lots: dict[int, Lot],
) -> dict[str, Any]:
    lot, place = lots[pack.lot_id], (pack.lot_id, pack.id)
    holds = level_named(levels_of(lot.packs), pack.level, lot.full_name).holds
    children: list[dict[str, Any]] = [
        _node(one, inside, units, lots) for one in inside.get(place, ())
    ]
    children += [
        {
            "serial": unit.serial,
            "lot": lots[unit.lot_id].number,
            "position": unit.position,
            "state": State(unit.state).word,
        }
        for unit in units.get(place, ())
    ]
    return {
        "key": pack.key,
        "level": pack.level,
        "state": pack.state,
        "lot": lot.number,
        "gtin": lot.gtin,
        "holds": holds,
        "held": len(children),
        "full": len(children) == holds,
        "children": children,
    }
