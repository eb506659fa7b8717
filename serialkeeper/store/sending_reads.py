"""What a sender has read of a lot, kept for as long as only the sending goes on.

Every document adds entries to the lot's chain. Were the gate, the events and the header read anew
for each, many small documents would cost the square of their number.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import islice

from serialkeeper.rules import documents
from serialkeeper.rules.chain import LotKey, parse
from serialkeeper.rules.event_forms import Header
from serialkeeper.rules.events import Event
from serialkeeper.store.tables import Lot
from serialkeeper.store.telling import events_of, header_of
from serialkeeper.store.view import View, key_of

MOST_AHEAD, MOST_BYTES_AHEAD = 5_000, 32 * 2**20
"""Events that are read ahead of the document that is made, and about how large they are there."""


@dataclass(slots=True)
class LotReads:
    """What was read of a lot.

    Attributes:
        of, seq: which lot, and up to which entry of its chain nothing but its sending happened.
        open: whether its gate was open.
    """

    of: LotKey | None = None
    seq: int = 0
    open: bool = False
    _ahead: deque[tuple[int, Event]] = field(default_factory=deque)
    _whole: bool = False
    _headers: dict[tuple[str, str], Header | None] = field(default_factory=dict)

    def look(self, view: View, lot: Lot) -> None:
        """Forget what may not hold any more."""
        key = key_of(lot)
        if self.of == key:
            later = [parse(body) for _, body, _ in view.stored_entries(key, after=self.seq)]
            if all(entry.verb in documents.HANDLERS for entry in later):
                self.seq = later[-1].seq if later else self.seq
                return
        self.of, self.seq, self.open = key, view.chain(key).count, False
        self._ahead, self._whole, self._headers = deque(), False, {}

    def due(self, view: View, lot: Lot, through: int) -> Iterator[tuple[int, Event]]:
        """The lot's events after a place, each with its own."""
        while self._ahead and self._ahead[0][0] <= through:
            self._ahead.popleft()
        if self._ahead and self._ahead[0][0] != through + 1:
            self._ahead.clear()
            self._whole = False
        kept = list(self._ahead)
        yield from kept
        if self._whole:
            return
        reached = kept[-1][0] if kept else through
        more = islice(enumerate(events_of(view, lot), 1), reached, None)
        yield from self._read_ahead(more)
        yield from more

    def _read_ahead(self, more: Iterator[tuple[int, Event]]) -> list[tuple[int, Event]]:
        size, fresh = 0, []
        for one in more:
            fresh.append(one)
            size += documents.about_bytes(one[1])
            if len(fresh) == MOST_AHEAD or size > MOST_BYTES_AHEAD:
                break
        else:
            self._whole = True
        self._ahead.extend(fresh)
        return fresh

    def header(
        self, view: View, lot: Lot, sender: str, receiver: str, *, name: str
    ) -> Header | None:
        """As `store.telling.header_of` gives it for the newest entry."""
        if (sender, receiver) not in self._headers:
            self._headers[sender, receiver] = header_of(view, lot, sender, receiver, name=name)
        found = self._headers[sender, receiver]
        return found and replace(found, instance=name)
