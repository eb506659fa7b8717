"""Packs that are about to be filled, and what is said when they are."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import packs
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.levels import Level, inside, levels_of
from serialkeeper.rules.moves import OPEN_LOT, State, check_lot
from serialkeeper.rules.packs import Child, Target
from serialkeeper.store.pack_tables import Pack
from serialkeeper.store.packing import Filling
from serialkeeper.store.packs import count_packed, target_of
from serialkeeper.store.record import Work
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

PACKING_LOT = (*OPEN_LOT, "closed")
"""States of a lot in which its units are packed; closing it stops the line, not the packing."""


def lots_of(lot: Lot, children: Sequence[Child | Refused]) -> set[LotKey]:
    """The chains that packing these children into a pack of the lot writes to."""
    there = {one.lot_id for one in children if isinstance(one, Child)}
    return {LotKey(lot.product_id, id_) for id_ in {lot.id, *there}}


def packable(work: Work, lot: Lot) -> Lot:
    """The lot as it is now. Refuses `lot_state`, `lot_not_approved`."""
    here = work.lot(lot.full_name)
    check_lot(here.state, *PACKING_LOT, where=here.full_name)
    return here


def new_target(lot: Lot, level: Level) -> Target:
    """A new pack as something that other things go into."""
    below = inside(levels_of(lot.packs), level)
    return Target("", level, below, lot.id, lot.number)


def empty_target(view: View, lot: Lot, pack: Pack, level: Level) -> Target:
    """A pack that is there already and holds nothing. Refuses `pack_state`."""
    target = target_of(view, pack)
    packs.check_open(target)
    if pack.level != level.name or (pack.product_id, pack.lot_id) != (lot.product_id, lot.id):
        came = f"a {pack.level} of lot {target.lot}"
    elif target.held or pack.parent:
        came = f"a {pack.level} that holds {target.held}" + ", in a pack" * bool(pack.parent)
    else:
        return target
    raise Refused(
        "pack_state",
        "That is not a pack to be filled.",
        where=target.name,
        expected=f"an empty, loose {level.name} of lot {lot.number}",
        came=came,
        remedy="Scan the label of an empty pack; what comes to one that holds some: pack add.",
    )


def built(view: View, lot: Lot, level: Level, fillings: Sequence[Filling]) -> dict[str, Any]:
    """What filling these packs gives: each, and what of the lot is packed and loose."""
    made = [
        {
            "key": one.key,
            "level": one.level.name,
            "held": len(one.children),
            "part": len(one.children) < one.level.holds,
        }
        for one in fillings
    ]
    return packed_so_far(view, lot, level, made)


def packed_so_far(view: View, lot: Lot, level: Level, made: list[dict[str, Any]]) -> dict[str, Any]:
    """The packs that were filled, and what of the lot is packed and loose."""
    states = view.count_states(key_of(lot))
    packed = count_packed(view, key_of(lot))
    good = states.get(State.COMMISSIONED, 0)
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "level": level.name,
        "packs": made,
        "count": len(made),
        "part": sum(one["part"] for one in made),
        "units_packed": packed,
        "units_loose": max(good - packed, 0),
    }
