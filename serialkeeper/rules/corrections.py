"""Which decommissioning counts as a mistake that may be taken back, and for how long.

The unit was on the pack and good all the time; only the entry was wrong. So nothing is edited: a
new entry says it, by compliance with a second person, and downstream the events that told it are
declared to be in error (`rules.unit_events`).

EU 2016/161 Art 13 (from memory): only within 10 days, not past the expiry date, not for what is
registered as to be destroyed or as stolen. Where the market is stricter, or allows more, local
rules decide; the record holds to this.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import Entry
from serialkeeper.rules.changes import Change, Insert, MoveLabels, Row, Update
from serialkeeper.rules.moves import State

DAYS = 10
"""Days after a decommissioning in which it may be corrected."""

NEVER = ("destroyed", "stolen")
"""Reasons of decommissionings that are never corrected."""

BACK = State.COMMISSIONED.value
"""In a departure: the labels came back."""


@dataclass(frozen=True, slots=True)
class Gone:
    """Successive labels that left by one entry.

    Attributes:
        seq: the entry.
        first, last: the labels.
        reason: why they left.
    """

    seq: int
    first: int
    last: int
    reason: str


def check_time(expiry: str, today: date, *, where: str) -> None:
    """Refuses `move_not_allowed` past the expiry date."""
    if today > date.fromisoformat(expiry):
        raise Refused(
            "move_not_allowed",
            "The lot has expired; what left of it does not come back.",
            where=where,
            expected=f"a day up to {expiry}",
            came=str(today),
            remedy="Nothing was changed.",
        )


def check(gone: Gone, entry: Entry, now: datetime, *, where: str) -> None:
    """Refuses `move_not_allowed` for a decommissioning that is too old, or for its reason."""
    last = datetime.fromisoformat(entry.at) + timedelta(days=DAYS)
    if gone.reason in NEVER or now > last:
        raise Refused(
            "move_not_allowed",
            "This decommissioning is not corrected any more.",
            where=f"{where}, position {gone.first}",
            expected=f"one of the last {DAYS} days, not {' or '.join(NEVER)}",
            came=f"{gone.reason}, {entry.at}",
            remedy="Nothing was changed. The object may return under a new number only.",
        )


def pieces(gone: Sequence[Gone], first: int, last: int) -> Iterator[tuple[Gone, int, int]]:
    """What of these labels left by which entry, in order of position."""
    for one in sorted(gone, key=lambda one: one.first):
        begin, end = max(first, one.first), min(last, one.last)
        if begin <= end:
            yield one, begin, end


def sources(entry: Entry, first: int, last: int) -> Iterator[tuple[int, int, str]]:
    """The states in which these labels were before the entry, in order of position."""
    for begin, end, source, _ in entry.data["moves"]:
        if begin <= last and end >= first:
            yield max(first, begin), min(last, end), source


def told(gone: Sequence[tuple[Gone, int, int]]) -> list[list[int | str]]:
    """The departures that a correction cuts, each as it stands when it is its turn: entry, first
    and last label, first and last of those that come back, reason."""
    rows: list[list[int | str]] = []
    left: dict[tuple[int, int], int] = {}
    for one, begin, end in gone:
        first = left.get((one.seq, one.first), one.first)
        rows.append([one.seq, first, one.last, begin, end, one.reason])
        left[one.seq, one.first] = end + 1
    return rows


def corrected(entry: Entry, key: Row) -> list[Change]:
    """What an entry `corrected` does."""
    made: list[Change] = [MoveLabels(*move) for move in entry.data["moves"]]
    for seq, first, last, begin, end, reason in entry.data["departures"]:
        row = {**key, "seq": seq}
        if begin > first:
            made.append(Update("departure", {**row, "first": first}, {"last": begin - 1}))
            back = {"first": begin, "last": end, "state": BACK, "reason": reason}
            made.append(Insert("departure", {**row, **back}))
        else:
            now = {"last": end, "state": BACK}
            made.append(Update("departure", {**row, "first": first}, now))
        if end < last:
            rest = {"first": end + 1, "last": last, "reason": reason}
            made.append(Insert("departure", {**row, **rest, "state": State.DECOMMISSIONED.value}))
    made.append(Update("lot", _lot(key), {"state": entry.data["lot_state"]}))
    return made


def _lot(key: Row) -> Row:
    return {"product_id": key["product_id"], "id": key["lot_id"]}
