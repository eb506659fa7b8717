"""Packs as the record knows them: found by a scan, what is in them, what is around them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import orjson
from numpy.typing import NDArray
from sqlalchemy import func, select, text

from serialkeeper.errors import Refused
from serialkeeper.rules import packs
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.gs1 import to_file, write_date
from serialkeeper.rules.holds import Hold, in_order, on_label, on_lot, on_pack
from serialkeeper.rules.jobs import runs
from serialkeeper.rules.levels import Level, inside, level_named, levels_of
from serialkeeper.rules.moves import State
from serialkeeper.rules.packs import UNIT, Child, Named, Target
from serialkeeper.store import pack_bulk
from serialkeeper.store.holds import holding_packs, open_holds
from serialkeeper.store.pack_bulk import Pack, Unit
from serialkeeper.store.pack_tables import Packed, PackLabel, PackRow, SsccStock
from serialkeeper.store.tables import Label, Lot, made_of, table_of
from serialkeeper.store.view import View

_PACK = ", ".join(f"pack.{column}" for column in Pack._fields)
_BY_KEY = {
    "sqlite": text(
        f"SELECT {_PACK} FROM json_each(:wanted) AS wanted "
        "CROSS JOIN pack ON pack.key = wanted.value"
    ),
    "postgresql": text(
        f"SELECT {_PACK} FROM unnest(CAST(:wanted AS text[])) AS wanted (value) "
        'JOIN pack ON pack.key = wanted.value COLLATE "C"'
    ),
}


def find_packs(view: View, keys: Sequence[str]) -> dict[str, Pack]:
    """Those of these keys that name packs of the record."""
    dialect = view.connection.dialect.name
    wanted: Any = orjson.dumps(list(keys)).decode() if dialect == "sqlite" else list(keys)
    rows = view.connection.execute(_BY_KEY[dialect], {"wanted": wanted})
    return {pack.key: pack for pack in (Pack(*row) for row in rows)}


def named_pack(view: View, name: str, this_year: int) -> Pack:
    """The pack that a key or a scan names. Refuses `pack_unknown`, and a malformed text."""
    (named,) = packs.read_names([name], this_year=this_year)
    if named.wrong:
        raise named.wrong
    found = find_packs(view, [named.pack_key]) if named.pack_key else {}
    if not found:
        if named.sscc:
            packs.check_key(named.sscc)
        raise packs.unknown_pack(name)
    return found[named.pack_key]


def pack_at(view: View, product_id: int, lot_id: int, pack: int) -> Pack:
    """One pack by its id."""
    table = table_of(PackRow)
    row = view.connection.execute(
        select(table).where(
            table.c.product_id == product_id, table.c.lot_id == lot_id, table.c.id == pack
        )
    )
    return Pack(*row.one())


def around(view: View, pack: Pack) -> list[Pack]:
    """The packs around a pack, from the inside out."""
    found = []
    while pack.parent:
        pack = pack_at(view, pack.product_id, pack.parent_lot, pack.parent)
        found.append(pack)
    return found


def packs_inside(view: View, parents: Iterable[Pack]) -> list[Pack]:
    """The packs that stand directly in these, by the pack around them."""
    table = table_of(PackRow)
    c, found = table.c, []
    for (product, lot), ids in _by_lot(parents).items():
        for first, last in runs(ids):
            query = (
                select(table)
                .where(c.product_id == product, c.parent_lot == lot)
                .where(c.parent.between(first, last))
                .order_by(c.parent, c.lot_id, c.id)
            )
            found += [Pack(*row) for row in view.connection.execute(query)]
    return found


def tree_of(view: View, pack: Pack) -> list[Pack]:
    """A pack and all packs in it, from the outside in."""
    found, below = [pack], [pack]
    while below:
        below = packs_inside(view, below)
        found += below
    return found


def units_inside(view: View, parents: Iterable[Pack]) -> list[Unit]:
    """The units that are directly in these packs."""
    return [
        unit
        for (product, lot), ids in _by_lot(parents).items()
        for first, last in runs(ids)
        for unit in pack_bulk.units_inside(view.connection, product, lot, first, last)
    ]


def _by_lot(some: Iterable[Pack]) -> dict[tuple[int, int], list[int]]:
    found: dict[tuple[int, int], list[int]] = {}
    for pack in some:
        found.setdefault((pack.product_id, pack.lot_id), []).append(pack.id)
    return {lot: sorted(ids) for lot, ids in found.items()}


@dataclass
class Contents:
    """What is in a pack, counted.

    Attributes:
        direct: things directly in it.
        units: units by lot id, however deep.
        doubtful: units that are not commissioned any more, however deep.
        full: whether it and every pack in it is full.
        homes: the lots that it and all packs in it were made in.
        holds: open holds on it or on anything in it, be it by the lot.
    """

    direct: int = 0
    units: dict[int, int] = field(default_factory=dict)
    doubtful: int = 0
    full: bool = True
    homes: set[int] = field(default_factory=set)
    holds: set[Hold] = field(default_factory=set)


def contents_of(
    view: View, some: Sequence[Pack], holds: Sequence[Hold] | None = None
) -> dict[tuple[int, int], Contents]:
    """What is in each of these packs, all of one product, by lot and id.

    Args:
        holds: the product's open holds, where they are known already.
    """
    if not some:
        return {}
    holds = open_holds(view, some[0].product_id) if holds is None else holds
    found = {(pack.lot_id, pack.id): Contents(homes={pack.lot_id}) for pack in some}
    below = packs_inside(view, some)
    deeper = contents_of(view, below, holds)
    for pack in below:
        here, there = found[pack.parent_lot, pack.parent], deeper[pack.lot_id, pack.id]
        here.direct += 1
        for unit_lot, count in there.units.items():
            here.units[unit_lot] = here.units.get(unit_lot, 0) + count
        here.doubtful += there.doubtful
        here.full &= there.full
        here.homes |= there.homes
        here.holds |= there.holds
    for (product, lot), ids in _by_lot(some).items():
        for first, last in runs(ids):
            for pack_id, unit_lot, count, bad in _counted(view, product, lot, first, last):
                here = found[lot, pack_id]
                here.direct += count
                here.units[unit_lot] = here.units.get(unit_lot, 0) + count
                here.doubtful += bad
    levels = {lot: levels_of(view.lot_at(LotKey(p, lot)).packs) for p, lot in _by_lot(some)}
    for pack in some:
        here = found[pack.lot_id, pack.id]
        level = level_named(levels[pack.lot_id], pack.level, pack.key)
        here.full &= here.direct == level.holds
    if holds:
        _note_holds(view, some, found, holds)
    return found


def _note_holds(
    view: View,
    some: Sequence[Pack],
    found: dict[tuple[int, int], Contents],
    holds: Sequence[Hold],
) -> None:
    """Add the holds on these packs themselves, and on the units directly in them."""
    for pack in some:
        here = found[pack.lot_id, pack.id]
        here.holds.update(on_pack(holds, pack.lot_id, pack.id))
        for lot_id in {*here.units, pack.lot_id}:
            here.holds.update(on_lot(holds, lot_id))
    for (product, lot), ids in _by_lot(some).items():
        for pack_id, one in holding_packs(view, product, lot, runs(ids), holds):
            found[lot, pack_id].holds.add(one)


_COUNT = text(
    "SELECT packed.pack, packed.lot_id, count(*), "
    "sum(CASE WHEN label.state = 'c' THEN 0 ELSE 1 END) FROM packed "
    "JOIN label ON label.product_id = packed.product_id AND label.lot_id = packed.lot_id "
    "AND label.position = packed.position WHERE packed.product_id = :product "
    "AND packed.pack_lot = :lot AND packed.pack BETWEEN :first AND :last "
    "GROUP BY packed.pack, packed.lot_id"
)


def _counted(
    view: View, product: int, lot: int, first: int, last: int
) -> Iterable[tuple[int, int, int, int]]:
    values = {"product": product, "lot": lot, "first": first, "last": last}
    for row in view.connection.execute(_COUNT, values):
        yield row[0], row[1], row[2], int(row[3])


def find_children(
    view: View, product_id: int, gtin: str, names: Sequence[Named]
) -> list[Child | Refused]:
    """What each text names in the record, or why it names nothing that can be packed.

    Args:
        product_id, gtin: the product that is packed.
        names: from `rules.packs.read_names`.
    """
    serials = {one.serial for one in names if one.serial and one.gtin in ("", gtin)}
    keys = {one.pack_key for one in names if one.pack_key and one.gtin != gtin}
    units = pack_bulk.find_units(view.connection, product_id, sorted(serials))
    there = find_packs(view, sorted(keys)) if keys else {}
    holds = open_holds(view, product_id)
    mine = [pack for pack in there.values() if pack.product_id == product_id]
    inner = contents_of(view, mine, holds)
    holders = _keys_around(view, product_id, units.values(), there.values())
    of = {unit.lot_id for unit in units.values()}.union(*(one.units for one in inner.values()))
    lots = {lot_id: view.lot_at(LotKey(product_id, lot_id)) for lot_id in of}
    found: list[Child | Refused] = []
    for one in names:
        unit = units.get(one.serial) if one.gtin in ("", gtin) else None
        pack = there.get(one.pack_key) if one.gtin != gtin else None
        if one.wrong or (unit and pack):
            found.append(one.wrong or _two_meanings(one))
        elif unit:
            holder = holders.get((unit.pack_lot, unit.pack), "")
            found.append(_unit(one, unit, lots[unit.lot_id], holder, holds))
        elif pack and pack.product_id == product_id:
            holder = holders.get((pack.parent_lot, pack.parent), "")
            found.append(_pack(one, pack, inner[pack.lot_id, pack.id], lots, holder))
        else:
            found.append(_nothing(one, gtin, other=pack is not None))
    return found


def _keys_around(
    view: View, product_id: int, units: Iterable[Unit], some: Iterable[Pack]
) -> dict[tuple[int, int], str]:
    """The keys of the packs that these are in."""
    wanted = {(unit.pack_lot, unit.pack) for unit in units if unit.pack}
    wanted |= {(pack.parent_lot, pack.parent) for pack in some if pack.parent}
    return {one: pack_at(view, product_id, *one).key for one in wanted}


def _unit(one: Named, unit: Unit, lot: Lot, holder: str, holds: Sequence[Hold]) -> Child | Refused:
    wanted = {"10": lot.number, "17": write_date(date.fromisoformat(lot.expiry))}
    for ai, value in one.facts:
        if value != wanted[ai]:
            return Refused(
                "not_packable",
                "The code contradicts the record of the label that it names.",
                where=f"lot {lot.number}, position {unit.position}",
                expected=f"({ai}){wanted[ai]}",
                came=f"{to_file(one.text)}",
                remedy="Put the unit aside: its label is not the one that was issued.",
            )
    lots = ((lot.id, lot.number),)
    name, covering = to_file(one.text), tuple(on_label(holds, lot.id, unit.position))
    place = (lot.id, unit.position, unit.state)
    return Child(name, UNIT, unit.serial, *place, holder, lots, holds=covering)


def _pack(one: Named, pack: Pack, inner: Contents, lots: dict[int, Lot], holder: str) -> Child:
    of = tuple((id_, lots[id_].number) for id_ in sorted(inner.units))
    return Child(
        to_file(one.text),
        pack.level,
        pack.key,
        pack.lot_id,
        pack.id,
        pack.state,
        holder,
        of,
        inner.full,
        inner.doubtful > 0,
        frozenset(inner.homes),
        tuple(in_order(inner.holds)),
    )


def _two_meanings(one: Named) -> Refused:
    return Refused(
        "scan_doubtful",
        "A label has this as its number, and a pack as its SSCC.",
        expected="the whole code",
        came=one.text,
        remedy="Scan the symbol instead of typing digits.",
    )


def _nothing(one: Named, gtin: str, *, other: bool) -> Refused:
    if other or (one.gtin and one.gtin != gtin):
        return Refused(
            "not_packable",
            "It is of another product, or no pack of this one.",
            expected=f"product {gtin}",
            came=to_file(one.text),
            remedy="Put it aside, and find out where it came from.",
        )
    if one.sscc:
        try:
            packs.check_key(one.sscc)
        except Refused as wrong:
            return wrong
        return packs.unknown_pack(one.text)
    return Refused(
        "label_unknown",
        "The product has no such number in the record.",
        where=f"product {gtin}",
        expected="a number of the product, or a pack of it",
        came=to_file(one.text),
        remedy="Scan it again; if it is really there, put the unit aside.",
    )


def children_at(view: View, lot: Lot, ranges: Sequence[Sequence[int]]) -> list[Child | Refused]:
    """The units at these positions of a lot."""
    serials = [
        serial
        for first, last in ranges
        for serial in view.serials(LotKey(lot.product_id, lot.id), first, last - first + 1)
    ]
    names = [Named(serial, serial=serial) for serial in serials]
    return find_children(view, lot.product_id, lot.gtin, names)


def target_of(view: View, pack: Pack) -> Target:
    """A pack as something that other things go into."""
    lot = view.lot_at(LotKey(pack.product_id, pack.lot_id))
    levels = levels_of(lot.packs)
    level = level_named(levels, pack.level, lot.full_name)
    holds = open_holds(view, pack.product_id)
    outer = around(view, pack)
    told = tuple((_level_of(view, one), one.key, one.state) for one in outer)
    inner = contents_of(view, [pack], holds)[pack.lot_id, pack.id]
    still = {one for one in inner.holds if one.pack}
    still.update(one for above in outer for one in on_pack(holds, above.lot_id, above.id))
    below = inside(levels, level)
    return Target(
        pack.key,
        level,
        below,
        lot.id,
        lot.number,
        told,
        inner.direct,
        pack.state,
        tuple(in_order(still)),
    )


def _level_of(view: View, pack: Pack) -> Level:
    lot = view.lot_at(LotKey(pack.product_id, pack.lot_id))
    return level_named(levels_of(lot.packs), pack.level, lot.full_name)


def packs_of(view: View, key: LotKey, **more: Any) -> list[Pack]:
    """The packs that were made in a lot: all, or those whose columns have these values."""
    table = table_of(PackRow)
    matches = [table.c[name] == value for name, value in {**key.row(), **more}.items()]
    query = select(table).where(*matches).order_by(table.c.id)
    return [Pack(*row) for row in view.connection.execute(query)]


def labels_of(view: View, pack: Pack) -> list[PackLabel]:
    """The labels that were made for a pack, in order."""
    return view.pack_labels(LotKey(pack.product_id, pack.lot_id), pack.id)


def last_pack(view: View, key: LotKey) -> int:
    """The highest id of a lot's packs; new ones take the ids after it."""
    c = table_of(PackRow).c
    query = select(func.coalesce(func.max(c.id), 0)).where(
        c.product_id == key.product_id, c.lot_id == key.lot_id
    )
    return int(view.connection.execute(query).scalar_one())


