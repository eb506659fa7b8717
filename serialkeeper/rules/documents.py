"""Documents of events on their way to a destination: which events, in which order, how far.

An event of a lot is named by its place among the lot's events, from 1. What a destination got of a
lot is told by the last document for it: all events up to `through` are there but those `owed`. A
document is *prepared* in the journal before anything of it leaves, so whatever happens then, the
journal names the one document whose fate may be unknown; the next one is prepared only when it
ended.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any
from urllib.parse import quote

from serialkeeper.errors import SerialKeeperError
from serialkeeper.rules import texts
from serialkeeper.rules.chain import Entry
from serialkeeper.rules.changes import Change, Insert, Row, Update
from serialkeeper.rules.event_forms import FORMS, Header
from serialkeeper.rules.events import Event
from serialkeeper.rules.jobs import read_runs, write_ranges
from serialkeeper.rules.moves import State

PREPARED, DELIVERED, NOT_STORED, STUCK = "prepared", "delivered", "not_stored", "stuck"
"""States of a document: its fate is open; it is with the receiver; nothing of it is; a person has
to look."""

SUFFIXES = {"json": "jsonld", "xml": "xml", "xml-1.2": "xml"}
"""What the name of a document ends in, by its form."""

LONGEST_SAID = 500
"""Characters that are kept of what a receiver said."""

_EVENT_BYTES, _EPC_BYTES = 1_000, 100
"""About what an event, and each unit or pack in it, takes in a document."""


@dataclass(frozen=True, slots=True)
class Document:
    """One document of a lot for a destination.

    Attributes:
        number: its number among the lot's documents for the destination, from 1.
        events: places of its events among the lot's, as `first-last ...`.
        count: how many.
        form, links, sender, receiver, created: how it is written.
        name, sha256, size: what it is as a file.
        units, list_sha256: how many units its plain list names, and the list's digest; 0 and empty
            where there is none.
        state: PREPARED, DELIVERED, NOT_STORED or STUCK.
        why: a word for why it is not delivered; empty if it is.
        said: what the receiver said.
        receipt: where the receiver says that it has it, or that it works on it.
        through, owed: what of the lot is with the receiver after it: all events up to one place,
            but these.
        seq, more: up to which entry the lot's chain was read for it, and whether that had caused
            further events.
        prepared, ended: when; the second is empty while its fate is open.
    """

    destination: int
    number: int
    events: str
    count: int
    form: str
    links: int
    sender: str
    receiver: str
    created: str
    name: str
    sha256: str
    size: int
    units: int
    list_sha256: str
    state: str
    why: str
    said: str
    receipt: str
    through: int
    owed: str
    seq: int
    more: int
    prepared: str
    ended: str

    @property
    def places(self) -> list[int]:
        """Places of its events among the lot's."""
        return read_runs(self.events)

    @property
    def owes(self) -> list[int]:
        """Places of the events up to `through` that are not with the receiver."""
        return read_runs(self.owed)

    @property
    def arrived(self) -> int:
        """How many events of the lot are with the receiver."""
        return self.through - len(self.owes)

    def after(self, missing: Sequence[int] = ()) -> dict[str, Any]:
        """`through` and `owed` once it is delivered, but for these of its events, from 0."""
        mine = self.places
        owed = set(self.owes).difference(mine).union(mine[one] for one in missing)
        return {"through": max(self.through, *mine), "owed": write_runs(owed)}

    def describe(self) -> dict[str, Any]:
        """The document for people and programs."""
        names = ("number", "name", "form", "events", "count", "size", "sha256", "units")
        told = {name: getattr(self, name) for name in names}
        for name in ("list_sha256", "why", "said", "receipt", "ended"):
            told[name] = getattr(self, name) or None
        return told | {"state": self.state, "prepared": self.prepared}


def write_runs(places: Iterable[int]) -> str:
    """Places as `first-last ...`.

    >>> write_runs([3, 1, 2, 9])
    '1-3 9-9'
    """
    runs: list[list[int]] = []
    for place in sorted(places):
        if runs and place == runs[-1][1] + 1:
            runs[-1][1] = place
        else:
            runs.append([place, place])
    return write_ranges(runs)


