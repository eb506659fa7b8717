"""Reconciliation: labels counted and numbers by state agree, or the lot does not close."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from serialkeeper.errors import Refused
from serialkeeper.rules import counts, moves
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.counts import Balance
from serialkeeper.rules.history import comparison
from serialkeeper.rules.moves import OPEN_LOT, State
from serialkeeper.store.balances import balance_of, counted, describe
from serialkeeper.store.history import closed_lots, figures_of
from serialkeeper.store.plans import places_of
from serialkeeper.store.record import Record
from serialkeeper.store.reviews import to_review
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

NOT_FOUND = "not found"
"""The reason for voiding a number whose label nobody found."""

UNACCOUNTED = (State.ISSUED, State.REJECTED, State.PULLED)
"""States in which nobody has said of a label what became of it."""


def count(
    record: Record, name: str, term: str, value: int, *, witness: str = "", reason: str = ""
) -> dict[str, Any]:
    """Enter a count. Counts of one term add up; a correction downwards is negative.

    Args:
        term: one of `rules.counts.TERMS`.
        value: labels.
        witness: who saw the destruction; in a live record somebody else, who signs for it
            (`record.seconded_by`), in a practice record a name.
        reason: why, for a correction.

    Refuses `count_invalid`, `lot_state`; for a witness `password_needed`, `role_not_allowed`.
    """
    destroyed = term in counts.WITNESSED
    verb = "destruction counted" if destroyed else "counted"
    record.check_may(verb)
    by = "" if record.practice else record.person
    counts.check_count(term, value, witness=witness, reason=reason, by=by)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, key = work.lot(lot.full_name), key_of(lot)
        moves.check_lot(lot.state, *OPEN_LOT[1:], where=lot.full_name)
        tallies = work.tallies(key)
        total = sum(tally.value for tally in tallies if tally.term == term) + value
        if total < 0:
            raise Refused(
                "count_invalid",
                "The counts of a term cannot add up to less than nothing.",
                where=f"lot {lot.number}, {term}",
                expected=f"a correction of at most -{total - value}",
                came=str(value),
                remedy="Look at the counts: lot reconcile.",
            )
        data = {"id": len(tallies) + 1, "term": term, "value": value, "witness": witness}
        second = witness if destroyed and not record.practice else ""
        work.write(key, verb, data, reason=reason, second=second)
    return {"lot": lot.number, "term": term, "value": value, "total": total}


def look(record: Record, name: str) -> dict[str, Any]:
    """Both ledgers as they stand now, and the lot's state; nothing is written. Refuses
    `lot_unknown`."""
    with record.read() as view:
        lot = view.lot(name)
        return {**describe(view, lot, balance_of(view, lot)), "state": lot.state}


def unaccounted(
    record: Record, name: str, *, after: int = 0, most: int | None = None
) -> dict[str, Any]:
    """The numbers that nobody can say of where they are: printed and never seen, rejected without
    an end, voided as not found. Nothing is written.

    Args:
        after, most: not the first so many labels, and no more than so many; all without.

    Refuses `lot_unknown`.

    Returns:
        lot, gtin, state; labels and numbers of the ledgers' line; count of the labels, and how
        many of them are issued, rejected and not found; rows: position, serial, state, reason,
        finding, job, row and lane of each.
    """
    with record.read() as view:
        lot, key = view.lot(name), key_of(view.lot(name))
        letters = np.frombuffer(view.states(key, 1, lot.labels) if lot.labels else b"", np.uint8)
        many = np.bincount(letters, minlength=128)
        states = {State(chr(one)): int(many[one]) for one in np.flatnonzero(many)}
        line = counted(view, lot, states).line("unaccounted")
        lost = view.departures(key, reason=NOT_FOUND)
        open_ = np.isin(letters, [ord(one) for one in UNACCOUNTED])
        issued = states.get(State.ISSUED, 0)
        rejected = int(open_.sum()) - issued
        for one in lost:
            open_[one.first - 1 : one.last] |= letters[one.first - 1 : one.last] == ord("x")
        places = np.flatnonzero(open_) + 1
        return {
            **{"lot": lot.number, "gtin": lot.gtin, "state": lot.state},
            **{"labels": line.labels, "numbers": line.numbers, "count": len(places)},
            **{"issued": issued, "rejected": rejected},
            "not_found": len(places) - issued - rejected,
            "rows": list(_rows(view, lot, places[after:][:most].tolist())),
        }


def _rows(view: View, lot: Lot, positions: list[int]) -> Iterator[dict[str, Any]]:
    key = key_of(lot)
    places = places_of(view, lot) if view.jobs(key) else None
    for position in positions:
        label = view.label_at(key, position)
        found = view.findings(key, first=position, last=position)
        gone = view.departures_at(key, position)
        job, row, lane = places.cell(position) if places else (0, 0, 0)
        yield {
            "position": position,
            "serial": label.serial if label else None,
            "state": State(label.state).word if label else None,
            "reason": gone[-1].reason if gone else None,
            "finding": found[-1].word if found else None,
            **{"job": job or None, "row": row or None, "lane": lane or None},
        }


def reconcile(record: Record, name: str) -> dict[str, Any]:
    """Compare both ledgers; a balanced lot becomes `reconciled`.

    Open holds are told (`on_hold`) and hinder neither this nor closing: they go on afterwards.
    `history` says what closed lots of the product were like, and decides nothing.
    """
    with record.read() as view:
        lot = view.lot(name)
        found = balance_of(view, lot)
        result = describe(view, lot, found)
    if result["balanced"] and lot.state == "running":
        with record.work(key_of(lot)) as work:
            lot = work.lot(lot.full_name)
            found = balance_of(work, lot)
            result = describe(work, lot, found)
            if result["balanced"] and lot.state == "running":
                work.write(key_of(lot), "reconciled", result)
    with record.read() as view:
        return {**result, "history": _beside_others(view, lot)}


def _beside_others(view: View, lot: Lot) -> dict[str, Any] | None:
    """What closed lots of the product were like; it decides nothing."""
    others = [one for one in closed_lots(view, lot.product_id) if one.lot != lot.number]
    if not others:
        return None
    mine = figures_of(view, lot)
    return comparison(mine["printed"], mine["rejected"], others)


def close(
    record: Record,
    name: str,
    *,
    explanation: str = "",
    investigation: str = "",
    second: str = "",
) -> dict[str, Any]:
    """Close a lot: nothing is allocated, issued, taken in or settled any more.

    A lot whose ledgers do not agree closes only with an explanation, an investigation's
    reference and a second person.

    Refuses `lot_open_points`, `lot_unbalanced`, `alarms_open`, `lot_state`,
    `second_person_needed`.
    """
    record.check_may("lot closed")
    with record.read() as view:
        lot = view.lot(name)
        if second:
            view.person(second)
    with record.work(key_of(lot)) as work:
        lot, key = work.lot(lot.full_name), key_of(lot)
        where = lot.full_name
        moves.check_lot(lot.state, *OPEN_LOT, where=where)
        found = balance_of(work, lot)
        result = describe(work, lot, found)
        _check_points(lot, result["open_points"])
        if not result["balanced"]:
            if not (explanation.strip() and investigation.strip()):
                raise _unbalanced(where, found)
            moves.check_second(record.person, second, practice=record.practice)
        _check_alarms(work, lot)
        _check_reviewed(work, lot)
        work.lock((HOUSE,))
        data = {
            "balance": result,
            "explanation": explanation,
            "investigation": investigation,
            "house_head": work.head(HOUSE),
            "history": figures_of(work, lot),
        }
        work.write(key, "lot closed", data, reason=explanation, second=second)
        head = work.head(key_of(lot))
        work.write(HOUSE, "lot closing noted", {"lot_id": lot.id, "head": head})
    return {**result, "state": "closed", "head": head}


def _check_points(lot: Lot, points: list[str]) -> None:
    """Refuses `lot_open_points`."""
    if points:
        raise Refused(
            "lot_open_points",
            "The lot still has open points.",
            where=lot.full_name,
            expected="nothing open",
            came=points[0],
            remedy="Do what each point says; doubtful labels: serialkeeper label list "
            f"{lot.number} --state doubtful",
            more=tuple(points[1:]),
        )


def _check_alarms(view: View, lot: Lot) -> None:
    """Refuses `alarms_open`: somebody has to say of each alarm what it was."""
    standing = view.open_alarms(key_of(lot))
    if standing:
        raise Refused(
            "alarms_open",
            "The lot has alarms that nobody has acknowledged.",
            where=lot.full_name,
            expected="every alarm acknowledged with its cause and a restart check",
            came=f"{len(standing)} open: {', '.join(str(one.id) for one in standing[:20])}",
            remedy=f"Look at them (alarm list {lot.number}), then: alarm acknowledge "
            f"{lot.number} ID --cause TEXT --restart-check TEXT",
        )


def _check_reviewed(view: View, lot: Lot) -> None:
    """Refuses `review_open`: somebody else has to have seen what went wrong."""
    left = to_review(view, lot)
    if left:
        critical = sum(one.critical for one in left)
        raise Refused(
            "review_open",
            "The lot has a review list that is not empty.",
            where=lot.full_name,
            expected="every finding, decision and alarm reviewed by somebody else",
            came=f"{counts.many(len(left), 'group')}, critical: {critical:,}",
            remedy=f"Compliance looks at them and signs: review list {lot.number}",
        )


def _unbalanced(where: str, found: Balance) -> Refused:
    wrong = [
        f"{line.name}: labels {'not counted' if line.labels is None else line.labels}, "
        f"numbers {line.numbers}"
        for line in found.lines
        if not line.agrees
    ]
    message = "The two ledgers of the lot do not agree."
    if not wrong:
        message = "The two ledgers of the lot agree, and something is unaccounted."
        wrong = [f"unaccounted: {found.line('unaccounted').numbers}"]
    return Refused(
        "lot_unbalanced",
        message,
        where=where,
        expected="equal counts of labels and numbers, nothing unaccounted",
        came=wrong[0],
        remedy="Count again (lot count), or close with --explanation, --investigation "
        "and --second.",
        more=tuple(wrong[1:]),
    )
