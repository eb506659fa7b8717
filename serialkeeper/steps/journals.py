"""The journal for whoever reads it: newest first, and what each entry changed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import old_and_new, replay
from serialkeeper.rules.chain import BLOCK, HOUSE, Entry, LotKey, block_of, parse
from serialkeeper.rules.changes import MoveLabels, SetStates
from serialkeeper.rules.chronicle import header_of
from serialkeeper.rules.old_and_new import Line, Seeker
from serialkeeper.rules.parts import UNCHANGED, unpack_states
from serialkeeper.store.journal import endings
from serialkeeper.store.lives import life_of
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

LINES, ALL_LINES = 6, 500
"""Changed values that are told of an entry in a list, and of one alone."""


def browse(
    record: Record,
    name: str = "",
    *,
    before: int = 0,
    most: int = 50,
    verb: str = "",
    person: str = "",
    day: date | None = None,
    label: int | None = None,
) -> dict[str, Any]:
    """A lot's journal, or without a lot that of the house, newest first.

    Args:
        before: only entries before this one.
        most: so many at most.
        verb, person, day: only entries with this verb, that this person wrote or confirmed, of
            this day (UTC).
        label: a position in the lot: only entries that moved this label.

    Refuses `lot_unknown`, `lot_ambiguous`, `label_unknown`.

    Returns:
        lot and gtin, null for the house; count of all entries, head; matching: how many the
        filters let pass; skipped: how many of these are newer than what is told; entries as
        `tell` gives them.
    """
    with record.read() as view:
        lot = view.lot(name) if name else None
        key = key_of(lot) if lot else HOUSE
        chain = view.chain(key)
        moved = None
        if lot and label is not None:
            place = view.known_label(lot, label).position
            moved = {step["entry"] for step in life_of(view, lot, place)}
        filtered = bool(verb or person or day or moved is not None)
        fits = _fits(verb, person, day) if filtered else None
        told, skipped, there = _page(view, key, before, most, fits, moved)
        if not filtered:
            skipped, there = max(0, chain.count - before + 1) if before else 0, chain.count
        return {
            **_where(lot),
            "count": chain.count,
            "head": chain.head.hex(),
            "matching": there,
            "skipped": skipped,
            "entries": [_described(entry, lines, LINES) for entry, lines in told],
        }


def tell(record: Record, name: str, number: int) -> dict[str, Any]:
    """One entry with everything that it changed.

    Args:
        name: the lot; empty for the house.
        number: of the entry.

    Refuses `lot_unknown`, `lot_ambiguous`, `bad_value` for an entry that is not there.

    Returns:
        lot, gtin, count, entry, at, zone, verb, person, role, second, station, reason, token,
        signatures, parts (kind, first, count, sha256 of each), own: its hash, previous: that of
        the entry before it; changes: what, name, field, old, new, labels (how many it is about);
        more: how many changes are not told.
    """
    with record.read() as view:
        lot = view.lot(name) if name else None
        key = key_of(lot) if lot else HOUSE
        chain = view.chain(key)
        if not 1 <= number <= chain.count:
            raise Refused(
                "bad_value",
                "The journal has no such entry.",
                where=f"lot {lot.full_name}" if lot else "the house",
                expected=f"1 to {chain.count}",
                came=str(number),
                remedy="Look at the journal.",
            )
        entry = view.entry(key, number)
        lines, seeker = list(old_and_new.lines(entry, key)), Seeker()
        seeker.wait(lines)
        for _, body in view.newest_first(key, before=number):
            if seeker.done:
                break
            seeker.read(parse(body), key)
        told = _described(entry, lines, ALL_LINES)
        inner = [line.describe() for line in _in_parts(view, key, entry)]
        return {
            **_where(lot),
            "count": chain.count,
            **told,
            "changes": (inner + told["changes"])[:ALL_LINES],
            "parts": [
                {"kind": p.kind, "first": p.first, "count": p.count, "sha256": p.sha256}
                for p in entry.parts
            ],
            "own": view.hash_at(key, number).hex(),
            "previous": view.hash_at(key, number - 1).hex() or None,
        }


def _page(
    view: View,
    key: LotKey,
    before: int,
    most: int,
    fits: Callable[[bytes], bool] | None,
    moved: set[int] | None,
) -> tuple[list[tuple[Entry, list[Line]]], int, int]:
    """Entries with what they changed; how many that pass are newer, and how many pass in all,
    where there is anything to pass: else older entries are read for old values alone."""
    seeker = Seeker()
    told: list[tuple[Entry, list[Line]]] = []
    skipped = later = 0
    for seq, body in view.newest_first(key, before=0 if fits else before):
        passes = (moved is None or seq in moved) and (fits is None or fits(body))
        if before and seq >= before:
            skipped += passes
            continue
        wanted = passes and len(told) < most
        later += passes
        if not wanted and seeker.done:
            if fits is None:
                break
            continue
        entry = parse(body)
        seeker.read(entry, key)
        if wanted:
            lines = list(old_and_new.lines(entry, key))
            seeker.wait(lines)
            told.append((entry, lines))
    return told, skipped, skipped + later


def _where(lot: Lot | None) -> dict[str, str | None]:
    return {"lot": lot.number if lot else None, "gtin": lot.gtin if lot else None}


def _fits(verb: str, person: str, day: date | None) -> Callable[[bytes], bool]:
    """Whether an entry's bytes pass: in canonical form the moment stands first, the verb last."""
    ends = endings([verb]) if verb else (b"",)
    begins = f'{{"at":"{day}'.encode() if day else b""

    def fits(body: bytes) -> bool:
        if not (body.endswith(ends) and body.startswith(begins)):
            return False
        if not person:
            return True
        entry = parse(body)
        return person in (entry.person, entry.second)

    return fits


