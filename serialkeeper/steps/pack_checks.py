"""Checking packs: what was scanned in one against the record, and a scan before it is packed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from serialkeeper.rules import packs
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.gs1 import to_file
from serialkeeper.rules.levels import level_named, levels_of
from serialkeeper.rules.pack_checks import Scan, compare
from serialkeeper.rules.packs import UNIT, Child
from serialkeeper.store import packs as store
from serialkeeper.store.filling import new_target, packable
from serialkeeper.store.record import Record

MOST_KEPT = 200
"""Missing and extra things that an entry names; the counts are whole."""


def check(
    record: Record, name: str, children: Sequence[str], *, units: bool = False
) -> dict[str, Any]:
    """Compare the scanned contents of a pack with the record; kept in the journal.

    Args:
        name: the pack's key, or a scan of its label.
        children: everything that was scanned in it.
        units: the units in it, however deep, and not what is directly in it.

    Refuses `pack_unknown`, `role_not_allowed`.

    Returns:
        key, level, and what `rules.pack_checks.compare` gives.
    """
    record.check_may("pack checked")
    year = record.now().year
    names = packs.read_names(children, this_year=year)
    with record.read() as view:
        pack = store.named_pack(view, name, year)
    key = LotKey(pack.product_id, pack.lot_id)
    with record.work(key) as work:
        there = store.tree_of(work, pack) if units else [pack]
        below = [] if units else store.packs_inside(work, [pack])
        expected = [one.key for one in below]
        expected += [unit.serial for unit in store.units_inside(work, there)]
        gtin = work.product_with(pack.product_id).gtin
        found = store.find_children(work, pack.product_id, gtin, names) if names else []
        scans = [
            Scan(to_file(one.text), child.key, child.what, child.around)
            if isinstance(child, Child)
            else Scan(to_file(one.text), "", "", "")
            for one, child in zip(names, found, strict=True)
        ]
        what = UNIT if units else store.target_of(work, pack).below
        result = compare(expected, what, scans)
        kept = {
            **result,
            "pack": pack.id,
            "units": units,
            "missing": result["missing"][:MOST_KEPT],
            "extra": result["extra"][:MOST_KEPT],
            "missing_count": len(result["missing"]),
            "extra_count": len(result["extra"]),
        }
        work.write(key, "pack checked", kept)
    return {"key": pack.key, "level": pack.level, **result}


def look(
    record: Record, name: str, level: str, children: Sequence[str], *, into: str = ""
) -> dict[str, Any]:
    """Whether these children, scanned one after the other, may go into one pack; writes nothing.

    Args:
        name, level, into: as for `steps.packing.build`.
        children: all scans so far, the new one last.

    Refuses what `steps.packing.build` does, but for the number of children.
    """
    year = record.now().year
    names = packs.read_names(children, this_year=year)
    with record.read() as view:
        lot = packable(view, view.lot(name))
        chosen = level_named(levels_of(lot.packs), level, lot.full_name)
        target = new_target(lot, chosen)
        if into:
            target = store.target_of(view, store.named_pack(view, into, year))
            packs.check_open(target)
        found = store.find_children(view, lot.product_id, lot.gtin, names)
        good = packs.check_children(target, found)
    if len(good) > chosen.holds:
        packs.check_room(target, len(good), reason="", new=False)
    return {"held": len(good), "holds": chosen.holds, "key": good[-1].key if good else None}


def ends(record: Record, name: str, level: str, text: str) -> bool:
    """Whether a scan is the label of an empty pack of this level and lot: it ends a pack."""
    (named,) = packs.read_names([text], this_year=record.now().year)
    if named.wrong or not named.pack_key:
        return False
    with record.read() as view:
        lot = view.lot(name)
        pack = store.find_packs(view, [named.pack_key]).get(named.pack_key)
    return pack is not None and (pack.level, pack.lot_id) == (level, lot.id)
