"""The fold of a lot's chain into events, against a slow one in plain Python."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from serialkeeper.rules import moves, pack_events, parts
from serialkeeper.rules.chain import Entry, Part, PartRef
from serialkeeper.rules.events import Event, LotFacts, write_offset, write_time
from serialkeeper.rules.unit_events import HANDED_OUT

FACTS = LotFacts("09521234543213", 7, "LOT24A", "2028-06-30", 10_000)
GOOD_TIME = 1_780_000_000_000
NEVER_READ = 0

Kind = tuple[str, str, str | None]
"""Action, bizStep and disposition."""
COMMISSIONING: Kind = ("ADD", "commissioning", "active")
Plain = tuple[Kind, str, str]
"""Kind, time, and the units in one text."""


def numbers_of(first: int, count: int) -> list[str]:
    """The numbers of successive positions."""
    return [f"N{position:05d}" for position in range(first, first + count)]


@dataclass
class Book:
    """A small lot's chain and its parts."""

    entries: list[Entry] = field(default_factory=list)
    parts: dict[str, bytes] = field(default_factory=dict)
    gone: dict[int, int] = field(default_factory=dict)

    def write(self, verb: str, data: dict[str, Any], reason: str = "", *made: Part) -> None:
        """Add an entry."""
        number = len(self.entries) + 1
        refs = tuple(part.ref() for part in made)
        self.parts |= {ref.sha256: part.data for ref, part in zip(refs, made, strict=True)}
        at = f"2026-01-31T08:00:{number:02d}.000Z"
        self.entries.append(
            Entry(7, number, verb, at, 60, "Ada", "", "", "line 1", reason, data, refs)
        )

    def take(self, first: int, letters: str, times: list[int]) -> None:
        """Add what a take says of successive labels."""
        count = len(letters)
        states = parts.States(
            first,
            np.frombuffer(letters.encode(), np.uint8),
            np.full(count, ord("r"), np.uint8),
            np.full(count, parts.NO_GRADE, np.uint8),
            np.array(times, np.int64),
        )
        self.write("taken", {"take": 1}, "", parts.pack_states(states))

    def read_part(self, entry: Entry, ref: PartRef) -> bytes:
        """A part's bytes."""
        assert ref in entry.parts
        return self.parts[ref.sha256]

    def labels(self, entry: Entry) -> list[tuple[str, str, int]]:
        """What a take says, label by label: number, state letter, reading time."""
        [ref] = entry.parts
        data = self.parts[ref.sha256]
        return list(
            zip(
                numbers_of(ref.first, ref.count),
                data[: ref.count].decode(),
                np.frombuffer(data[3 * ref.count :], "<i8").tolist(),
                strict=True,
            )
        )

    def fold(self, limit: int) -> list[Event]:
        """The events that the chain has caused."""
        facts = replace(FACTS, group_limit=limit)
        return list(
            pack_events.fold(self.entries, facts, read_part=self.read_part, serials_of=numbers_of)
        )


moments = st.sampled_from((0, 0, 1, 2, 250, 999, 60_000))
takes = st.lists(st.tuples(st.sampled_from("ccccccvrR.x"), moments), min_size=1, max_size=12)
steps = st.one_of(
    st.tuples(st.just("taken"), takes),
    st.tuples(st.just("taken"), takes),
    st.tuples(st.just("take finished"), st.none()),
    st.tuples(st.just("accepted"), st.sampled_from((("r", "c"), ("R", "c"), ("r", "v")))),
    st.tuples(st.just("voided"), st.just(("r", "x"))),
    st.tuples(st.just("decommissioned"), st.sampled_from(sorted(moves.DECOMMISSION_REASONS))),
)
corrections = st.tuples(st.just("corrected"), st.sets(st.integers(0, 30), max_size=6))


def write_book(script: list[tuple[str, Any]]) -> Book:
    """A chain in which each entry goes on at the position where the last one ended."""
    book, position = Book(), 1
    for verb, what in script:
        seq = len(book.entries) + 1
        if verb == "taken":
            letters = "".join(letter for letter, _ in what)
            book.take(position, letters, [m and GOOD_TIME + m for _, m in what])
            position += len(what)
        elif verb == "take finished":
            book.write(verb, {"take": 1})
        elif verb == "decommissioned":
            moved = [[position, position + 2, "c", "d"], [position + 5, position + 5, "R", "d"]]
            book.write(verb, {"moves": moved}, what)
            book.gone |= dict.fromkeys([*range(position, position + 3), position + 5], seq)
            position += 6
        elif verb == "corrected":
            back = [p for place, p in enumerate(sorted(book.gone)) if place in what]
            if back:
                entries = sorted({book.gone.pop(one) for one in back})
                moved = [[one, one, "d", "c"] for one in back]
                book.write(verb, {"moves": moved, "entries": entries}, "a mistake")
        else:
            book.write(verb, {"moves": [[position, position + 3, *what]]}, "why")
            position += 4
    return book


