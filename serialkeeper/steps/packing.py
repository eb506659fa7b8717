"""Packing: units into packs, packs into larger ones."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.outside.sheets import read_sheet
from serialkeeper.rules import levels, packs
from serialkeeper.rules.bad_rows import BadRow, refuse_rows
from serialkeeper.rules.chain import BLOCK, LotKey
from serialkeeper.rules.jobs import runs
from serialkeeper.rules.levels import Level, level_named, levels_of
from serialkeeper.rules.moves import OPEN_LOT, check_lot, check_role
from serialkeeper.rules.pack_entries import COMMISSIONED
from serialkeeper.rules.packs import UNIT, Child, Named, Target
from serialkeeper.store import packs as store
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

PACKING_LOT = (*OPEN_LOT, "closed")
"""States of a lot in which its units are packed; closing it stops the line, not the packing."""

AT_ONCE = 5 * BLOCK
"""Units that are packed in one transaction in plan order, so that others have their turn."""

COLUMNS = ("pack", "level", "child")
LONGEST_MARK = 50


def build(
    record: Record,
    name: str,
    level: str,
    children: Sequence[str] = (),
    *,
    positions: Sequence[Sequence[int]] = (),
    into: str = "",
    reason: str = "",
) -> dict[str, Any]:
    """Fill one pack.

    Args:
        name: the lot that the pack is of.
        level: its level.
        children: codes as scanned, numbers, keys of packs.
        positions: ranges [first, last] of the lot's labels, which go in, too.
        into: the key, or a scan of the label, of a pack that has a key and is empty; without, a
            new pack.
        reason: why it is not full.

    Refuses `level_unknown`, `label_unknown`, `pack_unknown`, `packed_already`, `not_packable`,
    `pack_full`, `pack_part`, `reason_needed`, `pack_state`, `lot_state`, `ssccs_exhausted`,
    `role_not_allowed`.
    """
    year = record.now().year
    check_role("pack", record.role, practice=record.practice, narrower=packs.PACKERS)
    names = packs.read_names(children, this_year=year)
    with record.read() as view:
        lot = view.lot(name)
        chosen = level_named(levels_of(lot.packs), level, lot.full_name)
        keys = lots_of(lot, _found(view, lot, names, positions))

    def step() -> dict[str, Any]:
        with record.work(*keys) as work:
            here = _packable(work, lot)
            filling = Filling(chosen, [])
            target = _new_target(here, chosen)
            if into:
                filling.pack = store.named_pack(work, into, year)
                target = _empty(work, here, filling.pack, chosen)
            found = packs.check_children(target, _found(work, here, names, positions))
            if not lots_of(here, found) <= set(keys):
                raise Refused("record_busy", "Somebody else changed it.", remedy="Try again.")
            packs.check_room(target, len(found), reason=reason, new=True)
            filling.children = [*found]
            write_packed(work, here, [filling], reason=reason, chance=record.chance)
            return _built(work, here, chosen, [filling])

    return with_ssccs(record, lot, {} if into else {chosen: 1}, step)


def lots_of(lot: Lot, children: Sequence[Child | Refused]) -> set[LotKey]:
    """The chains that packing these children into a pack of the lot writes to."""
    there = {one.lot_id for one in children if isinstance(one, Child)}
    return {LotKey(lot.product_id, id_) for id_ in {lot.id, *there}}


def _found(
    view: View, lot: Lot, names: Sequence[Named], positions: Sequence[Sequence[int]]
) -> list[Child | Refused]:
    found = store.find_children(view, lot.product_id, lot.gtin, names) if names else []
    return found + (store.children_at(view, lot, positions) if positions else [])


def _packable(work: Work, lot: Lot) -> Lot:
    here = work.lot(lot.full_name)
    check_lot(here.state, *PACKING_LOT, where=here.full_name)
    return here


def _new_target(lot: Lot, level: Level) -> Target:
    below = levels.inside(levels_of(lot.packs), level)
    return Target("", level, below, lot.id, lot.number)


def _empty(view: View, lot: Lot, pack: store.Pack, level: Level) -> Target:
    """A pack that is there already and holds nothing. Refuses `pack_state`."""
    target = store.target_of(view, pack)
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


def _built(view: View, lot: Lot, level: Level, fillings: Sequence[Filling]) -> dict[str, Any]:
    made = [
        {
            "key": one.key,
            "level": one.level.name,
            "held": len(one.children),
            "part": len(one.children) < one.level.holds,
        }
        for one in fillings
    ]
    return _answer(view, lot, level, made)


def _answer(view: View, lot: Lot, level: Level, made: list[dict[str, Any]]) -> dict[str, Any]:
    states = view.count_states(key_of(lot))
    packed = store.count_packed(view, key_of(lot))
    good = sum(count for state, count in states.items() if state == "c")
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


def build_in_order(
    record: Record, name: str, level: str, *, count: int | None = None, reason: str = ""
) -> dict[str, Any]:
    """Fill packs with what is loose, in plan order: good units by position, packs by age.

    Works in chunks of one transaction each, every one of whole packs; after an interruption what
    was packed stays packed, and the same command goes on with what is loose.

    Args:
        count: packs at most; None for as many as can be filled.
        reason: why the last pack is not full, where the rest shall be packed, too; without, the
            rest stays loose.

    Refuses `nothing_to_pack`, `level_unknown`, `pack_part`, `lot_state`, `ssccs_exhausted`,
    `role_not_allowed`.
    """
    check_role("pack", record.role, practice=record.practice, narrower=packs.PACKERS)
    with record.read() as view:
        lot = view.lot(name)
        chosen = level_named(levels_of(lot.packs), level, lot.full_name)
        target = _new_target(lot, chosen)
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
            came="fewer",
            remedy="A part pack needs --reason. Look at the lot: lot show.",
        )
    with record.read() as view:
        return _answer(view, lot, chosen, made)


@dataclass
class _Order:
    """Packing in plan order: what, and how many packs are still wanted."""

    record: Record
    lot: Lot
    level: Level
    below: str
    reason: str
    left: int | None

    def units(self) -> Iterator[dict[str, Any]]:
        """Packs of units, some blocks a transaction."""
        position = 1
        while position <= self.lot.labels and self.left != 0:
            at_once = max(1, AT_ONCE // self.level.holds)
            wanted = at_once if self.left is None else min(self.left, at_once)
            start = position

            def step(start: int = start, wanted: int = wanted) -> tuple[int, list[dict[str, Any]]]:
                with self.record.work(key_of(self.lot)) as work:
                    return self._units(work, start, wanted)

            position, made = with_ssccs(self.record, self.lot, {self.level: wanted}, step)
            self._took(len(made))
            yield from made

    def _took(self, count: int) -> None:
        self.left = None if self.left is None else self.left - count

    def _units(self, work: Work, start: int, wanted: int) -> tuple[int, list[dict[str, Any]]]:
        """Fill packs from a position on; gives where to go on, and the packs."""
        lot, holds = _packable(work, self.lot), self.level.holds
        key, found, position = key_of(lot), list[NDArray[np.int64]](), start
        while position <= lot.labels and sum(map(len, found)) < wanted * holds:
            last = min(position + BLOCK - (position - 1) % BLOCK - 1, lot.labels)
            found.append(store.loose_positions(work, key, position, last))
            position = last + 1
        loose = np.concatenate(found)[: wanted * holds]
        whole = len(loose) // holds
        if position > lot.labels and len(loose) % holds and self.reason and whole < wanted:
            whole += 1
        loose = loose[: whole * holds]
        if not whole:
            return lot.labels + 1, []
        drawn = draw_packs(work, lot, [(self.level, whole)], self.record.chance)
        ids = drawn.made[0].first + np.arange(len(loose)) // holds
        data = {**drawn.data(), "begun": [], "packs": []}
        work.write(key, "packed", data, parts=parts_of(loose, ids), reason=self.reason)
        held = [holds] * (whole - 1) + [len(loose) - holds * (whole - 1)]
        return int(loose[-1]) + 1, self._made(drawn.keys().values(), held)

    def _made(self, keys: Any, held: list[int]) -> list[dict[str, Any]]:
        level = self.level
        return [
            {"key": key, "level": level.name, "held": some, "part": some < level.holds}
            for key, some in zip(keys, held, strict=True)
        ]

    def packs(self) -> Iterator[dict[str, Any]]:
        """Packs of packs, in one transaction."""
        with self.record.read() as view:
            wanted = len(self._loose(view)) // self.level.holds + 1
        if self.left is not None:
            wanted = min(wanted, self.left)

        def step() -> list[dict[str, Any]]:
            with self.record.work(key_of(self.lot)) as work:
                return self._packs(work, wanted)

        yield from with_ssccs(self.record, self.lot, {self.level: wanted}, step)

    def _loose(self, view: View) -> list[store.Pack]:
        return [
            pack
            for pack in store.packs_of(view, key_of(self.lot))
            if pack.level == self.below and pack.state == COMMISSIONED and not pack.parent
        ]

    def _packs(self, work: Work, wanted: int) -> list[dict[str, Any]]:
        lot, holds = _packable(work, self.lot), self.level.holds
        there = self._loose(work)
        inner = store.contents_of(work, there)
        good = []
        for pack in there:
            here = inner[pack.lot_id, pack.id]
            strange = set(here.units) - {lot.id}
            if here.direct and not here.doubtful and (self.level.part or here.full):
                if self.level.mixed_lots or not strange:
                    good.append(pack.id)
        whole = min(len(good) // holds, wanted)
        if len(good) % holds and self.reason and whole < wanted and whole == len(good) // holds:
            whole += 1
        good = good[: whole * holds]
        if not whole:
            return []
        drawn = draw_packs(work, lot, [(self.level, whole)], self.record.chance)
        data = {**drawn.data(), "begun": [], "units": []}
        held, placed = [], []
        for place, (id_, key) in enumerate(drawn.keys().items()):
            some = good[place * holds : (place + 1) * holds]
            held.append(len(some))
            placed += [[a, b, lot.id, id_, key] for a, b in runs(some)]
        work.write(key_of(lot), "packed", {**data, "packs": placed}, reason=self.reason)
        return self._made(drawn.keys().values(), held)


def build_from_file(record: Record, name: str, path: Path, *, reason: str = "") -> dict[str, Any]:
    """Fill packs as a file says, inner ones first; all of them, or none if a row is bad.

    Args:
        path: CSV with the columns `pack,level,child`, one row a child. `pack` is the key of an
            empty pack, or any mark for a new one; a mark as `child` puts that pack into another.
        reason: why packs are not full, where some are not.

    Refuses `import_rows` with every bad row, what `outside.sheets.read_sheet` refuses, and what
    `build` does.
    """
    year = record.now().year
    check_role("pack", record.role, practice=record.practice, narrower=packs.PACKERS)
    sheet = read_sheet(path, COLUMNS, ())
    asked = _Asked(path, list(sheet.bad), {})
    for line, row in sheet.rows:
        asked.take(line, row)
    names = packs.read_names(asked.texts(), this_year=year)
    with record.read() as view:
        lot = view.lot(name)
        for mark, box in asked.boxes.items():
            box.level = level_named(levels_of(lot.packs), box.name, f"{path.name}, pack {mark}")
        found = store.find_children(view, lot.product_id, lot.gtin, names)
        keys = lots_of(lot, found)
        marks = packs.read_names(asked.boxes, this_year=year)
        there = store.find_packs(view, [one.pack_key for one in marks if one.pack_key])
    wanted: dict[Level, int] = {}
    for mark, named in zip(asked.boxes, marks, strict=True):
        asked.boxes[mark].key = named.pack_key if named.pack_key in there else ""
        level = asked.boxes[mark].level
        if level and not asked.boxes[mark].key:
            wanted[level] = wanted.get(level, 0) + 1

    def step() -> dict[str, Any]:
        with record.work(*keys) as work:
            here = _packable(work, lot)
            children = store.find_children(work, here.product_id, here.gtin, names)
            fillings = asked.fillings(work, here, children, reason)
            write_packed(work, here, fillings, reason=reason, chance=record.chance)
            outermost = max((one.level for one in fillings), key=levels_of(here.packs).index)
            return {"file": path.name, **_built(work, here, outermost, fillings)}

    return with_ssccs(record, lot, wanted, step)


@dataclass
class _Box:
    """A pack that a file asks for: its level's name, and line and text of each child."""

    name: str
    children: list[tuple[int, str]]
    level: Level | None = None
    key: str = ""