def stock_of(view: View, key: LotKey, company: str, extension: int) -> list[SsccStock]:
    """The ranges of SSCCs in a lot's hands that are not used up."""
    table = table_of(SsccStock)
    query = (
        select(table)
        .where(table.c.product_id == key.product_id, table.c.lot_id == key.lot_id)
        .where(table.c.company == company, table.c.extension == extension)
        .where(table.c.used < table.c["count"])
        .order_by(table.c.id)
    )
    return [made_of(row, SsccStock) for row in view.connection.execute(query).mappings()]


def count_packed(view: View, key: LotKey) -> int:
    """How many of a lot's units are in packs."""
    c = table_of(Packed).c
    query = select(func.count()).where(c.product_id == key.product_id, c.lot_id == key.lot_id)
    return int(view.connection.execute(query).scalar_one())


def count_doubtful(view: View, key: LotKey) -> int:
    """How many of a lot's units in packs are not good any more."""
    c, label = table_of(Packed).c, table_of(Label).c
    query = select(func.count()).where(
        label.product_id == key.product_id,
        label.lot_id == key.lot_id,
        label.state != State.COMMISSIONED.value,
        c.product_id == label.product_id,
        c.lot_id == label.lot_id,
        c.position == label.position,
    )
    return int(view.connection.execute(query).scalar_one())


