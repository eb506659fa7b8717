"""Packing: units into packs, packs into larger ones."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import packs
from serialkeeper.rules.chain import BLOCK, LotKey
from serialkeeper.rules.jobs import parse_which, runs
from serialkeeper.rules.levels import Level, level_named, levels_of
from serialkeeper.rules.pack_entries import COMMISSIONED
from serialkeeper.rules.packs import UNIT, Child, Named
from serialkeeper.store import packs as store
from serialkeeper.store.filling import (
    built,
    empty_target,
    lots_of,
    moved_meanwhile,
    new_target,
    packable,
    packed_so_far,
    packing_lot,
)
from serialkeeper.store.holds import open_holds
from serialkeeper.store.pack_bulk import Pack
from serialkeeper.store.packing import (
    Filling,
    draw_packs,
    parts_of,
    with_ssccs,
    write_packed,
)
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

AT_ONCE = 5 * BLOCK
"""Units that are packed in one transaction in plan order, so that others have their turn."""

MOST_AHEAD = 10_000

_Step = tuple[int, list[dict[str, Any]], int]
"""Where to go on, packs that were filled, and units that were passed over."""


def build(
    record: Record,
    name: str,
    level: str,
    children: Sequence[str] = (),
    *,
    positions: str = "",
    into: str = "",
    reason: str = "",
) -> dict[str, Any]:
    """Fill one pack.

    Args:
        name: the lot that the pack is of.
        level: its level.
        children: codes as scanned, numbers, keys of packs.
        positions: labels of the lot that go in, too, such as `17,20,30-40`.
        into: the key, or a scan of the label, of a pack that has a key and is empty; without, a
            new pack.
        reason: why it is not full.

    Refuses `level_unknown`, `label_unknown`, `pack_unknown`, `packed_already`, `not_packable`,
    `given_twice`, `pack_full`, `pack_part`, `reason_needed`, `pack_state`, `held`, `lot_state`,
    `ssccs_exhausted`, `role_not_allowed`.
    """
    year = record.now().year
    record.check_may("packed")
    names = packs.read_names(children, this_year=year)
    with record.read() as view:
        lot = view.lot(name)
        chosen = level_named(levels_of(lot.packs), level, lot.full_name)
        ranges = parse_which(positions, lot.labels) if positions else []
        keys = lots_of(lot, _found(view, lot, names, ranges))

    def step() -> dict[str, Any]:
        with record.work(*keys) as work:
            here = packable(work, lot)
            filling = Filling(chosen, [])
            target = new_target(here, chosen)
            if into:
                filling.pack = store.named_pack(work, into, year)
                target = empty_target(work, here, filling.pack, chosen)
            found = packs.check_children(target, _found(work, here, names, ranges))
            if not lots_of(here, found) <= keys:
                raise moved_meanwhile()
            packs.check_room(target, len(found), reason=reason, new=True)
            filling.children = [*found]
            write_packed(work, here, [filling], reason=reason, chance=record.chance)
            return built(work, here, chosen, [filling])

    return with_ssccs(record, lot, {} if into else {chosen: 1}, step)


def number(record: Record, name: str, level: str, count: int) -> dict[str, Any]:
    """Give packs their keys before they are filled, so that their labels can be printed ahead.

    Refuses `level_unknown`, `bad_value`, `lot_state`, `ssccs_exhausted`, `role_not_allowed`.
    """
    record.check_may("packed")
    if not 1 <= count <= MOST_AHEAD:
        raise Refused(
            "bad_value",
            "So many packs are not numbered ahead.",
            expected=f"1 to {MOST_AHEAD:,}",
            came=str(count),
            remedy="Packs get their keys when they are filled, too.",
        )
    with record.read() as view:
        lot = view.lot(name)
        chosen = level_named(levels_of(lot.packs), level, lot.full_name)

    def step() -> dict[str, Any]:
        with record.work(key_of(lot)) as work:
            here = packing_lot(work, lot)
            drawn = draw_packs(work, here, [(chosen, count)], record.chance)
            work.write(key_of(here), "packs numbered", drawn.data())
            keys = list(drawn.keys().values())
            return {"lot": here.number, "gtin": here.gtin, "level": level, "keys": keys}

    return with_ssccs(record, lot, {chosen: count}, step)


def _found(
    view: View, lot: Lot, names: Sequence[Named], positions: Sequence[Sequence[int]]
) -> list[Child | Refused]:
    found = store.find_children(view, lot.product_id, lot.gtin, names) if names else []
    return found + (store.children_at(view, lot, positions) if positions else [])


def build_in_order(
    record: Record, name: str, level: str, *, count: int | None = None, reason: str = ""
) -> dict[str, Any]:
    """Fill packs with what is loose, in plan order: good units by position, packs by age.

    Works in chunks of one transaction each, every one of whole packs; after an interruption what
    was packed stays packed, and the same command goes on with what is loose. What is held is
    passed over and stays loose; `passed_over` in the answer counts it.

    Args:
        count: packs at most; None for as many as can be filled.
        reason: why the last pack is not full, where the rest shall be packed, too; without, the
            rest stays loose.

    Refuses `nothing_to_pack`, `level_unknown`, `pack_part`, `held` for a lot on hold,
    `lot_state`, `ssccs_exhausted`, `role_not_allowed`.
    """
    record.check_may("packed")
    with record.read() as view:
        lot = packable(view, view.lot(name))
        chosen = level_named(levels_of(lot.packs), level, lot.full_name)
        target = new_target(lot, chosen)
    if reason:
        packs.check_part(target, chosen.holds - 1)
    order = _Order(record, lot, chosen, target.below, reason, count)
    made = list(order.units() if target.below == UNIT else order.packs())
    if not made:
        raise Refused(
            "nothing_to_pack",
            "There is nothing loose to be packed.",
            where=f"lot {lot.number}",
            expected=f"{chosen.holds} good loose {target.below}s",
            came="fewer" + f", and {order.passed_over:,} that are held" * bool(order.passed_over),
            remedy="A part pack needs --reason. Look at the lot (lot show), and at what is held: "
            f"hold list {lot.number}",
        )
    with record.read() as view:
        told = packed_so_far(view, lot, chosen, made)
    return {**told, "passed_over": order.passed_over}


@dataclass
class _Order:
    """Packing in plan order: what, how many packs are still wanted, and how many good, loose
    things were passed over because they are held."""

    record: Record
    lot: Lot
    level: Level
    below: str
    reason: str
    left: int | None
    passed_over: int = 0

    def units(self) -> Iterator[dict[str, Any]]:
        """Packs of units, some blocks a transaction."""
        position = 1
        while position <= self.lot.labels and self.left != 0:
            there = min(AT_ONCE, self.lot.labels - position + 1)
            at_once = there // self.level.holds + 1
            wanted = at_once if self.left is None else min(self.left, at_once)
            start = position

            def step(start: int = start, wanted: int = wanted) -> _Step:
                with self.record.work(key_of(self.lot)) as work:
                    return self._units(work, start, wanted)

            position, made, held = with_ssccs(self.record, self.lot, {self.level: wanted}, step)
            self._took(len(made))
            self.passed_over += held
            self.record.seen("labels", position - 1, self.lot.labels)
            yield from made

    def _took(self, count: int) -> None:
        self.left = None if self.left is None else self.left - count

    def _units(self, work: Work, start: int, wanted: int) -> _Step:
        """Fill packs from a position on; gives where to go on, the packs, and how many units were
        passed over."""
        lot, holds = packable(work, self.lot), self.level.holds
        key, found, position = key_of(lot), list[NDArray[np.int64]](), start
        kept_back, on_hold = list[NDArray[np.int64]](), open_holds(work, lot.product_id, lot.id)
        while position <= lot.labels and sum(map(len, found)) < wanted * holds:
            last = min(position + BLOCK - (position - 1) % BLOCK - 1, lot.labels)
            some = store.loose_positions(work, key, position, last)
            for one in on_hold:
                covered = one.mask(position, last)[some - position]
                kept_back.append(some[covered])
                some = some[~covered]
            found.append(some)
            position = last + 1
        held = np.concatenate([*kept_back, np.zeros(0, np.int64)])
        loose = np.concatenate(found)[: wanted * holds]
        whole = len(loose) // holds
        if position > lot.labels and len(loose) % holds and self.reason and whole < wanted:
            whole += 1
        loose = loose[: whole * holds]
        if not whole:
            return lot.labels + 1, [], len(held)
        drawn = draw_packs(work, lot, [(self.level, whole)], self.record.chance)
        ids = drawn.made[0].first + np.arange(len(loose)) // holds
        data = {**drawn.data(), "begun": [], "packs": []}
        work.write(key, "packed", data, parts=parts_of(loose, ids), reason=self.reason)
        filled = [holds] * (whole - 1) + [len(loose) - holds * (whole - 1)]
        made = self._made(drawn.keys().values(), filled)
        return int(loose[-1]) + 1, made, int((held <= loose[-1]).sum())

    def _made(self, keys: Any, held: list[int]) -> list[dict[str, Any]]:
        level = self.level
        return [
            {"key": key, "level": level.name, "held": some, "part": some < level.holds}
            for key, some in zip(keys, held, strict=True)
        ]

    def packs(self) -> Iterator[dict[str, Any]]:
        """Packs of packs, in one transaction."""
        with self.record.read() as view:
            there = self._loose(view)
            keys = self._concerned(store.contents_of(view, there, ()) if self._mixed else {})
        wanted = len(there) // self.level.holds + 1
        if self.left is not None:
            wanted = min(wanted, self.left)

        def step() -> tuple[list[dict[str, Any]], int]:
            with self.record.work(*keys) as work:
                return self._packs(work, wanted, keys)

        made, self.passed_over = with_ssccs(self.record, self.lot, {self.level: wanted}, step)
        yield from made

    @property
    def _mixed(self) -> bool:
        """Whether what goes in may hold something of another lot."""
        levels = levels_of(self.lot.packs)
        return any(one.mixed_lots for one in levels[: levels.index(self.level)])

    def _concerned(self, inner: Mapping[Any, store.Contents]) -> set[LotKey]:
        """The chains of the lot and of everything in these packs."""
        lots = {self.lot.id}.union(*(one.homes | set(one.units) for one in inner.values()))
        return {LotKey(self.lot.product_id, id_) for id_ in lots}

    def _loose(self, view: View) -> list[Pack]:
        wanted = {"level": self.below, "state": COMMISSIONED, "parent": 0}
        return store.packs_of(view, key_of(self.lot), **wanted)

    def _packs(
        self, work: Work, wanted: int, keys: set[LotKey]
    ) -> tuple[list[dict[str, Any]], int]:
        """Fill packs with packs; gives them, and how many were passed over."""
        lot, holds = packable(work, self.lot), self.level.holds
        there = self._loose(work)
        inner = store.contents_of(work, there)
        if not self._concerned(inner) <= keys:
            raise moved_meanwhile()
        good, held = list[int](), list[int]()
        for pack in there:
            here = inner[pack.lot_id, pack.id]
            strange = set(here.units) - {lot.id}
            fit = here.direct and not here.doubtful and (self.level.part or here.full)
            if fit and (self.level.mixed_lots or not strange):
                (held if here.holds else good).append(pack.id)
        whole = min(len(good) // holds, wanted)
        if len(good) % holds and self.reason and whole < wanted:
            whole += 1
        good = good[: whole * holds]
        if not whole:
            return [], len(held)
        drawn = draw_packs(work, lot, [(self.level, whole)], self.record.chance)
        data = {**drawn.data(), "begun": [], "units": []}
        filled, placed = [], []
        for place, (id_, key) in enumerate(drawn.keys().items()):
            some = good[place * holds : (place + 1) * holds]
            filled.append(len(some))
            placed += [[a, b, lot.id, id_, key] for a, b in runs(some)]
        work.write(key_of(lot), "packed", {**data, "packs": placed}, reason=self.reason)
        passed = sum(one < good[-1] for one in held) if whole == wanted else len(held)
        return self._made(drawn.keys().values(), filled), passed
