"""Rolls: what stands on which, what was noted on them, and labels taken off and put in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1, rolls
from serialkeeper.rules.jobs import parse_rows
from serialkeeper.rules.moves import OPEN_LOT, check_lot
from serialkeeper.rules.pulls import find_cut
from serialkeeper.rules.remarks import check_remark
from serialkeeper.rules.rolls import Fate, Places
from serialkeeper.store.line_tables import Roll
from serialkeeper.store.plans import all_in_short, fates_of, in_short, places_of, span_of, survey_of
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of
from serialkeeper.store.webs import Part, named_part, scanned, stretch_of


def add(
    record: Record, name: str, *, job: int = 0, rows: str = "", wound: str = rolls.FORWARD
) -> dict[str, Any]:
    """Name a stretch of web rows of one print job, all lanes, as a roll.

    Args:
        job: the print job; 0 for the lot's only one.
        rows: `A-B` as the job counts its rows; empty for the first stretch that is on no roll.
        wound: which end comes off first: `forward` for the first row, or `reversed`.

    Refuses `nothing_printed`, `job_unknown`, `roll_rows`, `bad_value`, `lot_state`.
    """
    rolls.check_wound(wound)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, key = _open_lot(work, lot), key_of(lot)
        places_of(work, lot)  # refuses a lot of which nothing was printed
        jobs = work.jobs(key)
        chosen = jobs[0] if not job and len(jobs) == 1 else work.job(key, job)
        there = work.rolls(key)
        taken = {
            roll.id: (roll.first_row, roll.last_row)
            for roll in there
            if roll.job == chosen.id and not roll.parent
        }
        first, last = parse_rows(rows) or rolls.free_rows(taken.values(), chosen.rows)
        rolls.check_rows(first, last, chosen.rows, taken)
        data: dict[str, Any] = {
            "id": len(there) + 1,
            "parent": 0,
            "job": chosen.id,
            "lane": 0,
            "first_row": first,
            "last_row": last,
            "wound": wound,
        }
        work.write(key, "roll added", data)
        return in_short(work, lot, work.roll(key, data["id"]))


def slit(record: Record, name: str, number: int, *, wound: str = "") -> dict[str, Any]:
    """Slit a parent roll: each of its lanes is a roll of its own from then on.

    Args:
        wound: of the new rolls; empty for the other way than the parent, since slitting rewinds.

    Refuses `roll_unknown`, `roll_state`, `bad_value`, `lot_state`.
    """
    if wound:
        rolls.check_wound(wound)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, parent = _open_roll(work, lot, number)
        key = key_of(lot)
        if parent.lane:
            raise Refused(
                "roll_state",
                "The roll has one lane only.",
                where=f"lot {lot.number}, roll {number}",
                expected="a roll with all lanes",
                came=f"lane {parent.lane}",
                remedy="Name the parent roll: roll list.",
            )
        span = span_of(parent)
        places = places_of(work, lot)
        lanes = sorted(set(places.lane[places.on(span)].tolist()))
        made = [
            {
                "id": len(work.rolls(key)) + 1 + index,
                "parent": parent.id,
                "job": parent.job,
                "lane": lane,
                "first_row": parent.first_row,
                "last_row": parent.last_row,
                "wound": wound or rolls.other_way(parent.wound),
            }
            for index, lane in enumerate(lanes)
        ]
        work.write(key, "roll slit", {"roll": parent.id, "rolls": made})
        new = [in_short(work, lot, work.roll(key, one["id"])) for one in made]
    return {"lot": lot.number, "roll": number, "rolls": new}


def turn(record: Record, name: str, number: int, *, reason: str) -> dict[str, Any]:
    """Say that a roll was rewound: its other end comes off first now.

    Refuses `roll_unknown`, `roll_state`, `reason_needed`, `bad_value`, `lot_state`.
    """
    check_remark(reason, "--reason", needed=True)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, roll = _open_roll(work, lot, number)
        data = {"roll": number, "wound": rolls.other_way(roll.wound)}
        work.write(key_of(lot), "roll turned", data, reason=reason)
        return in_short(work, lot, work.roll(key_of(lot), number))


def mark(
    record: Record, name: str, number: int, what: str, *, row: int, reason: str, labels: int = 0
) -> dict[str, Any]:
    """Note a splice, or blank labels, on a roll.

    Args:
        what: `splice` or `blank`.
        row: behind which row of the job it stands.
        labels: how many blank labels.

    Refuses `bad_value`, `reason_needed`, `roll_unknown`, `roll_state`, `lot_state`.
    """
    check_remark(reason, "--reason", needed=True)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, roll = _open_roll(work, lot, number)
        inside = roll.first_row <= row <= roll.last_row
        if what not in rolls.MARKS or not inside or (what == "blank") != (0 < labels < 10**6):
            raise Refused(
                "bad_value",
                "The mark is not understood.",
                where=f"lot {lot.number}, roll {number}",
                expected=f"splice, or blank with --labels N; row {roll.first_row} to "
                f"{roll.last_row}",
                came=f"{what} at row {row}, labels {labels}",
                remedy="Give the mark again.",
            )
        key = key_of(lot)
        marks = len(work.marks(key))
        data = {"id": marks + 1, "roll": number, "word": what, "row": row, "labels": labels}
        work.write(key, "roll marked", data, reason=reason)
        return in_short(work, lot, work.roll(key, number))


def count(record: Record, name: str, number: int, labels: int) -> dict[str, Any]:
    """Enter what the counter at the rewinder says, beside what the record expects.

    Expected are the labels that stand on the roll, without those taken off or proven absent,
    with the blank labels that are marked on it.

    Refuses `count_invalid`, `roll_unknown`, `roll_state`, `lot_state`.
    """
    if not 0 <= labels < 10**9:
        raise Refused(
            "count_invalid",
            "A count is a whole number.",
            expected="0 to 999,999,999",
            came=str(labels),
            remedy="Give the count again.",
        )
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, roll = _open_roll(work, lot, number)
        key = key_of(lot)
        survey = survey_of(work, lot, roll)
        data = {
            "id": len(work.marks(key)) + 1,
            "roll": number,
            "word": "count",
            "labels": labels,
            "expected": survey.expected,
        }
        work.write(key, "roll marked", data)
    return {
        "lot": lot.number,
        "roll": number,
        "counted": labels,
        "expected": survey.expected,
        "difference": labels - survey.expected,
        "standing": len(survey.standing),
        "gone": survey.gone,
        "blanks": survey.blanks,
    }


def removed(
    record: Record, name: str, number: int, *, position: Sequence[int], scan: str
) -> dict[str, Any]:
    """Say that labels were taken off the roll.

    Args:
        position: the labels' positions; each needs the scanned label beside it in its lane.
        scan: the code of a readable neighbour, scanned before the cut: as scanned, bracketed, or
            its number.

    Refuses `move_not_allowed` for good labels and for those that are off already,
    `scan_elsewhere`, `label_unknown`, `roll_unknown`, `roll_state`, `lot_state`.
    """
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, roll = _open_roll(work, lot, number)
        key, places = key_of(lot), places_of(work, lot)
        there, fates = places.on(span_of(roll)), fates_of(work, lot)
        cut = sorted(set(position))
        for one in cut:
            where = f"lot {lot.number}, position {one}"
            _check_on(there, one, roll, lot)
            rolls.check_removal(fates.get(one, Fate(one)), where)
        neighbour = scanned(work, lot, scan, record.now().year)
        part = named_part(work, lot, Part(roll=number))
        _, stretch = stretch_of(work, lot, part)
        for one in cut:
            _, row, column = places.cell(one)
            where = f"lot {lot.number}, roll {number}"
            find_cut(stretch, one, (row, column), neighbour, from_end=part.from_end, where=where)
        data = {
            "roll": number,
            "positions": cut,
            "neighbour": neighbour,
            "scan": gs1.to_file(gs1.from_file(scan)),
        }
        work.write(key, "labels removed", data)
    return {"lot": lot.number, "roll": number, "positions": cut, "neighbour": neighbour}


def _check_on(there: Any, position: int, roll: Roll, lot: Lot) -> None:
    if 0 < position < len(there) and there[position]:
        return
    raise Refused(
        "label_unknown",
        "There is no such label on the roll.",
        where=f"lot {lot.number}, roll {roll.id}",
        expected=f"a label of rows {roll.first_row} to {roll.last_row}"
        + (f", lane {roll.lane}" if roll.lane else ""),
        came=f"position {position}",
        remedy="Look at the roll: roll show.",
    )


def replace(record: Record, name: str, bad: int, spare: int, *, reason: str) -> dict[str, Any]:
    """Say that a good label was put where a bad one was taken off; each keeps its own number
    and position, and the spare stands in the other's place from then on.

    Refuses `move_not_allowed` unless the bad one was taken off and the spare is good and free,
    `label_unknown`, `roll_state`, `reason_needed`, `bad_value`, `lot_state`.
    """
    check_remark(reason, "--reason", needed=True)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, key = _open_lot(work, lot), key_of(lot)
        places, fates = places_of(work, lot), fates_of(work, lot)
        for position in (bad, spare):
            work.known_label(lot, position)
        fate, other = fates.get(bad, Fate(bad)), fates.get(spare, Fate(spare))
        rolls.check_replacement(fate, other, places, f"lot {lot.number}")
        holders = [_holder(work, lot, places, position) for position in (bad, spare)]
        for holder in holders:
            if holder:
                rolls.check_open(holder.id, holder.state, f"lot {lot.number}")
        roll = holders[0].id if holders[0] else 0
        data = {"bad": bad, "spare": spare, "roll": roll}
        work.write(key, "label replaced", data, reason=reason)
    return {"lot": lot.number, **data, "reason": reason}


def _holder(view: View, lot: Lot, places: Places, position: int) -> Roll | None:
    """The roll that a label stands on."""
    there = [
        roll
        for roll in view.rolls(key_of(lot))
        if roll.state != rolls.SLIT and places.on(span_of(roll))[position]
    ]
    return there[0] if there else None


def all_rolls(record: Record, name: str) -> list[dict[str, Any]]:
    """A lot's rolls, in order."""
    with record.read() as view:
        return all_in_short(view, view.lot(name))


def _open_lot(work: Work, lot: Lot) -> Lot:
    lot = work.lot(lot.full_name)
    check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
    return lot


def _open_roll(work: Work, lot: Lot, number: int) -> tuple[Lot, Roll]:
    """The lot and the roll as they are now. Refuses what may not be changed any more."""
    lot = _open_lot(work, lot)
    roll = work.roll(key_of(lot), number)
    rolls.check_open(roll.id, roll.state, f"lot {lot.number}")
    return lot, roll
