"""Packs that are about to be filled, and what is said when they are."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import packs
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.holds import on_lot, refusal
from serialkeeper.rules.jobs import runs
from serialkeeper.rules.levels import Level, inside, levels_of
from serialkeeper.rules.moves import OPEN_LOT, State, check_lot
from serialkeeper.rules.packs import Child, Named, Target
from serialkeeper.rules.remarks import check_remark
from serialkeeper.store.holds import open_holds
from serialkeeper.store.pack_bulk import Pack
from serialkeeper.store.packing import Filling, write_unpacked
from serialkeeper.store.packs import (
    around,
    children_at,
    contents_of,
    count_packed,
    find_children,
    find_packs,
    pack_at,
    packed_positions,
    target_of,
)
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

PACKING_LOT = (*OPEN_LOT, "closed")
"""States of a lot in which its units are packed; closing it stops the line, not the packing."""


def lots_of(lot: Lot, children: Sequence[Child | Refused]) -> set[LotKey]:
    """The chains that packing these children into a pack of the lot rests on: those of everything
    in them, too, for anything may be held."""
    there = {id_ for one in children if isinstance(one, Child) for id_ in one.concerned}
    return {LotKey(lot.product_id, id_) for id_ in {lot.id, *there}}


def packing_lot(view: View, lot: Lot) -> Lot:
    """The lot as it is now. Refuses `lot_state`, `lot_not_approved`."""
    here = view.lot(lot.full_name)
    check_lot(here.state, *PACKING_LOT, where=here.full_name)
    return here


def packable(view: View, lot: Lot) -> Lot:
    """The lot as it is now. Refuses `held` for a lot on hold, and what `packing_lot` does."""
    here = packing_lot(view, lot)
    if found := on_lot(open_holds(view, here.product_id, here.id), here.id):
        raise refusal(f"lot {here.number}", found, where=f"packs of lot {here.number}")
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


@contextmanager
def changing(
    record: Record, product_id: int, some: Sequence[Pack], names: Sequence[Named]
) -> Iterator[tuple[Work, list[Pack], list[Child | Refused]]]:
    """A work with everything locked that a change of these packs and children rests on: their
    lots, and those of all packs around them and of everything in them. Gives the packs and
    children as they are now.

    Refuses `record_busy` if somebody moved one of them meanwhile.
    """
    with record.read() as view:
        keys = {LotKey(product_id, id_) for id_ in _concerned(view, product_id, some, names)}
    with record.work(*keys) as work:
        now = [pack_at(work, product_id, pack.lot_id, pack.id) for pack in some]
        there = _concerned(work, product_id, now, names)
        if not {LotKey(product_id, id_) for id_ in there} <= keys:
            raise moved_meanwhile()
        yield work, now, _resolved(work, product_id, names)


def moved_meanwhile() -> Refused:
    """The refusal of a step whose packs somebody else moved just now."""
    return Refused(
        "record_busy",
        "Somebody else moved one of these packs just now.",
        remedy="Look where it is (pack show), and try again.",
    )


def _resolved(view: View, product_id: int, names: Sequence[Named]) -> list[Child | Refused]:
    gtin = view.product_with(product_id).gtin
    return find_children(view, product_id, gtin, names) if names else []


def _concerned(
    view: View, product_id: int, some: Sequence[Pack], names: Sequence[Named]
) -> set[int]:
    children = [one for one in _resolved(view, product_id, names) if isinstance(one, Child)]
    lots = {id_ for child in children for id_ in child.concerned}
    return lots | lots_about(view, [*some, *packs_holding(view, children).values()])


def lots_about(view: View, some: Sequence[Pack]) -> set[int]:
    """The lots of these packs, of all packs around them, and of everything in them."""
    lots = {one.lot_id for pack in some for one in (pack, *around(view, pack))}
    for inner in contents_of(view, some, ()).values():
        lots |= inner.homes | set(inner.units)
    return lots


def packs_holding(view: View, children: Iterable[Child]) -> dict[str, Pack]:
    """The packs that these are in, by key."""
    keys = sorted({child.around for child in children if child.around})
    return find_packs(view, keys) if keys else {}


def take_out(work: Work, product_id: int, children: Sequence[Child], *, reason: str) -> None:
    """Take units and packs out of whatever they are in; all lots concerned are locked.

    Refuses `pack_state`, `pack_part`, `held`, `reason_needed`, `bad_value`.
    """
    check_remark(reason, "--reason", needed=True)
    holders = packs_holding(work, children)
    for key, pack in holders.items():
        target = target_of(work, pack)
        packs.check_open(target)
        packs.check_taken(target, sum(child.around == key for child in children))
    taken = [(child, holders[child.around]) for child in children]
    write_unpacked(work, product_id, taken, reason=reason)


def packed_at(view: View, lot: Lot, ranges: Sequence[Sequence[int]]) -> list[Child]:
    """The units at these positions that are in packs."""
    places = [
        place
        for first, last in ranges
        for place in packed_positions(view, key_of(lot), first, last)
    ]
    found = children_at(view, lot, runs(places)) if places else []
    return [one for one in found if isinstance(one, Child)]


def lots_holding(view: View, children: Iterable[Child]) -> set[int]:
    """The lots of all packs around these, and of everything in the packs that they are in."""
    return lots_about(view, list(packs_holding(view, children).values()))
