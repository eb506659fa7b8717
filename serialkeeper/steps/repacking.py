"""Changing packs: adding, taking out, replacing, emptying, moving, and the end of a pack."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import moves, packs
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.jobs import runs
from serialkeeper.rules.moves import State
from serialkeeper.rules.packs import UNIT, Child, Named
from serialkeeper.rules.remarks import check_remark
from serialkeeper.store import packs as store
from serialkeeper.store.filling import changing, moved_meanwhile, packable, take_out
from serialkeeper.store.pack_bulk import Pack
from serialkeeper.store.packing import Filling, write_packed, write_unpacked
from serialkeeper.store.record import Record, Work
from serialkeeper.store.view import View


def add(record: Record, name: str, children: Sequence[str], *, reason: str = "") -> dict[str, Any]:
    """Put more into a pack that has room.

    Args:
        name: the pack's key, or a scan of its label.
        children: codes as scanned, numbers, keys of packs.
        reason: why it is not full, where it held nothing before.

    Refuses what `steps.packing.build` does.
    """
    pack, names = _asked(record, name, children)
    with changing(record, pack.product_id, [pack], names) as (work, (now,), found):
        packs.check_open(store.target_of(work, now))
        _put(work, record, now, packs.check_children(store.target_of(work, now), found), reason)
        return _told(work, now)


def _put(work: Work, record: Record, pack: Pack, children: list[Child], reason: str) -> None:
    lot = packable(work, work.lot_at(LotKey(pack.product_id, pack.lot_id)))
    target = store.target_of(work, pack)
    packs.check_open(target)
    packs.check_room(target, len(children), reason=reason, new=not target.held)
    filling = Filling(target.level, [*children], pack)
    write_packed(work, lot, [filling], reason=reason, chance=record.chance)


def remove(record: Record, name: str, children: Sequence[str], *, reason: str) -> dict[str, Any]:
    """Take units or packs out of a pack; they are loose then.

    Refuses `not_in_pack`, `pack_part` where the pack, or one around it, has to be full,
    `pack_state`, `held`, `reason_needed`, `bad_value`, `given_twice`, `pack_unknown`,
    `label_unknown`, `role_not_allowed`.
    """
    pack, names = _asked(record, name, children)
    with changing(record, pack.product_id, [pack], names) as (work, (now,), found):
        take_out(work, now.product_id, _inside(now, found), reason=reason)
        return _told(work, now)


def replace(record: Record, name: str, bad: str, good: str, *, reason: str) -> dict[str, Any]:
    """Take one unit or pack out and put another in, at once, so that a full pack stays full.

    Refuses what `add` and `remove` do.
    """
    pack, names = _asked(record, name, [bad, good])
    with changing(record, pack.product_id, [pack], names) as (work, (now,), found):
        (out,) = _inside(now, found[:1])
        target = store.target_of(work, now)
        packs.check_open(target)
        (put,) = packs.check_children(target, found[1:])
        check_remark(reason, "--reason", needed=True)
        write_unpacked(work, now.product_id, [(out, now)], reason=reason)
        lot = packable(work, work.lot_at(LotKey(now.product_id, now.lot_id)))
        filling = Filling(target.level, [put], now)
        write_packed(work, lot, [filling], reason=reason, chance=record.chance)
        return _told(work, now)


def empty(record: Record, name: str, *, reason: str) -> dict[str, Any]:
    """Take everything out of a pack; what is directly in it is loose then.

    Refuses `pack_state` for a pack in another, or one that left; `held`, `reason_needed`,
    `pack_unknown`, `role_not_allowed`.
    """
    pack, _ = _asked(record, name, ())
    with record.read() as view:
        names = _names_inside(view, [pack])
    with changing(record, pack.product_id, [pack], names) as (work, (now,), found):
        if _names_inside(work, [now]) != names:
            raise moved_meanwhile()
        if not names:
            raise Refused(
                "pack_state",
                "The pack is empty.",
                where=f"{now.level} {now.key}",
                expected="a pack that holds something",
                came=now.state,
                remedy="Check which pack this is: pack show.",
            )
        take_out(work, now.product_id, _inside(now, found), reason=reason)
        return {
            **_told(work, now),
            "taken_out": [one.key for one in found if isinstance(one, Child)],
        }


def _names_inside(view: View, some: Sequence[Pack]) -> list[Named]:
    """What is directly in these packs, as names that find it again."""
    inner = [_by_key(pack.key) for pack in store.packs_inside(view, some)]
    return inner + [
        Named(unit.serial, serial=unit.serial) for unit in store.units_inside(view, some)
    ]


def _by_key(key: str) -> Named:
    gtin, slash, serial = key.partition("/")
    return Named(key, gtin=gtin, serial=serial) if slash else Named(key, sscc=key)


def move(record: Record, children: Sequence[str], into: str, *, reason: str) -> dict[str, Any]:
    """Take units or packs out of where they are and put them into another pack, at once.

    Args:
        children: what is moved, such as a case; each is in some pack.
        into: the pack that they go into.

    Refuses what `add` and `remove` do.
    """
    pack, names = _asked(record, into, children)
    with changing(record, pack.product_id, [pack], names) as (work, (now,), found):
        packs.check_open(store.target_of(work, now))
        packs.refuse_all([one for one in found if isinstance(one, Refused)])
        there = [one for one in found if isinstance(one, Child)]
        loose = [packs.not_in(one.name, "any", "loose") for one in there if not one.around]
        loose += [
            packs.not_in(one.name, "another", f"in pack {now.key} already")
            for one in there
            if one.around == now.key
        ]
        packs.refuse_all(loose)
        take_out(work, now.product_id, there, reason=reason)
        gtin = work.product_with(now.product_id).gtin
        free = store.find_children(work, now.product_id, gtin, names)
        _put(work, record, now, packs.check_children(store.target_of(work, now), free), reason)
        return _told(work, now)


def decommission(
    record: Record, name: str, *, reason: str, note: str = "", whole: bool = False
) -> dict[str, Any]:
    """End a pack: its key is never used again.

    Args:
        reason: one of `rules.moves.DECOMMISSION_REASONS`.
        note: the destruction record for `destroyed`, free text for `other`.
        whole: take it out of the pack around it, and end everything in it first.

    Refuses `pack_state` for a pack that is not empty and loose, unless `whole`; `held`; and what
    `steps.settling.decommission` does.
    """
    moves.check_decommission(reason, note)
    record.check_may("packs decommissioned", moves.DECOMMISSION_REASONS[reason].roles)
    if whole:
        record.check_may("decommissioned")  # of the units in it, which is signed
    with record.read() as view:
        pack = store.named_pack(view, name, record.now().year)
        tree = store.tree_of(view, pack)
        names = [_by_key(pack.key), *_names_inside(view, tree)]
    with changing(record, pack.product_id, tree, names) as (work, now, found):
        if now != tree or _names_inside(work, now) != names[1:]:
            raise moved_meanwhile()
        target = store.target_of(work, now[0])
        packs.check_open(target)
        if not whole and (len(names) > 1 or now[0].parent):
            raise _not_alone(now[0], len(names) - 1, target.around[0][1] if now[0].parent else "")
        good = [one for one in found if isinstance(one, Child)]
        _end(work, now, good, reason, note)
        return {
            "key": pack.key,
            "level": pack.level,
            "state": "decommissioned",
            "packs": [one.key for one in now],
            "units": sum(one.what == UNIT for one in good),
            "reason": reason,
        }


def _end(work: Work, tree: list[Pack], found: list[Child], reason: str, note: str) -> None:
    """Take everything out, the outermost first, then end units and packs, lot by lot."""
    product = tree[0].product_id
    why = f"decommissioned: {reason}"
    outer = [child for child in found if child.key == tree[0].key and child.what != UNIT]
    if outer[0].around:
        take_out(work, product, outer, reason=why)
    for pack in tree:
        inside = [child for child in found if child.around == pack.key]
        if inside:
            take_out(work, product, inside, reason=why)
    lots = {one.lot_id for one in tree} | {one.lot_id for one in found if one.what == UNIT}
    for lot_id in sorted(lots):
        key = LotKey(product, lot_id)
        units = [one for one in found if one.what == UNIT and one.lot_id == lot_id]
        _decommission_units(work, key, units, reason, note)
        ended = [one.id for one in tree if one.lot_id == lot_id]
        if ended:
            data = {"packs": ended, "note": note}
            work.write(key, "packs decommissioned", data, reason=reason)


def _decommission_units(
    work: Work, key: LotKey, units: list[Child], reason: str, note: str
) -> None:
    made = []
    for state in sorted({one.state for one in units}):
        places = sorted(one.place for one in units if one.state == state)
        moves.check("decommission", State(state), where=f"position {places[0]}")
        made += [[a, b, state, State.DECOMMISSIONED.value] for a, b in runs(places)]
    if made:
        lot = work.lot_at(key)
        state = lot.state if lot.state == "closed" else "running"
        data = {"moves": sorted(made), "lot_state": state, "note": note}
        work.write(key, "decommissioned", data, reason=reason)


def _not_alone(pack: Pack, holds: int, outer: str) -> Refused:
    first = f"pack remove {outer} {pack.key}; " if outer else ""
    first += f"pack empty {pack.key}; " if holds else ""
    return Refused(
        "pack_state",
        "A pack that holds something, or is in another, is not ended alone.",
        where=f"{pack.level} {pack.key}",
        expected="an empty, loose pack",
        came=f"{holds} in it" + (f", in pack {outer}" if outer else ""),
        remedy=f"First: {first}then end it. --whole does all of it in this order, and ends what "
        "is in it.",
    )


def _asked(record: Record, name: str, children: Sequence[str]) -> tuple[Pack, list[Named]]:
    record.check_may("packed")
    year = record.now().year
    with record.read() as view:
        return store.named_pack(view, name, year), packs.read_names(children, this_year=year)


def _inside(pack: Pack, found: Sequence[Child | Refused]) -> list[Child]:
    """The children, if all of them are directly in the pack. Refuses `not_in_pack`,
    `given_twice`."""
    wrong = [one for one in found if isinstance(one, Refused)]
    good = [one for one in found if isinstance(one, Child)]
    for child in good:
        if child.around != pack.key:
            came = f"in pack {child.around}" if child.around else "loose"
            wrong.append(packs.not_in(child.name, pack.key, came))
    twice = {one.key for one in good if sum(other == one for other in good) > 1}
    wrong += [packs.given_twice(key, f"pack {pack.key}") for key in sorted(twice)]
    packs.refuse_all(wrong)
    return good


def _told(work: Work, pack: Pack) -> dict[str, Any]:
    """The pack as it is now."""
    now = store.pack_at(work, pack.product_id, pack.lot_id, pack.id)
    target = store.target_of(work, now)
    return {
        "key": now.key,
        "level": now.level,
        "state": now.state,
        "lot": target.lot,
        "held": target.held,
        "holds": target.level.holds,
    }
