"""What is in what, as the journal tells it, held against the tables and against invariant 9.

A unit is in one pack at most; what is in a pack exists, and so does the pack; a pack stands in one
of a higher level, so nothing is ever inside itself.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Damaged
from serialkeeper.rules import changes
from serialkeeper.rules.chain import BLOCK, LotKey, PartRef
from serialkeeper.rules.levels import NAMES
from serialkeeper.rules.moves import State
from serialkeeper.rules.pack_entries import COMMISSIONED, SHIPPED
from serialkeeper.rules.parts import unpack_packs
from serialkeeper.store.view import View

REMEDY = "Stop work on this record, keep it as evidence, restore from a verified backup."

Packs = dict[tuple[Any, ...], dict[str, Any]]
"""Rows of the table of packs by product, lot and id."""


def differs(table: str, place: object, told: object, came: object) -> None:
    """Raises Damaged `table_differs`."""
    raise Damaged(
        "table_differs",
        f"The table '{table}' differs from what the journal says.",
        where=f"{table}: {place}",
        expected=str(told),
        came=str(came),
        remedy=REMEDY,
    )


class Contents:
    """Which pack each unit is in: by lot, the pack's lot and the pack by position - 1."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.inside: dict[LotKey, NDArray[np.int64]] = {}

    @property
    def count(self) -> int:
        """How many units are in packs."""
        return sum(int((inside[1] > 0).sum()) for inside in self.inside.values())

    def carry_out(
        self,
        change: changes.Change,
        key: LotKey,
        data: dict[PartRef, bytes],
        packs: Packs,
        labels: int,
    ) -> str:
        """What is impossible about the change, which else is carried out; empty for nothing.

        Args:
            change: one of units or packs going somewhere.
            data: the bytes of the entry's parts.
            packs: all packs so far.
            labels: how many labels the lot has.
        """
        match change:
            case changes.MovePacks():
                return _move(change, key, packs)
            case changes.FillPacks(part):
                told = unpack_packs(data[part]).astype(np.int64)
                now = self._span(key, labels, part.first, part.first + part.count - 1)
                chosen = told > 0
                if now is None or len(told) != part.count or now[1][chosen].any():
                    return f"units from {part.first} on were not all loose"
                now[1][chosen], now[0][chosen] = told[chosen], key.lot_id
            case changes.PutUnits(first, last, lot, pack):
                now = self._span(key, labels, first, last)
                if now is None or now[1].any():
                    return f"units {first} to {last} were not all loose"
                now[0], now[1] = lot, pack
            case changes.TakeUnits(first, last, lot, pack):
                now = self._span(key, labels, first, last)
                if now is None or (now[0] != lot).any() or (now[1] != pack).any():
                    return f"units {first} to {last} were not all in pack {pack} of lot {lot}"
                now[:] = 0
        return ""

    def _span(self, key: LotKey, labels: int, first: int, last: int) -> NDArray[np.int64] | None:
        inside = self.inside.get(key)
        if inside is None or inside.shape[1] < labels:
            grown = np.zeros((2, labels), dtype=np.int64)
            if inside is not None:
                grown[:, : inside.shape[1]] = inside
            self.inside[key] = inside = grown
        if not 1 <= first <= last <= labels:
            return None
        return inside[:, first - 1 : last]

    def compare(self, letters: dict[LotKey, bytearray], packs: Packs) -> int:
        """Hold the table of packed units against the journal; gives how many."""
        levels = {place: NAMES.index(row["level"]) for place, row in packs.items()}
        for place, row in packs.items():
            around = (place[0], row["parent_lot"], row["parent"])
            if row["parent"] and levels.get(around, -1) <= levels[place]:
                _broken(f"pack {row['key']}", "in a pack of a higher level", "in another")
        for key, inside in self.inside.items():
            for block in range(-(-inside.shape[1] // BLOCK)):
                self._compare_block(key, block, inside[:, block * BLOCK : (block + 1) * BLOCK])
            _check_units(key, inside, letters.get(key, bytearray()), packs)
        return self.count

    def _compare_block(self, key: LotKey, block: int, inside: NDArray[np.int64]) -> None:
        first = block * BLOCK + 1
        told = {
            place + first: (int(inside[0][place]), int(inside[1][place]))
            for place in np.flatnonzero(inside[1]).tolist()
        }
        there = {row[0]: (row[1], row[2]) for row in self.view.packed_block(key, block)}
        if told != there:
            place = min(p for p in told.keys() | there.keys() if told.get(p) != there.get(p))
            where = f"lot {key.lot_id}, position {place}"
            differs("packed", where, told.get(place, "loose"), there.get(place, "loose"))


def _move(change: changes.MovePacks, key: LotKey, packs: Packs) -> str:
    for id_ in range(change.first, change.last + 1):
        row = packs.get((key.product_id, key.lot_id, id_))
        if row is None or (row["parent_lot"], row["parent"]) != (change.source_lot, change.source):
            return f"pack {id_} was not in pack {change.source} of lot {change.source_lot}"
        row["parent_lot"], row["parent"] = change.target_lot, change.target
    return ""


def _check_units(key: LotKey, inside: NDArray[np.int64], letters: bytearray, packs: Packs) -> None:
    """A pack holds only what was commissioned, and is commissioned itself."""
    packed = np.flatnonzero(inside[1])
    states = np.frombuffer(bytes(letters), np.uint8)
    good = np.isin(states[packed], [ord(State.COMMISSIONED), ord(State.PULLED)])
    if not good.all():
        place = int(packed[~good][0]) + 1
        came = State(chr(letters[place - 1])).word
        _broken(f"lot {key.lot_id}, position {place}", "a commissioned unit in a pack", came)
    for lot, pack in np.unique(inside[:, packed], axis=1).T.tolist():
        row = packs.get((key.product_id, lot, pack))
        if row is None or row["state"] not in (COMMISSIONED, SHIPPED):
            came = row["state"] if row else "none"
            _broken(f"pack {pack} of lot {lot}", "a commissioned pack around units", came)


def _broken(where: str, expected: str, came: str) -> None:
    raise Damaged(
        "chain_broken",
        "The journal tells something impossible of packs.",
        where=where,
        expected=expected,
        came=came,
        remedy=REMEDY,
    )
