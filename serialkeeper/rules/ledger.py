"""Every move of a lot's labels, in stretches of neighbours that an entry moved alike."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules import changes, replay
from serialkeeper.rules.chain import Entry, LotKey, PartRef
from serialkeeper.rules.moves import State
from serialkeeper.rules.parts import UNCHANGED, unpack_states

Moved = tuple[int, int, str, str]
"""First and last position, and the state letters before and after; empty for none."""


class Ledger:
    """Reads entries in order; holds one letter a label.

    Args:
        key: the chain's.
        labels: positions of the lot.
    """

    def __init__(self, key: LotKey, labels: int) -> None:
        self._key = key
        self._letters = np.zeros(labels + 1, dtype=np.uint8)

    def read(self, entry: Entry, data: Callable[[PartRef], bytes]) -> Iterator[Moved]:
        """The moves of the next entry, by position within each of its changes.

        Args:
            data: gives a part's bytes.
        """
        for change in replay.changes(entry, self._key):
            match change:
                case changes.AddLabels(part):
                    new = np.full(part.count, ord(State.ALLOCATED), dtype=np.uint8)
                    yield from self._set(part.first, new)
                case changes.MoveLabels(first, last, _, target):
                    yield from self._set(first, np.full(last - first + 1, ord(target), np.uint8))
                case changes.SetStates(part):
                    told = unpack_states(part.first, part.count, data(part)).state
                    old = self._letters[part.first : part.first + part.count]
                    yield from self._set(part.first, np.where(told == UNCHANGED, old, told))

    def _set(self, first: int, new: NDArray[np.uint8]) -> Iterator[Moved]:
        old = self._letters[first : first + len(new)]
        places = np.flatnonzero(old != new)
        if not len(places):
            return
        before, after = old[places], new[places].astype(np.uint8)
        cut = (np.diff(places) > 1) | (np.diff(before) != 0) | (np.diff(after) != 0)
        starts = np.concatenate(([0], np.flatnonzero(cut) + 1))
        ends = np.concatenate((starts[1:], [len(places)])) - 1
        self._letters[first : first + len(new)] = new
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
            source = chr(before[start]) if before[start] else ""
            yield int(places[start]) + first, int(places[end]) + first, source, chr(after[start])
