"""Rounds of sending: every destination in its turn, once or for as long as somebody keeps sending.

What is sent is prepared in the journal before anything leaves, and so is what became of it: a
sender that died is followed by one that knows what to ask.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable
from threading import Event as Signal
from time import monotonic
from typing import Any

from serialkeeper.rules.captures import Pace
from serialkeeper.rules.destinations import Destination
from serialkeeper.rules.documents import STUCK
from serialkeeper.steps.sending.sender import Sender, Tell
from serialkeeper.store.destinations import (
    destination,
    destinations_of,
    note_sendings,
    only_sender,
)
from serialkeeper.store.record import Record

LONGEST_REST = 3_600.0
"""Seconds for which a destination that takes nothing is left alone, at most."""


def send(
    record: Record,
    *,
    to: str = "",
    lot: str = "",
    tell: Tell = lambda _: None,
    stopping: Signal | None = None,
    pace: Pace | None = None,
) -> dict[str, Any]:
    """Send to every destination what it does not have yet, lot by lot in the order of opening.

    A lot's documents go strictly one after the other. A lot that is stuck stops no other lot, and
    a destination that is stuck no other destination.

    Args:
        to: one destination only.
        lot: one lot only.
        tell: is told of each document that arrived.
        stopping: once it is set, nothing is begun any more.
        pace: how patient to be with receivers.

    Refuses `destination_unknown`, `lot_unknown`, `role_not_allowed`, `token_narrow`.

    Returns:
        `destinations`, each with its `outcome` (`sent`, `busy` while another process sends there,
        `unavailable`, `needs_person`), why, the seconds for which it `asks_for` being left alone,
        and its lots; `documents` and `events` that arrived; `unavailable` and `needs_person`: how
        many destinations.
    """
    result = _once(record, to, lot, tell, stopping or Signal(), pace or Pace())
    note_sendings(record, result["destinations"])
    return result


def _once(
    record: Record,
    to: str,
    lot: str,
    tell: Tell,
    stopping: Signal,
    pace: Pace,
    resting: Container[str] = (),
) -> dict[str, Any]:
    """What `send` does and gives; destinations that are `resting` are left alone."""
    record.check_may("document prepared")
    with record.read() as view:
        named = view.lot(lot) if lot else None
        targets = [destination(view, to)] if to else destinations_of(view)
    found = []
    for one in targets:
        if not (one.retired or one.name in resting or stopping.is_set()):
            with only_sender(record, one.id) as alone:
                sender = Sender(record, one, tell, stopping, pace)
                found.append(sender.run(named) if alone else _busy(one))
    return _summed(found)


def _summed(found: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """What a sending gives, from what it met."""
    found = list(found)
    return {
        "destinations": found,
        "documents": sum(row["documents"] for one in found for row in one["lots"]),
        "events": sum(row["events"] for one in found for row in one["lots"]),
        "unavailable": sum(one["outcome"] in ("unavailable", "busy") for one in found),
        "needs_person": sum(one["outcome"] == "needs_person" for one in found),
    }


def keep_sending(
    record: Record,
    *,
    to: str = "",
    lot: str = "",
    pause: float = 10.0,
    tell: Tell = lambda _: None,
    between: Callable[[], None] = lambda: None,
    stopping: Signal,
    pace: Pace | None = None,
) -> dict[str, Any]:
    """Send again and again until `stopping` is set, or the one destination is retired. Gives what
    `send` does, of each destination as it was met last. `between` is called after each time.

    What hinders a destination, or a lot there, is told when it changes, also when nothing does any
    more; a destination that takes nothing is left alone for a while, longer each time, unless
    somebody changes it.
    """
    rounds = _Rounds(pause, tell)
    while True:
        with record.read() as view:
            rounds.look(destinations_of(view))
        if to in rounds.gone:
            return _summed(())
        result = _once(record, to, lot, tell, stopping, pace or Pace(), rounds.asleep())
        rounds.note(result["destinations"])
        note_sendings(record, result["destinations"], rounds.rests())
        between()
        if stopping.wait(pause):
            return _summed(rounds.met.values())


class _Rounds:
    """How a sender that keeps going met each destination last, and when it looks again.

    Attributes:
        met: what `send` told of each, by name.
        there: when each that is in use was changed last, by name.
        gone: names of those that were retired meanwhile.
    """

    def __init__(self, pause: float, tell: Tell) -> None:
        self.pause, self.tell = pause, tell
        self.met: dict[str, dict[str, Any]] = {}
        self.there: dict[str, str] = {}
        self.gone: set[str] = set()
        self._told: dict[str, str] = {}
        self._resting: dict[str, tuple[float, float]] = {}

    def look(self, destinations: Iterable[Destination]) -> None:
        """Forget what is retired, and how long to rest from what was changed."""
        there = {one.name: one.at for one in destinations if not one.retired}
        for name, at in self.there.items():
            if there.get(name) != at:
                self._resting.pop(name, None)
            if name not in there:
                self.met.pop(name, None)
                self.gone.add(name)
        self.there = there

    def asleep(self) -> set[str]:
        """Destinations to be left alone this time."""
        now = monotonic()
        return {name for name, (until, _) in self._resting.items() if until > now}

    def rests(self) -> dict[str, float]:
        """After how many seconds each is looked at again."""
        now = monotonic()
        return {name: max(until - now, self.pause) for name, (until, _) in self._resting.items()}

    def note(self, found: Iterable[dict[str, Any]]) -> None:
        """Take in how destinations were met, and tell what is new of it."""
        now = monotonic()
        for one in found:
            name, why = one["destination"], one["why"] or _stuck(one)
            if why != self._told.get(name, ""):
                self.tell({"destination": name, "outcome": one["outcome"], "why": why or None})
            self._told[name], self.met[name] = why, one
            rest = min(2 * self._resting.get(name, (0.0, self.pause))[1], LONGEST_REST)
            until = now + max(rest, one["asks_for"])
            self._resting[name] = (until, rest) if one["why"] else (0.0, self.pause)


def _stuck(one: dict[str, Any]) -> str:
    """The lots that wait for a person at a destination, in words."""
    lots = [row for row in one["lots"] if row["state"] == STUCK]
    return "; ".join(f"lot {row['lot']}: {', '.join(row['why'])}" for row in lots)


def _busy(target: Destination) -> dict[str, Any]:
    why = "Another process sends to it."
    return {"destination": target.name, "outcome": "busy", "why": why, "asks_for": 0.0, "lots": []}