def loose_positions(view: View, key: LotKey, first: int, last: int) -> NDArray[np.int64]:
    """The good units of positions first..last that are in no pack, ascending."""
    letters = np.frombuffer(view.states(key, first, last), np.uint8)
    good = letters == ord(State.COMMISSIONED)
    packed = np.array(packed_positions(view, key, first, last), dtype=np.int64)
    good[packed - first] = False
    return np.flatnonzero(good) + first


def packed_positions(view: View, key: LotKey, first: int, last: int) -> list[int]:
    """The units of positions first..last that are in packs, ascending."""
    c = table_of(Packed).c
    query = (
        select(c.position)
        .where(c.product_id == key.product_id, c.lot_id == key.lot_id)
        .where(c.position.between(first, last))
        .order_by(c.position)
    )
    return list(view.connection.execute(query).scalars())


def packs_around(view: View, product_id: int, serial: str) -> list[dict[str, Any]]:
    """The packs around a unit, from the inside out, as answers tell them."""
    unit = pack_bulk.find_units(view.connection, product_id, [serial]).get(serial)
    if unit is None or not unit.pack:
        return []
    pack = pack_at(view, product_id, unit.pack_lot, unit.pack)
    return [
        {"key": one.key, "level": one.level, "state": one.state}
        for one in (pack, *around(view, pack))
    ]
