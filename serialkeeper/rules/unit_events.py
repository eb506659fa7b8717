"""The fold of a lot's chain into the events of its units.

A commissioning group closes at the lot's group limit, when a take ends, or before any other entry
that is not only about handing events out.

An event that was told is never changed. Where a decommissioning is corrected, its events are told
once more with an error declaration (EPCIS 2.0): for good if all its units came back, else with
corrective events over those that did not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import compress

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.chain import Entry, PartRef
from serialkeeper.rules.events import Declaration, Event, LotFacts, write_time
from serialkeeper.rules.moves import DECOMMISSION_REASONS, State
from serialkeeper.rules.parts import NO_TIME, unpack_states
from serialkeeper.rules.tellings import (
    COMMISSIONING,
    CONFORMANT,
    ENCODING,
    PULLED_BACK,
    SPOILT,
    Step,
)

HANDED_OUT = (
    *("events written", "events checked", "lot reported", "document prepared"),
    "document accepted",
    *("document delivered", "document not stored", "document stuck", "document settled"),
)
"""Entries that tell of what was and cause no event: events are the same whether or not some of them
were handed out, or the lot was reported on, meanwhile."""

ReadPart = Callable[[Entry, PartRef], bytes]
SerialsOf = Callable[[int, int], list[str]]
"""The numbers of `count` positions from `first`, in position order."""


@dataclass(frozen=True, slots=True)
class _Ended:
    """An event that ended units, as it stands now.

    Attributes:
        event: as it was told last.
        positions: of its units, in its order.
    """

    event: Event
    positions: NDArray[np.int64]


class Units:
    """The fold over units, entry by entry."""

    def __init__(self, facts: LotFacts, read_part: ReadPart, serials_of: SerialsOf) -> None:
        self.facts, self.read_part, self.serials_of = facts, read_part, serials_of
        self.group = _Group(facts)
        self.ended: dict[int, list[_Ended]] = {}

    def of(self, entry: Entry) -> Iterator[Event]:
        """The events that the next entry completes or causes."""
        if entry.verb == "taken":
            for part in entry.parts:
                if part.kind == "states":
                    data = self.read_part(entry, part)
                    yield from _of_take(entry, part, self.group, data, self.serials_of)
            return
        if entry.verb in HANDED_OUT:
            return
        yield from self.group.close()
        if entry.verb == "corrected":
            yield from self._corrected(entry)
        elif entry.verb == "issued" and self.facts.order:
            yield from self._of_order(entry, ENCODING, entry.data["ranges"])
        elif "moves" in entry.data:
            yield from self._moved(entry)

    def _moved(self, entry: Entry) -> Iterator[Event]:
        """The events of moves by hand: one a step, in slices."""
        by_step: dict[Step, list[Sequence[int]]] = {}
        for first, last, source, target in entry.data["moves"]:
            for step in _steps(source, target, entry.reason):
                by_step.setdefault(step, []).append((first, last))
        for step, ranges in by_step.items():
            ending = any(
                fate.steps and step in fate.steps for fate in DECOMMISSION_REASONS.values()
            )
            for event, positions in self._in_slices(entry, step, ranges):
                if ending:
                    self.ended.setdefault(entry.seq, []).append(_Ended(event, positions))
                yield event
        if self.facts.order:
            printed = [
                (first, last)
                for first, last, source, target in entry.data["moves"]
                if target == State.VOIDED and source != State.ALLOCATED
            ]
            yield from self._of_order(entry, SPOILT, printed)

    def _of_order(
        self, entry: Entry, step: Step, ranges: Sequence[Sequence[int]]
    ) -> Iterator[Event]:
        """What became of numbers of the production order."""
        for event, _ in self._in_slices(entry, step, ranges):
            yield replace(event, of_order=True, transaction=("prodorder", self.facts.order))

    def _in_slices(
        self, entry: Entry, step: Step, ranges: Sequence[Sequence[int]]
    ) -> Iterator[tuple[Event, NDArray[np.int64]]]:
        """An event over these positions, cut at the lot's limit; each with its positions."""
        serials: list[str] = []
        for first, last in ranges:
            serials += self.serials_of(first, last - first + 1)
        pieces = [np.arange(first, last + 1, dtype=np.int64) for first, last in ranges]
        places = np.concatenate(pieces) if pieces else np.zeros(0, np.int64)
        limit = self.facts.group_limit
        for start in range(0, len(serials), limit):
            some = serials[start : start + limit]
            event = _event(self.facts, entry, *step, some, entry.at)
            yield event, places[start : start + limit]

    def _corrected(self, entry: Entry) -> Iterator[Event]:
        """Declarations that units did not end, and events over those of their company that did."""
        back = np.concatenate(
            [np.arange(first, last + 1) for first, last, *_ in entry.data["moves"]]
        )
        for seq in entry.data["entries"]:
            standing = []
            for one in self.ended[seq]:
                stays = ~np.isin(one.positions, back)
                if stays.all():
                    standing.append(one)
                    continue
                left = list(compress(one.event.serials, stays.tolist()))
                instead = replace(one.event, serials=left)
                ids = (instead.id,) if left else ()
                yield replace(one.event, declared=Declaration(entry.at, ids))
                if left:
                    standing.append(_Ended(instead, one.positions[stays]))
                    yield instead
            self.ended[seq] = standing