@dataclass
class _Asked:
    """What a file asks for: packs by their marks."""

    path: Path
    bad: list[BadRow]
    boxes: dict[str, _Box]

    def take(self, line: int, row: dict[str, str]) -> None:
        """Note one row."""
        mark, level, child = (row[column].strip() for column in COLUMNS)
        if not 1 <= len(mark) <= LONGEST_MARK:
            self._say(line, "pack", f"1 to {LONGEST_MARK} characters", mark, "name the pack")
            return
        box = self.boxes.setdefault(mark, _Box(level, []))
        if level not in levels.NAMES or level != box.name:
            expected = " or ".join(levels.NAMES) + ", the same for every row of the pack"
            self._say(line, "level", expected, level, "correct the level")
        box.children.append((line, child))

    def _say(self, line: int, column: str, expected: str, came: str, remedy: str) -> None:
        self.bad.append(BadRow(line, column, expected, came, remedy))

    def texts(self) -> list[str]:
        """The texts of all children that are no packs of the file, in its order."""
        refuse_rows(str(self.path), sum(len(box.children) for box in self.boxes.values()), self.bad)
        return [
            text
            for box in self.boxes.values()
            for _, text in box.children
            if text not in self.boxes
        ]

    def fillings(
        self, view: View, lot: Lot, found: Sequence[Child | Refused], reason: str
    ) -> list[Filling]:
        """The packs to be filled, inner ones first. Refuses `import_rows`, and counts."""
        named = iter(found)
        given = {
            mark: [None if text in self.boxes else next(named) for _, text in box.children]
            for mark, box in self.boxes.items()
        }
        made: dict[str, Filling] = {}
        new: dict[str, Child] = {}
        seen: set[tuple[str, int, int]] = set()
        inner_first = sorted(self.boxes, key=lambda mark: levels.NAMES.index(self.boxes[mark].name))
        for mark in inner_first:
            box, level = self.boxes[mark], self.boxes[mark].level
            if level is None:
                continue
            filling, target = Filling(level, []), _new_target(lot, level)
            if box.key:
                filling.pack = store.named_pack(view, box.key, 0)
                target = _empty(view, lot, filling.pack, level)
            children = [
                new.get(text) or self._above(text) if one is None else one
                for one, (_, text) in zip(given[mark], box.children, strict=True)
            ]
            faults = packs.faults_of(target, children, seen)
            for (line, text), fault in zip(box.children, faults, strict=True):
                if fault:
                    came = f"{fault.message} {fault.came or text}"
                    self._say(line, "child", fault.expected, came, fault.remedy)
            packs.check_room(target, len(children), reason=reason, new=True)
            good = [one for one in children if isinstance(one, Child)]
            filling.children = [made.get(one.name, one) for one in good]
            made[mark] = filling
            new[mark] = _as_child(mark, level, lot, good, len(new) + 1)
        refuse_rows(str(self.path), sum(len(box.children) for box in self.boxes.values()), self.bad)
        return list(made.values())

    def _above(self, mark: str) -> Refused:
        return Refused(
            "not_packable",
            "A pack goes into one of a higher level only.",
            expected="a pack of the level below",
            came=f"{mark}, a {self.boxes[mark].name}",
            remedy="Correct the file.",
        )


def _as_child(mark: str, level: Level, lot: Lot, inside: Sequence[Child], number: int) -> Child:
    """A pack that the same step fills, as something that goes into another."""
    lots = tuple(sorted({one for child in inside for one in child.lots}))
    full = len(inside) == level.holds and all(child.full for child in inside)
    return Child(mark, level.name, mark, lot.id, -number, COMMISSIONED, "", lots, full)
