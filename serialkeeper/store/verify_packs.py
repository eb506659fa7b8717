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
from serialkeeper.rules.packs import LIVE
from serialkeeper.rules.parts import unpack_packs
from serialkeeper.store.view import View

REMEDY = "Stop work on this record, keep it as evidence, restore from a verified backup."

_Place = tuple[int, int, int]
"""Product, lot and id of a pack."""

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
    """What is in what. Units by their lot's positions, forgotten when the end of its chain is
    reached; of packs only what says whether things are where they can be is kept to the end."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.inside = np.zeros((2, 0), dtype=np.int64)
        self.packs: dict[_Place, tuple[int, bool, _Place]] = {}
        self.holding: set[_Place] = set()

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
                now = self._span(labels, part.first, part.first + part.count - 1)
                chosen = told > 0
                if now is None or len(told) != part.count or now[1][chosen].any():
                    return f"units from {part.first} on were not all loose"
                now[1][chosen], now[0][chosen] = told[chosen], key.lot_id
            case changes.PutUnits(first, last, lot, pack):
                now = self._span(labels, first, last)
                if now is None or now[1].any():
                    return f"units {first} to {last} were not all loose"
                now[0], now[1] = lot, pack
            case changes.TakeUnits(first, last, lot, pack):
                now = self._span(labels, first, last)
                if now is None or (now[0] != lot).any() or (now[1] != pack).any():
                    return f"units {first} to {last} were not all in pack {pack} of lot {lot}"
                now[:] = 0
        return ""

    def _span(self, labels: int, first: int, last: int) -> NDArray[np.int64] | None:
        if self.inside.shape[1] < labels:
            grown = np.zeros((2, labels), dtype=np.int64)
            grown[:, : self.inside.shape[1]] = self.inside
            self.inside = grown
        if not 1 <= first <= last <= labels:
            return None
        return self.inside[:, first - 1 : last]

    def compare_lot(self, key: LotKey, letters: bytearray, packs: Packs) -> int:
        """Hold a lot's packed units against the journal, then forget them; gives how many."""
        inside, self.inside = self.inside, np.zeros((2, 0), dtype=np.int64)
        for block in range(-(-len(letters) // BLOCK)):
            self._compare_block(key, block, inside[:, block * BLOCK : (block + 1) * BLOCK])
        packed = np.flatnonzero(inside[1])
        _check_units(key, packed, letters)
        for lot, pack in np.unique(inside[:, packed], axis=1).T.tolist():
            self.holding.add((key.product_id, lot, pack))
        for (product, lot, pack), row in packs.items():
            outer = (product, row["parent_lot"], row["parent"])
            live = row["state"] in LIVE
            self.packs[product, lot, pack] = (NAMES.index(row["level"]), live, outer)
        return len(packed)

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

    def check_places(self) -> None:
        """Once all lots are known: every pack around something is commissioned, and of a higher
        level than the packs in it."""
        for place in sorted(self.holding):
            if not self.packs.get(place, (0, False))[1]:
                _broken(
                    f"pack {place}", "a commissioned pack around units", "none, or an ended one"
                )
        for place, (level, _, outer) in self.packs.items():
            if outer[2]:
                around = self.packs.get(outer)
                if around is None or not around[1] or around[0] <= level:
                    expected = "in a commissioned pack of a higher level"
                    _broken(f"pack {place}", expected, f"in {outer}")


def _move(change: changes.MovePacks, key: LotKey, packs: Packs) -> str:
    for id_ in range(change.first, change.last + 1):
        row = packs.get((key.product_id, key.lot_id, id_))
        if row is None or (row["parent_lot"], row["parent"]) != (change.source_lot, change.source):
            return f"pack {id_} was not in pack {change.source} of lot {change.source_lot}"
        row["parent_lot"], row["parent"] = change.target_lot, change.target
    return ""


def _check_units(key: LotKey, packed: NDArray[np.int64], letters: bytearray) -> None:
    """A pack holds only what was commissioned; `packed` are positions - 1."""
    states = np.frombuffer(bytes(letters), np.uint8)
    good = np.isin(states[packed], [ord(State.COMMISSIONED), ord(State.PULLED)])
    if not good.all():
        place = int(packed[~good][0]) + 1
        came = State(chr(letters[place - 1])).word
        _broken(f"lot {key.lot_id}, position {place}", "a commissioned unit in a pack", came)


def _broken(where: str, expected: str, came: str) -> None:
    raise Damaged(
        "chain_broken",
        "The journal tells something impossible of packs.",
        where=where,
        expected=expected,
        came=came,
        remedy=REMEDY,
    )
