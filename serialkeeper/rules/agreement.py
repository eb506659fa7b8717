"""Whether what was printed, accepted, recorded and exported of a lot is the same.

Four accounts of the same numbers, each from a place of its own: the print files, byte for byte;
what the journal's takes and decisions say; the table of labels; and the event documents, as a
receiver reads them. They are held against each other number by number, and each has a digest, so
that they can be held against somebody else's account too.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import compress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.events import Event
from serialkeeper.rules.moves import State

PRINTED, ACCEPTED, RECORDED, EXPORTED = "printed", "accepted", "recorded", "exported"
SIDES = (PRINTED, ACCEPTED, RECORDED, EXPORTED)
"""The accounts, in the order of their making."""

ACTIVE = tuple(ord(state) for state in (State.COMMISSIONED, State.PULLED, State.DECOMMISSIONED))
"""Letters of labels that are or were active: what is exported."""

NEVER = 0
"""In place of a letter: never active."""

Letters = NDArray[np.uint8]


@dataclass
class Account:
    """One account of a lot's active numbers, as it is read block by block.

    Attributes:
        side: one of `SIDES`.
        states: how many are in each state, by word; of what was printed nobody knows it.
    """

    side: str
    count: int = 0
    states: dict[str, int] = field(default_factory=dict)
    numbers: Any = field(default_factory=hashlib.sha256)
    with_states: Any = field(default_factory=hashlib.sha256)

    def add(self, serials: Sequence[str], letters: Letters) -> None:
        """Take in successive labels.

        Args:
            letters: of each, `NEVER` for one that this account does not name.
        """
        named = letters != NEVER
        some = list(compress(serials, named.tolist()))
        if not some:
            return
        self.count += len(some)
        self.numbers.update(("\n".join(some) + "\n").encode())
        if self.side == PRINTED:
            return
        words = [State(chr(letter)).word for letter in letters[named].tolist()]
        for word in sorted(set(words)):
            self.states[word] = self.states.get(word, 0) + words.count(word)
        lines = (f"{serial},{word}\n" for serial, word in zip(some, words, strict=True))
        self.with_states.update("".join(lines).encode())

    def describe(self) -> dict[str, Any]:
        """As answers tell it; digests are SHA-256, in hex, over the lines of the numbers, in
        position order, `NUMBER` and `NUMBER,STATE`."""
        told = {"side": self.side, "numbers": self.count, "sha256": self.numbers.hexdigest()}
        if self.side == PRINTED:
            return {**told, "states": None, "states_sha256": None}
        return {
            **told,
            "states": dict(sorted(self.states.items())),
            "states_sha256": self.with_states.hexdigest(),
        }


class Receiver:
    """What a receiver knows of a lot's units after reading its events in order.

    Attributes:
        letters: by position, from 1; `NEVER` for one that was never told.
        inside: by position, the number of the pack around it in `packs`, 0 for none.
        faults: what a receiver would wonder about, in words, the first of each kind.
    """

    def __init__(self, gtin: str, serials: NDArray[np.bytes_]) -> None:
        """Args:
        serials: the lot's numbers, from position 1.
        """
        self._gtin = gtin
        self._order = np.argsort(serials, kind="stable")
        self._sorted = serials[self._order]
        self.letters: Letters = np.zeros(len(serials) + 1, np.uint8)
        self._before = self.letters.copy()
        self.inside = np.zeros(len(serials) + 1, np.uint32)
        self.packs: dict[str, int] = {}
        self.faults: list[str] = []

    def read(self, event: Event) -> None:
        """Take the next event in, as `rules.event_reading` reads it."""
        places = self._places(event)
        if event.kind == "AggregationEvent":
            number = self.packs.setdefault(event.parent, len(self.packs) + 1)
            adds = event.action == "ADD"
            self._expect(event, places, self.inside[places] == (0 if adds else number))
            self.inside[places] = number if adds else 0
        elif event.kind == "ObjectEvent" and len(places):
            self._observe(event, places)

    def _observe(self, event: Event, places: NDArray[np.int64]) -> None:
        now = self.letters[places]
        if event.declared:
            self._expect(event, places, now == ord(State.DECOMMISSIONED))
            if event.action == "DELETE":
                self.letters[places] = self._before[places]
            return
        match event.action, event.biz_step, event.disposition:
            case "ADD", "commissioning", _:
                self._expect(event, places, now == NEVER)
                self.letters[places] = ord(State.COMMISSIONED)
            case "OBSERVE", "inspecting", disposition:
                good = disposition == "conformant"
                source, target = State.COMMISSIONED, State.PULLED
                if good:
                    source, target = target, source
                self._expect(event, places, now == ord(source))
                self.letters[places] = ord(target)
            case "DELETE", _, _:
                wanted = (now == ord(State.COMMISSIONED)) | (now == ord(State.PULLED))
                self._expect(event, places, wanted)
                self._before[places] = now
                self.letters[places] = ord(State.DECOMMISSIONED)

    def _places(self, event: Event) -> NDArray[np.int64]:
        """The positions of an event's units of this lot's product."""
        before = len(self._gtin) + 1
        units = [key[before:] for key in event.packs if key.startswith(f"{self._gtin}/")]
        if not units:
            return np.zeros(0, np.int64)
        wanted = np.array(units, dtype=self._sorted.dtype)
        at = np.minimum(np.searchsorted(self._sorted, wanted), len(self._sorted) - 1)
        known = self._sorted[at] == wanted
        if not known.all():
            strange = units[int(np.flatnonzero(~known)[0])]
            self._wonder(event, f"the lot has no number {strange}")
        places: NDArray[np.int64] = self._order[at[known]].astype(np.int64) + 1
        return places

    def _expect(self, event: Event, places: NDArray[np.int64], holds: NDArray[np.bool_]) -> None:
        if not holds.all():
            place = int(places[np.flatnonzero(~holds)[0]])
            self._wonder(event, f"position {place} is not where this begins")

    def _wonder(self, event: Event, why: str) -> None:
        if not self.faults:
            self.faults.append(f"{event.action} {event.biz_step} {event.id}: {why}")


def first_difference(first: int, serials: Sequence[str], letters: Mapping[str, Letters]) -> str:
    """Where successive labels differ between the accounts, in words; empty if nowhere.

    Args:
        first: position of the first.
        letters: of each account but the printed one; what was printed is `ord("p")` there.
    """
    accepted, recorded, exported = (letters[side] for side in (ACCEPTED, RECORDED, EXPORTED))
    unprinted = (letters[PRINTED] == NEVER) & (accepted != NEVER)
    differs = (accepted != recorded) | (recorded != exported) | unprinted
    if not differs.any():
        return ""
    place = int(np.flatnonzero(differs)[0])
    told = [f"{side} {_word(letters[side][place])}" for side in (ACCEPTED, RECORDED, EXPORTED)]
    was = "in no print file" if letters[PRINTED][place] == NEVER else "printed"
    return f"position {first + place}, number {serials[place]}: {was}, {', '.join(told)}"


def _word(letter: int) -> str:
    return State(chr(letter)).word if letter else "never active"
