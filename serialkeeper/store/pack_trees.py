"""A pack and everything in it and around it, as plain data."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import select

from serialkeeper.rules.chain import Entry, LotKey
from serialkeeper.rules.holds import Hold, in_order, on_label, on_pack
from serialkeeper.rules.levels import level_named, levels_of
from serialkeeper.rules.moves import State
from serialkeeper.rules.pack_tree import describe_lots
from serialkeeper.store.holds import open_holds
from serialkeeper.store.pack_bulk import Pack, Unit, find_units
from serialkeeper.store.pack_tables import Packed, PackRow
from serialkeeper.store.packs import around, contents_of, pack_at, tree_of, units_inside
from serialkeeper.store.tables import Label, Lot, table_of
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
    holds = open_holds(view, pack.product_id)
    told = _node(pack, inside, units, lots, holds)
    outer = around(view, pack)
    told["on_hold"] = [one.describe() for one in holds_about(view, pack, outer, holds)]
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


def holds_about(view: View, pack: Pack, outer: Iterable[Pack], holds: Sequence[Hold]) -> list[Hold]:
    """The open holds on a pack, on anything in it, and on the packs around it."""
    found = set(contents_of(view, [pack], holds)[pack.lot_id, pack.id].holds) if holds else set()
    found.update(one for above in outer for one in on_pack(holds, above.lot_id, above.id))
    return in_order(found)


def holds_on_unit(view: View, label: Label) -> list[Hold]:
    """The open holds on a label: on its lot, on itself, on the packs around it."""
    holds = open_holds(view, label.product_id)
    found = on_label(holds, label.lot_id, label.position)
    if any(one.pack for one in holds):
        unit = find_units(view.connection, label.product_id, [label.serial])[label.serial]
        if unit.pack:
            pack = pack_at(view, label.product_id, unit.pack_lot, unit.pack)
            for one in (pack, *around(view, pack)):
                found += on_pack(holds, one.lot_id, one.id)
    return in_order(found)


def holds_on_lot(view: View, lot: Lot) -> list[Hold]:
    """The open holds that the lot's journal tells, and those on packs of other lots that hold
    units of it."""
    holds = open_holds(view, lot.product_id)
    found = [one for one in holds if one.lot_id == lot.id]
    for one in holds:
        if one.pack and one.lot_id != lot.id:
            pack = pack_at(view, lot.product_id, one.lot_id, one.pack)
            if contents_of(view, [pack], ())[pack.lot_id, pack.id].units.get(lot.id):
                found.append(one)
    return in_order(found)


def last_shipped(view: View, lot: Lot) -> dict[str, Any] | None:
    """How many packs that hold units of a lot left, and when the last one did."""
    times: list[str] = []
    for home in sorted(_homes_of(view, lot)):
        shipped = shipments_of(view, LotKey(lot.product_id, home))
        some = [pack_at(view, lot.product_id, home, id_) for id_ in shipped]
        if home != lot.id and some:
            inner = contents_of(view, some, ())
            some = [one for one in some if inner[home, one.id].units.get(lot.id)]
        times += [shipped[one.id].at for one in some]
    return {"packs": len(times), "last": max(times)} if times else None


def shipments_of(view: View, key: LotKey) -> dict[int, Entry]:
    """The packs of a lot's chain that left, each with the entry that says so."""
    shipped: dict[int, Entry] = {}
    for entry in view.entries(key, verbs=("packs shipped", "shipping voided")):
        if entry.verb == "packs shipped":
            shipped |= dict.fromkeys(entry.data["packs"], entry)
        elif entry.verb == "shipping voided":
            shipped = {id_: at for id_, at in shipped.items() if id_ not in entry.data["packs"]}
    return shipped


def _homes_of(view: View, lot: Lot) -> set[int]:
    """The lots in which packs around units of this lot were made, and the lot itself."""
    packed, pack = table_of(Packed).c, table_of(PackRow).c
    query = (
        select(packed.pack_lot)
        .where(packed.product_id == lot.product_id, packed.lot_id == lot.id)
        .distinct()
    )
    found, new = {lot.id}, {row[0] for row in view.connection.execute(query)} | {lot.id}
    while new:
        found |= new
        outer = (
            select(pack.parent_lot)
            .where(pack.product_id == lot.product_id, pack.lot_id.in_(sorted(new)))
            .where(pack.parent_lot != 0)
            .distinct()
        )
        new = {row[0] for row in view.connection.execute(outer)} - found
    return found


def _lot(view: View, pack: Pack) -> Lot:
    return view.lot_at(LotKey(pack.product_id, pack.lot_id))


def _node(
    pack: Pack,
    inside: dict[tuple[int, int], list[Pack]],
    units: dict[tuple[int, int], list[Unit]],
    lots: dict[int, Lot],
    holds: Sequence[Hold],
) -> dict[str, Any]:
    lot, place = lots[pack.lot_id], (pack.lot_id, pack.id)
    level = level_named(levels_of(lot.packs), pack.level, lot.full_name)
    children: list[dict[str, Any]] = [
        _node(one, inside, units, lots, holds) for one in inside.get(place, ())
    ]
    children += [
        {
            "serial": unit.serial,
            "lot": lots[unit.lot_id].number,
            "position": unit.position,
            "state": State(unit.state).word,
            "held_by": [one.name for one in on_label(holds, unit.lot_id, unit.position)],
        }
        for unit in units.get(place, ())
    ]
    return {
        "key": pack.key,
        "level": pack.level,
        "state": pack.state,
        "lot": lot.number,
        "gtin": lot.gtin,
        "holds": level.holds,
        "held": len(children),
        "full": len(children) == level.holds,
        "held_by": [one.name for one in on_pack(holds, *place)],
        "children": children,
    }
