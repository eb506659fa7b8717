"""Correcting: a decommissioning that was entered by mistake is taken back."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import corrections, moves
from serialkeeper.rules.corrections import Gone
from serialkeeper.rules.jobs import parse_which
from serialkeeper.rules.moves import OPEN_LOT, State
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import key_of


def correct(
    record: Record,
    name: str,
    which: str,
    *,
    reason: str,
    second: str = "",
    count: int | None = None,
) -> dict[str, Any]:
    """Say that units never left: their decommissioning was entered by mistake.

    They are again what they were before: commissioned, or rejected if they waited for a decision.

    Args:
        which: positions such as `17` or `17,20,30-40`.
        reason: in words, how the mistake came about and how it was found.
        second: who confirms it; needed in a live record.
        count: how many units; needed for more than one.

    Refuses `move_not_allowed` for units that are not decommissioned, for ones that were destroyed
    or stolen, after 10 days, and past the expiry date; `count_needed`, `reason_needed`,
    `second_person_needed`, `password_needed`, `label_unknown`, `lot_state`, `role_not_allowed`.

    Returns:
        lot, labels, positions, states (how many are what now), reason.
    """
    moves.check_reason("correct", reason)
    record.check_may("corrected")
    moves.check_second(record.person, second, practice=record.practice)
    with record.read() as view:
        lot = view.lot(name)
        if second:
            view.person(second)
    ranges = parse_which(which, lot.labels)
    _check_count(lot, ranges, count)
    with record.work(key_of(lot)) as work:
        lot = work.lot(lot.full_name)
        moves.check_lot(lot.state, *OPEN_LOT, "closed", where=lot.full_name)
        now = record.now()
        corrections.check_time(lot.expiry, now.astimezone(UTC).date(), where=lot.full_name)
        gone = [piece for first, last in ranges for piece in _gone(work, lot, first, last)]
        made = _moves(work, lot, gone, now)
        data = {
            "moves": made,
            "entries": sorted({one.seq for one, *_ in gone}),
            "departures": corrections.told(gone),
            "lot_state": lot.state if lot.state == "closed" else "running",
        }
        work.write(key_of(lot), "corrected", data, reason=reason, second=second)
    states: dict[str, int] = {}
    for first, last, _, source in made:
        word = State(source).word
        states[word] = states.get(word, 0) + last - first + 1
    return {
        "lot": lot.number,
        "labels": sum(states.values()),
        "positions": ranges,
        "states": states,
        "reason": reason,
    }


def _moves(
    work: Work, lot: Lot, gone: list[tuple[Gone, int, int]], now: datetime
) -> list[list[Any]]:
    """Back to where they were. Refuses `move_not_allowed`."""
    entries = {entry.seq: entry for entry in work.entries(key_of(lot))}
    # A clock that was set back does not make a decommissioning younger.
    now = max(now, *(datetime.fromisoformat(entry.at) for entry in entries.values()))
    made: list[list[Any]] = []
    for one, begin, end in gone:
        corrections.check(one, entries[one.seq], now, where=lot.full_name)
        for first, last, source in corrections.sources(entries[one.seq], begin, end):
            made.append([first, last, State.DECOMMISSIONED.value, source])
    return made


def _gone(work: Work, lot: Lot, first: int, last: int) -> list[tuple[Gone, int, int]]:
    """By which entries these labels left. Refuses `move_not_allowed` if one did not."""
    letters = work.states(key_of(lot), first, last).decode()
    for position, letter in enumerate(letters, first):
        where = f"lot {lot.number}, position {position}"
        moves.check("correct", State(letter), where=where)
    rows = [
        Gone(row.seq, row.first, row.last, row.reason)
        for row in work.departures(key_of(lot))
        if row.state == State.DECOMMISSIONED.value
    ]
    return list(corrections.pieces(rows, first, last))


def _check_count(lot: Lot, ranges: list[list[int]], count: int | None) -> None:
    """Refuses `count_needed` for more than one unit whose number is not said."""
    units = sum(last - first + 1 for first, last in ranges)
    if count == units or (count is None and units == 1):
        return
    raise Refused(
        "count_needed",
        f"This brings {units} units back.",
        where=f"lot {lot.number}, positions {ranges[0][0]} to {ranges[-1][1]}",
        expected=f"--count {units}",
        came="no count" if count is None else f"--count {count}",
        remedy=f"Check the positions; if you mean all of them, add --count {units}.",
    )
