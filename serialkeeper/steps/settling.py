"""Settling: a person decides what becomes of a doubtful label."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import challenges, findings, gs1, moves
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.evidence import Given, keep
from serialkeeper.rules.jobs import parse_which
from serialkeeper.rules.moves import OPEN_LOT, State
from serialkeeper.rules.packs import Child
from serialkeeper.rules.remarks import check_remark
from serialkeeper.rules.rolls import GOOD
from serialkeeper.store.codes import code_at
from serialkeeper.store.filling import lots_holding, moved_meanwhile, packed_at, take_out
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

FEW = 20
"""Doubtful labels that may leave without their number being said."""


def accept(
    record: Record,
    name: str,
    position: int,
    *,
    reason: str,
    second: str = "",
    scan: str = "",
    instrument: str = "",
    calibrated: date | None = None,
    grade: str = "",
) -> dict[str, Any]:
    """Accept a doubtful label, as far as its finding allows.

    Args:
        position: the label's place.
        reason: in words.
        second: who confirms it; in a practice record one person may play both parts.
        scan: a fresh scan, where the finding asks for it, with `{GS}` or the character itself.
        instrument, calibrated, grade: a verifier's result, where the finding asks for it.

    Refuses `never_accepted`, `evidence_needed`, `reason_needed`, `second_person_needed`,
    `move_not_allowed`, `label_unknown`.
    """
    moves.check_reason("accept", reason)
    record.check_may("accepted")
    moves.check_second(record.person, second, practice=record.practice)
    with record.read() as view:
        lot = view.lot(name)
        if second:
            view.person(second)
    with record.work(key_of(lot)) as work:
        lot, key = work.lot(lot.full_name), key_of(lot)
        moves.check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        where = f"lot {lot.number}, position {position}"
        _check_free(work, lot, position, where)
        state = State(work.known_label(lot, position).state)
        challenges.check_accept(work.planted_at(key, position) is not None, where=where)
        found = work.findings(key, first=position, last=position, state="open")
        path = [state]
        unseen = {row.word for row in found} <= set(findings.NOT_SEEN)
        if state in GOOD and found and unseen:
            return _seen_by_hand(work, lot, position, scan, reason, second)
        if state is State.ISSUED and found and unseen:
            path.append(State.REJECTED)  # looked for, found and scanned by hand
        moves.check("accept", path[-1], where=where)
        given = Given(_planned(work, lot, position), scan, instrument, calibrated, grade)
        evidence: dict[str, str] = {}
        for row in found:  # every one of them has to be satisfied
            needs = findings.check_acceptable(row.word, where=where)
            evidence |= keep(needs, given, lot.minimum_grade, record.now().date(), where)
        path.append(moves.target_of("accept", commission_at=lot.commission_at))
        data = {
            "moves": [
                [position, position, before.value, after.value] for before, after in pairwise(path)
            ],
            "findings": [row.word for row in found],
            "evidence": evidence,
            "lot_state": "running",
        }
        work.write(key, "accepted", data, reason=reason, second=second)
    return {"lot": lot.number, "position": position, "state": path[-1].word, "reason": reason}


def _check_free(work: Work, lot: Lot, position: int, where: str) -> None:
    """Refuses `take_unfinished`, since what a file still has to say may bear on the label, and
    `move_not_allowed` for a label that was taken off its roll."""
    for take in work.takes(key_of(lot)):
        moves.check_take(lot.number, take.id, take.name, take.state)
    if any(one.position == position for one in work.removals(key_of(lot))):
        raise Refused(
            "move_not_allowed",
            "The label was taken off its roll, so it cannot be good.",
            where=where,
            expected="a label that is on the web",
            came="a label that was taken off",
            remedy="Void or decommission it.",
        )


def _seen_by_hand(
    work: Work, lot: Lot, position: int, scan: str, reason: str, second: str
) -> dict[str, Any]:
    """A good label that a further pass did not see, found by a fresh scan: it stays good."""
    planned = _planned(work, lot, position)
    where = f"lot {lot.number}, position {position}"
    given = Given(planned, scan, "", None, "")
    evidence = keep(findings.FRESH_SCAN, given, 0, date.min, where)
    data = {"ranges": [[position, position]], "evidence": evidence}
    work.write(key_of(lot), "settled", data, reason=reason, second=second)
    state = State(work.known_label(lot, position).state)
    return {"lot": lot.number, "position": position, "state": state.word, "reason": reason}


def _planned(view: View, lot: Lot, position: int) -> str:
    return gs1.from_file(code_at(view, lot, position))


def void(
    record: Record, name: str, which: str, *, reason: str, count: int | None = None
) -> dict[str, Any]:
    """Void numbers that were never active.

    Args:
        which: positions such as `17`, `3-9` or `17,20,30-40`.
        reason: one of `rules.moves.VOID_REASONS`; `surplus` for labels that were never
            printed, the others for printed ones.
        count: how many labels that are; needed for many, and for labels without a finding.

    Refuses `move_not_allowed`, `reason_needed`, `label_unknown`, `count_needed`.
    """
    moves.check_reason("void", reason)
    return _leave(record, name, which, "void", reason, count, {})


def decommission(
    record: Record,
    name: str,
    which: str,
    *,
    reason: str,
    note: str = "",
    count: int | None = None,
    take_out: bool = False,
) -> dict[str, Any]:
    """Decommission units that were active.

    Args:
        which, count: as for `void`.
        reason: one of `rules.moves.DECOMMISSION_REASONS`.
        note: the destruction record for `destroyed`, free text for `other`.
        take_out: take units that are packed out of their packs first.

    Refuses `packed_already`, `pack_part`, `pack_state`, `move_not_allowed`, `reason_needed`,
    `label_unknown`, `role_not_allowed`.
    """
    moves.check_decommission(reason, note)
    record.check_may("decommissioned", moves.DECOMMISSION_REASONS[reason].roles)
    return _leave(record, name, which, "decommission", reason, count, {"note": note}, take_out)


def _leave(
    record: Record,
    name: str,
    which: str,
    verb: str,
    reason: str,
    count: int | None,
    more: dict[str, Any],
    take_packed: bool = False,
) -> dict[str, Any]:
    record.check_may("voided" if verb == "void" else "decommissioned")
    with record.read() as view:
        lot = view.lot(name)
        ranges = parse_which(which, lot.labels)
        packed = packed_at(view, lot, ranges)
        locked = {LotKey(lot.product_id, id_) for id_ in lots_holding(view, packed)}
    past = {"void": "voided", "decommission": "decommissioned"}[verb]
    # Decommissioning goes on after a lot is closed; voiding does not.
    allowed = OPEN_LOT if verb == "void" else (*OPEN_LOT, "closed")
    with record.work(*{key_of(lot), *locked}) as work:
        lot = work.lot(lot.full_name)
        moves.check_lot(lot.state, *allowed, where=lot.full_name)
        if packed := packed_at(work, lot, ranges):
            _check_packed(packed, take_packed)
            if not {LotKey(lot.product_id, id_) for id_ in lots_holding(work, packed)} <= locked:
                raise moved_meanwhile()
            take_out(work, lot.product_id, packed, reason=f"{past}: {reason}")
        found = np.zeros(lot.labels + 1, dtype=np.bool_)
        for row in work.findings(key_of(lot), state="open"):
            found[row.position] = True
        made = _plan_moves(work, lot, ranges, verb, reason, found)
        _check_number(lot, made, count, found)
        state = lot.state if lot.state == "closed" else "running"
        if not any(source != State.ALLOCATED.value for _, _, source, _ in made):
            state = lot.state
        data = {"moves": made, "lot_state": state, **more}
        work.write(key_of(lot), past, data, reason=reason)
    return {
        "lot": lot.number,
        "labels": sum(last - first + 1 for first, last in ranges),
        "positions": ranges,
        "state": past,
        "reason": reason,
    }


def _check_packed(packed: list[Child], take_packed: bool) -> None:
    """Refuses `packed_already` for units that have to be taken out of their packs first."""
    first = packed[0]
    if not take_packed:
        raise Refused(
            "packed_already",
            f"Units cannot leave from inside a pack; packed of these: {len(packed):,}.",
            where=f"position {first.place}",
            expected="loose units",
            came=f"{first.key}, in pack {first.around}",
            remedy=f"Take them out first (pack remove {first.around} {first.key} --reason TEXT), "
            "or let both be done in this order: --take-out.",
            more=tuple(f"{one.key}, in pack {one.around}" for one in packed[1:]),
        )


def settle(record: Record, name: str, which: str, *, reason: str) -> dict[str, Any]:
    """Say what was done about voided or decommissioned labels that were seen all the same.

    Args:
        which: as for `void`.
        reason: in words, such as "cut out at the rewinder".

    Refuses `move_not_allowed` for labels in other states, `reason_needed`, `bad_value`,
    `label_unknown`.
    """
    check_remark(reason, "--reason", needed=True)
    record.check_may("settled")
    with record.read() as view:
        lot = view.lot(name)
    ranges = parse_which(which, lot.labels)
    with record.work(key_of(lot)) as work:
        lot = work.lot(lot.full_name)
        moves.check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        for first, last in ranges:
            for offset, letter in enumerate(work.states(key_of(lot), first, last).decode()):
                if letter not in (State.VOIDED, State.DECOMMISSIONED):
                    raise Refused(
                        "move_not_allowed",
                        "Only a label that left before can be settled like this.",
                        where=f"lot {lot.number}, position {first + offset}",
                        expected="voided or decommissioned",
                        came=State(letter).word,
                        remedy="Decide the label: label accept, label void, label decommission.",
                    )
        work.write(key_of(lot), "settled", {"ranges": ranges}, reason=reason)
    labels = sum(last - first + 1 for first, last in ranges)
    return {"lot": lot.number, "labels": labels, "positions": ranges, "reason": reason}


def _check_number(
    lot: Lot, made: list[list[Any]], count: int | None, found: NDArray[np.bool_]
) -> None:
    """Refuses `count_needed`: a mistyped range would take good labels away for ever."""
    labels = sum(last - first + 1 for first, last, *_ in made)
    doubtful = 0
    for first, last, source, _ in made:
        if source in (State.REJECTED, State.PULLED):
            doubtful += last - first + 1
        elif source == State.ISSUED:
            doubtful += int(found[first : last + 1].sum())
    if count == labels or (count is None and doubtful == labels <= FEW):
        return
    first, last = made[0][0], made[-1][1]
    raise Refused(
        "count_needed",
        f"This ends labels for ever: {labels:,}; without a finding: {labels - doubtful:,}.",
        where=f"lot {lot.number}, positions {first} to {last}",
        expected=f"--count {labels}",
        came="no count" if count is None else f"--count {count}",
        remedy=f"Check the positions; if you mean all of them, add --count {labels}.",
    )


def _plan_moves(
    work: Work,
    lot: Lot,
    ranges: list[list[int]],
    verb: str,
    reason: str,
    found: NDArray[np.bool_],
) -> list[list[Any]]:
    """The moves of successive labels in one state: [first, last, from, to].

    Args:
        found: whether a label has an open finding, by position.
    """
    target = moves.MOVES[verb].target
    lowest = ranges[0][0]
    letters = np.frombuffer(work.states(key_of(lot), lowest, ranges[-1][1]), np.uint8)
    made: list[list[Any]] = []
    for first, last in ranges:
        some = letters[first - lowest : last - lowest + 1]
        cuts = (np.flatnonzero(np.diff(some)) + 1).tolist()
        for start, stop in pairwise([0, *cuts, len(some)]):
            state = State(chr(some[start]))
            begin, end = first + start, first + stop - 1
            where = f"lot {lot.number}, position {begin}"
            moves.check(verb, state, where=where)
            if verb == "void":
                _check_void(state, reason, found[begin : end + 1], where)
            made.append([begin, end, state.value, target.value])
    return made


def _check_void(state: State, reason: str, found: NDArray[np.bool_], where: str) -> None:
    """Refuses `reason_needed` for a reason that is none of these labels'."""
    seen = state is State.ALLOCATED and bool(found.any())
    if seen and not found.all():
        raise Refused(
            "reason_needed",
            "Some of these labels were seen on the web, so they are no surplus.",
            where=where,
            expected="positions that were all seen, or none of them",
            came=f"{int(found.sum())} of {len(found)} from there on were seen",
            remedy="Void the seen ones by themselves with --reason waste.",
        )
    allowed = moves.void_reasons(state, seen=seen)
    if reason not in allowed:
        raise Refused(
            "reason_needed",
            "'surplus' is for labels that were never printed, and only for them.",
            where=where,
            expected=", ".join(allowed),
            came=reason,
            remedy="Give the other reason, or other positions.",
        )