class SlowFold:
    """The events label by label, from the docstrings alone; commissioning groups are told
    whole, all other events unit by unit."""

    def __init__(self, book: Book, limit: int) -> None:
        self.book, self.limit = book, limit
        self.told: list[Plain] = []
        self.group: list[tuple[str, int]] = []
        self.at = ""
        for entry in book.entries:
            if entry.verb == "taken":
                self.take(entry)
            else:
                self.close()
                self.move(entry)

    def take(self, entry: Entry) -> None:
        labels = self.book.labels(entry)
        for number, letter, time in labels:
            if letter == "c":
                self.group.append((number, time))
                self.at = entry.at
            if len(self.group) == self.limit:
                self.close()
        pulled = [number for number, letter, _ in labels if letter == "R"]
        if pulled:
            self.close()
        kind = ("OBSERVE", "inspecting", "non_conformant")
        self.told += [(kind, entry.at, number) for number in pulled]

    def close(self) -> None:
        if self.group:
            latest = max(time for _, time in self.group)
            moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=latest)
            time = moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
            units = " ".join(number for number, _ in self.group)
            self.told.append((COMMISSIONING, self.at if latest == NEVER_READ else time, units))
        self.group = []

    def move(self, entry: Entry) -> None:
        units: dict[Kind, list[str]] = {}
        for first, last, source, target in entry.data.get("moves", []):
            for kind in kinds_of(source, target, entry.reason):
                units.setdefault(kind, []).extend(numbers_of(first, last - first + 1))
        for kind, numbers in units.items():
            size = self.limit if kind == COMMISSIONING else 1
            for start in range(0, len(numbers), size):
                text = " ".join(numbers[start : start + size])
                self.told.append((kind, entry.at, text))


def kinds_of(source: str, target: str, reason: str) -> tuple[Kind, ...]:
    """The events of a move by hand: accepted labels are commissioned, or found conformant if
    they were active before; what leaves says why; nothing else is told."""
    if target == "d":
        return moves.DECOMMISSION_REASONS[reason].steps
    return {
        ("r", "c"): (COMMISSIONING,),
        ("R", "c"): (("OBSERVE", "inspecting", "conformant"),),
    }.get((source, target), ())


def plainly(made: list[Event]) -> list[Plain]:
    """Events as plain rows: commissioning groups whole, all other events unit by unit."""
    told: list[Plain] = []
    for event in made:
        kind = (event.action, event.biz_step, event.disposition)
        units = [" ".join(event.serials)] if kind == COMMISSIONING else event.serials
        told += [(kind, event.time, unit) for unit in units]
    return told


books = st.lists(steps, max_size=8).map(write_book)


@given(books, st.integers(1, 7))
@settings(deadline=None, max_examples=200)
def test_the_fold_agrees_with_a_slow_one(book: Book, limit: int) -> None:
    """Groups, their times and all other events are those of a label-by-label reading."""
    assert plainly(book.fold(limit)) == SlowFold(book, limit).told


@given(books, st.integers(1, 7))
@settings(deadline=None, max_examples=100)
@example(write_book([("taken", [("R", 0)] * 5)]), 2)
def test_no_event_names_more_units_than_the_lot_allows(book: Book, limit: int) -> None:
    """The limit frozen for a lot holds for its events of every kind, none being empty."""
    for event in book.fold(limit):
        assert 1 <= len(event.serials) <= limit


@given(st.lists(steps, max_size=8), st.integers(1, 7))
@settings(deadline=None, max_examples=200)
def test_commissioned_units_are_told_once(script: list[tuple[str, Any]], limit: int) -> None:
    """After the last take has ended, the units told as commissioned are those that the takes
    and acceptances commissioned, each once."""
    book = write_book([*script, ("take finished", None)])
    told = [
        serial
        for event in book.fold(limit)
        if event.biz_step == "commissioning"
        for serial in event.serials
    ]
    expected = set()
    for entry in book.entries:
        if entry.verb == "taken":
            expected |= {number for number, letter, _ in book.labels(entry) if letter == "c"}
        for first, last, source, target in entry.data.get("moves", []):
            if (source, target) == ("r", "c"):
                expected |= set(numbers_of(first, last - first + 1))
    assert len(told) == len(set(told))
    assert set(told) == expected