def _described(entry: Entry, lines: list[Line], most: int) -> dict[str, Any]:
    worth = [line for line in lines if old_and_new.worth_telling(line)]
    return {
        **header_of(entry),
        "parts": [{"kind": p.kind, "first": p.first, "count": p.count} for p in entry.parts],
        "changes": [line.describe() for line in worth[:most]],
        "more": max(0, len(worth) - most),
    }


def _in_parts(view: View, key: LotKey, entry: Entry) -> Iterator[Line]:
    """What the parts of an entry changed, those of states first."""
    states = [ref for ref in entry.parts if ref.kind == "states"]
    before = _letters(view, key, entry.seq, {ref.block for ref in states}) if states else {}
    for ref in states:
        data = view.part(key, entry.seq, ref) or b""
        start = (ref.first - 1) % BLOCK
        letters = before[ref.block][start : start + ref.count]
        yield from old_and_new.of_states(ref.first, ref.count, data, letters)
    for ref in entry.parts:
        if ref.kind == "findings":
            yield from old_and_new.of_findings(view.part(key, entry.seq, ref) or b"[]")


def _letters(view: View, key: LotKey, seq: int, blocks: set[int]) -> dict[int, NDArray[np.uint8]]:
    """The states of some blocks' labels before an entry, 0 where there was no label."""
    letters = {block: np.zeros(BLOCK, np.uint8) for block in blocks}
    parts = {
        (row.seq, row.first): row
        for block in blocks
        for row in view.parts(key, block, kind="states")
    }
    for entry in view.entries(key, but=("reviewed", "events written", "followed")):
        if entry.seq >= seq:
            break
        for ref in entry.parts:
            if ref.kind == "serials" and ref.block in letters:
                start = (ref.first - 1) % BLOCK
                letters[ref.block][start : start + ref.count] = ord("a")
        for change in replay.changes(entry, key):
            if isinstance(change, MoveLabels):
                _move(letters, change)
            elif isinstance(change, SetStates) and (
                row := parts.get((entry.seq, change.part.first))
            ):
                new = unpack_states(row.first, row.count, row.data).state
                start = (row.first - 1) % BLOCK
                there = letters[block_of(row.first)][start : start + row.count]
                there[new != UNCHANGED] = new[new != UNCHANGED]
    return letters


def _move(letters: dict[int, NDArray[np.uint8]], move: MoveLabels) -> None:
    for block, there in letters.items():
        first, last = max(move.first - block * BLOCK, 1), min(move.last - block * BLOCK, BLOCK)
        if first <= last:
            there[first - 1 : last] = ord(move.target)