@dataclass(slots=True)
class Load:
    """Events of a lot that go into one document, and whether there are more."""

    places: list[int] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    more: bool = False

    def first_half(self) -> Load:
        """The first half of it; the rest is more."""
        half = len(self.events) // 2
        return Load(self.places[:half], self.events[:half], True)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a document that was brought to its destination.

    Attributes:
        state: DELIVERED, NOT_STORED or STUCK.
        why, said: a word for why not all of it was delivered, and what the receiver said.
        receipt: where the receiver says that it has it.
        missing: which of its events, counted from 0, are not there although the others are.
        answer: SHA-256 of the receiver's last answer; empty for none.
        most_events, most_bytes: limits that the receiver has; 0 for what it did not tell.
        hindrance: why no document would be stored now; None if only this one was not.
    """

    state: str
    why: str = ""
    said: str = ""
    receipt: str = ""
    missing: Sequence[int] = ()
    answer: str = ""
    most_events: int = 0
    most_bytes: int = 0
    hindrance: SerialKeeperError | None = None


def those(events: Iterable[Event], places: Sequence[int]) -> Load:
    """The events at these places, in order."""
    found = list(at_places(events, places))
    return Load([place for place, _ in found], [event for _, event in found])


def at_places(events: Iterable[Event], places: Sequence[int]) -> Iterator[tuple[int, Event]]:
    """Events at some places, at least one, each with its own."""
    wanted = set(places)
    for place, event in islice(enumerate(events, 1), max(wanted)):
        if place in wanted:
            yield place, event


def about_bytes(event: Event) -> int:
    """About how large an event is in a document."""
    return _EVENT_BYTES + _EPC_BYTES * event.count


def load(
    due: Iterable[tuple[int, Event]], *, last: bool, most_events: int, most_bytes: int
) -> Load:
    """What the next document holds.

    Args:
        due: events, each with its place: those that are owed, or else all that come after what
            arrived.
        last: whether there is nothing beyond these.
        most_events: as many at most.
        most_bytes: as large at most, by estimate; one event goes whatever its size.
    """
    made, size = Load(more=not last), 0
    for place, event in due:
        size += about_bytes(event)
        if made.events and (len(made.events) == most_events or size > most_bytes):
            made.more = True
            return made
        made.places.append(place)
        made.events.append(event)
    return made


def written(made: Load, told: Mapping[str, Any], header: Header | None) -> bytes:
    """A document's bytes; the same ones again for the same telling.

    Args:
        told: how it is written: its `form`, `links` and `created`.
    """
    pieces = FORMS[told["form"]].write(
        made.events, created=told["created"], links=bool(told["links"]), header=header
    )
    return "".join(pieces).encode()


def file_name(gtin: str, lot: str, number: int, form: str) -> str:
    """A document's name; names of a lot's documents sort in their order.

    >>> file_name("09521234543213", "A/1", 7, "json")
    '09521234543213.A%2F1.00007.jsonld'
    """
    return f"{gtin}.{quote(lot, safe='')}.{number:05d}.{SUFFIXES[form]}"


def list_name(name: str) -> str:
    """The name of the plain list beside a document.

    >>> list_name("09521234543213.A.00007.jsonld")
    '09521234543213.A.00007.csv'
    """
    return name.rpartition(".")[0] + ".csv"


def plain_list(events: Sequence[Event]) -> tuple[int, bytes]:
    """How many units a lot's events name, and a list of them for receivers that take no EPCIS: CSV
    (RFC 4180), each unit once, with the state that the last of these events leaves it in."""
    states: dict[str, str] = {}
    for event in events:
        states.update(dict.fromkeys(event.serials, _state_after(event).word))
    lines = ["gtin,serial,lot,expiry,state"]
    if events:
        facts = events[0].facts
        lot = f",{_field(facts.lot)},{facts.expiry},"
        lines += [f"{facts.gtin},{_field(one)}{lot}{state}" for one, state in states.items()]
    return len(states), "\n".join([*lines, ""]).encode()


def _state_after(event: Event) -> State:
    """Where an event leaves a unit: only good ones are packed, a sample's end follows, and what is
    declared an error is a unit's end that did not occur."""
    if event.of_order:
        return State.ISSUED
    if event.declared:
        return State.COMMISSIONED
    if event.biz_step in ("decommissioning", "destroying", "sampling"):
        return State.DECOMMISSIONED
    return State.REJECTED if event.disposition == "non_conformant" else State.COMMISSIONED


def _field(text: str) -> str:
    if "," in text or '"' in text:
        return '"' + text.replace('"', '""') + '"'
    return text


def cleaned(text: str) -> str:
    """What a receiver said, fit to be kept and shown: no sign that nobody sees, not too long.

    >>> cleaned("no\\r\\nsuch\\u202ething")
    'no such?thing'
    """
    line = " ".join(text[: 4 * LONGEST_SAID].split())
    while sign := texts.unseen(line):
        line = line.replace(chr(int(sign[2:], 16)), "?")
    return line if len(line) <= LONGEST_SAID else line[: LONGEST_SAID - 1] + "…"


def _prepared(entry: Entry, key: Row) -> list[Change]:
    row = {**key, **entry.data, "state": PREPARED, "why": "", "said": "", "receipt": ""}
    return [Insert("document", {**row, "prepared": entry.at, "ended": ""})]


def _ends(state: str) -> Callable[[Entry, Row], list[Change]]:
    def ended(entry: Entry, key: Row) -> list[Change]:
        return [_ended(entry, key, state, {"why": "", "said": ""})]

    return ended


def _settled(entry: Entry, key: Row) -> list[Change]:
    return [_ended(entry, key, DELIVERED if entry.data["stored"] else NOT_STORED, {})]


def _ended(entry: Entry, key: Row, state: str, values: Row) -> Update:
    which = {name: entry.data[name] for name in ("destination", "number")}
    for name in ("why", "said", "receipt", "through", "owed"):
        if name in entry.data:
            values[name] = entry.data[name]
    return Update("document", {**key, **which}, {**values, "state": state, "ended": entry.at})


def _accepted(entry: Entry, key: Row) -> list[Change]:
    which = {name: entry.data[name] for name in ("destination", "number")}
    return [Update("document", {**key, **which}, {"receipt": entry.data["receipt"]})]


HANDLERS: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "document prepared": _prepared,
    "document accepted": _accepted,
    "document delivered": _ends(DELIVERED),
    "document not stored": _ends(NOT_STORED),
    "document stuck": _ends(STUCK),
    "document settled": _settled,
}
"""What entries of a lot's chain do."""