class _Group:
    """The open commissioning group of a take."""

    def __init__(self, facts: LotFacts) -> None:
        self.facts = facts
        self.serials: list[str] = []
        self.latest = NO_TIME
        self.entry: Entry | None = None

    def add(self, entry: Entry, serials: list[str], times: NDArray[np.int64]) -> Iterator[Event]:
        """Take in labels; yields the groups that become full."""
        start = 0
        while start < len(serials):
            room = self.facts.group_limit - len(self.serials)
            self.serials += serials[start : start + room]
            self.latest = max(self.latest, int(times[start : start + room].max()))
            self.entry = entry
            start += room
            if len(self.serials) == self.facts.group_limit:
                yield from self.close()

    def close(self) -> Iterator[Event]:
        """The event of what is in the group, if anything is."""
        if self.entry and self.serials:
            time = self.entry.at if self.latest == NO_TIME else write_time(self.latest)
            yield _event(self.facts, self.entry, *COMMISSIONING, self.serials, time)
        self.serials, self.latest, self.entry = [], NO_TIME, None


def _of_take(
    entry: Entry, part: PartRef, group: _Group, data: bytes, serials_of: SerialsOf
) -> Iterator[Event]:
    states = unpack_states(part.first, part.count, data)
    good = np.flatnonzero(states.state == ord(State.COMMISSIONED))
    pulled = np.flatnonzero(states.state == ord(State.PULLED))
    if not len(good) and not len(pulled):
        return
    serials = serials_of(part.first, part.count)
    if len(good):
        others = np.flatnonzero(states.state != ord(State.COMMISSIONED))
        yield from group.add(entry, _without(serials, others.tolist()), states.time[good])
    if len(pulled):
        yield from group.close()
        chosen = [serials[i] for i in pulled.tolist()]
        limit = group.facts.group_limit
        for start in range(0, len(chosen), limit):
            some = chosen[start : start + limit]
            yield _event(group.facts, entry, *PULLED_BACK, some, entry.at)


def _without(serials: list[str], others: list[int]) -> list[str]:
    """The numbers but those at some places, which are in order and few."""
    kept, start = [], 0
    for place in others:
        kept += serials[start:place]
        start = place + 1
    return kept + serials[start:]


def _steps(source: str, target: str, reason: str) -> Iterable[Step]:
    """The events of one move by hand."""
    if target == State.COMMISSIONED:
        return [CONFORMANT if source == State.PULLED else COMMISSIONING]
    if target == State.DECOMMISSIONED:
        return DECOMMISSION_REASONS[reason].steps
    return []


def _event(
    facts: LotFacts,
    entry: Entry,
    action: str,
    biz_step: str,
    disposition: str | None,
    serials: list[str],
    time: str,
) -> Event:
    offset = facts.offset(time, entry.offset)
    return Event(facts, time, offset, action, biz_step, disposition, serials)