@given(books, st.integers(1, 7), st.integers(0, 8))
@settings(deadline=None, max_examples=200)
def test_what_was_told_stays_told(book: Book, limit: int, entries: int) -> None:
    """The events of a chain's beginning are the beginning of its events, so that what was sent
    is never told otherwise later."""
    whole = book.fold(limit)
    early = Book(book.entries[:entries], book.parts).fold(limit)
    assert early == whole[: len(early)]
    assert [event.id for event in early] == [event.id for event in whole[: len(early)]]


def test_a_group_goes_on_over_entries_of_one_take() -> None:
    """Blocks of one take fill one group; it closes when the take ends, at its latest reading."""
    book = Book()
    book.take(1, "cc", [GOOD_TIME, GOOD_TIME + 500])
    book.take(3, "c", [GOOD_TIME + 250])
    assert book.fold(10) == []
    book.write("take finished", {"take": 1})
    [event] = book.fold(10)
    assert event.serials == numbers_of(1, 3)
    assert event.time == write_time(GOOD_TIME + 500)
    assert event.offset == "+01:00"


@given(
    st.sampled_from(("Europe/Berlin", "Australia/Lord_Howe", "America/St_Johns", "Asia/Kolkata")),
    st.datetimes(datetime(2020, 1, 1), datetime(2037, 1, 1)),
)
def test_the_offset_is_that_of_the_place_when_it_happened(zone: str, moment: datetime) -> None:
    """EPCIS 2.0 wants the offset at the place of the event, whatever clock the server runs by.
    Python's zoneinfo knows it, too."""
    there = moment.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).utcoffset()
    assert there is not None
    facts = replace(FACTS, zone=zone)
    time = f"{moment:%Y-%m-%dT%H:%M:%S}.000Z"
    assert facts.offset(time, 60) == write_offset(round(there.total_seconds() / 60))
    assert FACTS.offset(time, 60) == "+01:00"


def test_a_full_group_closes_at_once() -> None:
    """The limit closes a group within an entry, and the rest waits for the take's end."""
    book = Book()
    book.take(1, "ccccc", [NEVER_READ] * 5)
    assert [event.serials for event in book.fold(2)] == [numbers_of(1, 2), numbers_of(3, 2)]
    assert {event.time for event in book.fold(2)} == {book.entries[0].at}


def test_a_sampled_unit_is_sampled_and_then_ended() -> None:
    """CBV 2.0: the event after sampling shall end the unit's life (action DELETE)."""
    book = Book()
    book.write("decommissioned", {"moves": [[4, 4, "c", "d"]]}, "sampled")
    kinds = [(e.action, e.biz_step, e.disposition) for e in book.fold(10)]
    assert kinds == [("OBSERVE", "sampling", None), ("DELETE", "decommissioning", "inactive")]


@pytest.mark.parametrize("reason", sorted(moves.DECOMMISSION_REASONS))
def test_every_leaving_ends_the_unit(reason: str) -> None:
    """Whatever the reason, the last event of a unit that left is a DELETE (CBV 2.0)."""
    book = Book()
    book.write("decommissioned", {"moves": [[4, 5, "c", "d"]]}, reason)
    made = book.fold(10)
    assert made[-1].action == "DELETE"
    assert [event.action for event in made].count("DELETE") == 1
    assert all(event.serials == numbers_of(4, 2) for event in made)


@given(books, st.integers(1, 7), st.integers(0, 8), st.sampled_from(HANDED_OUT))
@settings(deadline=None, max_examples=200)
def test_handing_events_out_changes_none(book: Book, limit: int, cut: int, verb: str) -> None:
    """What is handed out in the midst of a chain, while a group is open, say, leaves it open."""
    told = Entry(7, 99, verb, "", 60, "Ada", "", "", "line 1", "", {}, ())
    with_it = Book([*book.entries[:cut], told, *book.entries[cut:]], book.parts)
    assert with_it.fold(limit) == book.fold(limit)


@given(st.lists(steps | corrections, max_size=12), st.integers(1, 7))
@settings(deadline=None, max_examples=200)
def test_what_ended_is_what_no_declaration_took_back(
    script: list[tuple[str, Any]], limit: int
) -> None:
    """Whoever keeps to the declarations knows of exactly those units that they ended; every
    declared event was told before, and every corrective one is told."""
    book = write_book(script)
    told = book.fold(limit)
    standing = [event for event in told if not event.declared]
    wrong = {event.id for event in told if event.declared}
    ended = {
        serial
        for event in standing
        if event.action == "DELETE" and event.id not in wrong
        for serial in event.serials
    }
    assert ended == {serial for one in book.gone for serial in numbers_of(one, 1)}
    ids = [event.id for event in standing]
    assert len(set(ids)) == len(ids) and wrong <= set(ids)
    for place, event in enumerate(told):
        if event.declared:
            before = {one.id for one in told[:place] if not one.declared}
            assert event.id in before and set(event.declared.corrective) <= set(ids) - before
