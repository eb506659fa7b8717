"""Packing as a file says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.sheets import read_sheet
from serialkeeper.rules import levels, packs
from serialkeeper.rules.bad_rows import BadRow, refuse_rows
from serialkeeper.rules.levels import Level, level_named, levels_of
from serialkeeper.rules.pack_entries import COMMISSIONED
from serialkeeper.rules.packs import Child
from serialkeeper.store import packs as store
from serialkeeper.store.filling import (
    built,
    empty_target,
    lots_of,
    moved_meanwhile,
    new_target,
    packable,
)
from serialkeeper.store.packing import Filling, with_ssccs, write_packed
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View

COLUMNS = ("pack", "level", "child")
LONGEST_MARK = 50


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
    record.check_may("packed")
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
            here = packable(work, lot)
            children = store.find_children(work, here.product_id, here.gtin, names)
            if not lots_of(here, children) <= keys:
                raise moved_meanwhile()
            fillings = asked.fillings(work, here, children, reason)
            write_packed(work, here, fillings, reason=reason, chance=record.chance)
            outermost = max((one.level for one in fillings), key=levels_of(here.packs).index)
            return {"file": path.name, **built(work, here, outermost, fillings)}

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
            filling, target = Filling(level, []), new_target(lot, level)
            if box.key:
                filling.pack = store.named_pack(view, box.key, 0)
                target = empty_target(view, lot, filling.pack, level)
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
