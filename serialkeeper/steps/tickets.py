"""A roll's papers: what is on it, what still holds it, and its release with a ticket."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import orjson

from serialkeeper.errors import Refused
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import moves, rolls, tickets
from serialkeeper.rules.chain import parse
from serialkeeper.rules.moves import OPEN_LOT
from serialkeeper.rules.remarks import check_remark
from serialkeeper.rules.rolls import Fate
from serialkeeper.store.line_tables import Roll
from serialkeeper.store.plans import in_short, passes_of, survey_of
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def show(record: Record, name: str, number: int, *, out: Path | None = None) -> dict[str, Any]:
    """A roll: what is on it, what left it and how that is known, and what still holds it.

    Args:
        out: write the ticket of a released roll there once more, and its text beside it.

    Refuses `roll_unknown`; with `out` `roll_state` for a roll that is not released.
    """
    with record.read() as view:
        lot = view.lot(name)
        roll = view.roll(key_of(lot), number)
        survey = survey_of(view, lot, roll)
        result = {
            **in_short(view, lot, roll),
            **_papers(view, lot, roll),
            "missing": survey.missing(),
            "ticket": None,
        }
        if roll.state == rolls.RELEASED:
            result["ticket"] = _issued(view, lot, number)
        elif out:
            raise Refused(
                "roll_state",
                "Only a released roll has a ticket.",
                where=f"lot {lot.number}, roll {number}",
                expected=rolls.RELEASED,
                came=roll.state,
                remedy="Release it: roll release.",
            )
    if out:
        with ExitStack() as stack:
            files = [stack.enter_context(Delivery(path)) for path in _names(out)]
            _fill(files, result["ticket"])
            for file in files:
                file.deliver()
    return result


def release(
    record: Record,
    name: str,
    number: int,
    *,
    reason: str,
    second: str = "",
    out: Path | None = None,
) -> dict[str, Any]:
    """Release a roll for the next step of the work; nothing on it changes any more.

    Refuses until every rejected or voided label, and every one that was not told apart, has a
    fate: decided, and taken off or proven absent, or accepted.

    Args:
        reason: in words.
        second: who confirms it; in a practice record one person may play both parts.
        out: the ticket to write, as JSON; the same as text stands beside it, `NAME.txt`.

    Refuses `roll_open_points`, `roll_state`, `roll_unknown`, `reason_needed`, `bad_value`,
    `role_not_allowed`, `second_person_needed`, `file_exists`, `lot_state`, `take_unfinished`.

    Returns:
        The ticket.
    """
    check_remark(reason, "--reason", needed=True)
    record.check_may("roll released")
    moves.check_second(record.person, second, practice=record.practice)
    with record.read() as view:
        lot = view.lot(name)
        if second:
            view.person(second)
    with ExitStack() as stack:
        files = [stack.enter_context(Delivery(path)) for path in _names(out)] if out else []
        with record.work(key_of(lot)) as work:
            lot = work.lot(lot.full_name)
            ticket = {
                **_ticket(work, lot, _releasable(work, lot, number)),
                "record": "practice" if record.practice else "live",
                "at": work.at,
                "by": record.person,
                "role": record.role,
                "second": second,
                "station": record.station,
                "reason": reason,
            }
            data = {"roll": number, "ticket": ticket}
            entry = work.write(key_of(lot), "roll released", data, reason=reason, second=second)
            ticket = {**ticket, "entry": entry.seq, "head": work.head(key_of(lot))}
            _fill(files, ticket)
        for file in files:
            file.deliver()
    return ticket


def _releasable(view: View, lot: Lot, number: int) -> Roll:
    """The roll, if nothing holds it."""
    moves.check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
    for take in view.takes(key_of(lot)):
        moves.check_take(lot.number, take.id, take.name, take.state)
    roll = view.roll(key_of(lot), number)
    rolls.check_open(number, roll.state, f"lot {lot.number}")
    rolls.check_release(survey_of(view, lot, roll).missing(), f"lot {lot.number}, roll {number}")
    return roll


def _names(out: Path) -> tuple[Path, Path]:
    """The ticket's file and the text beside it."""
    if not out.name or out.suffix == ".txt":
        raise Refused(
            "bad_value",
            "The ticket needs a name of its own; its text is written beside it as NAME.txt.",
            expected="a file name such as roll1.json",
            came=str(out),
            remedy="Give --out FILE.json.",
        )
    return out, out.with_name(f"{out.stem}.txt")


def _fill(files: list[Delivery], ticket: dict[str, Any]) -> None:
    """Write and sync the ticket as JSON and as text."""
    if not files:
        return
    files[0].write(orjson.dumps(ticket, option=orjson.OPT_INDENT_2 | orjson.OPT_SORT_KEYS) + b"\n")
    files[1].write(("\n".join(tickets.lines(ticket)) + "\n").encode())
    for file in files:
        file.sync()


def _issued(view: View, lot: Lot, number: int) -> dict[str, Any]:
    """The ticket as its release entry holds it."""
    for _, body, own_hash in view.stored_entries(key_of(lot)):
        entry = parse(body)
        if entry.verb == "roll released" and entry.data["roll"] == number:
            return {**entry.data["ticket"], "entry": entry.seq, "head": own_hash.hex()}
    raise LookupError(f"no entry released roll {number}")


def _ticket(view: View, lot: Lot, roll: Roll) -> dict[str, Any]:
    survey = survey_of(view, lot, roll)
    short = in_short(view, lot, roll)
    return {
        "gtin": lot.gtin,
        "product": view.product_of(lot).name,
        "expiry": lot.expiry,
        **{name: short[name] for name in ("lot", "roll", "parent", "job", "lane", "rows", "wound")},
        "states": short["states"],
        "printed": survey.printed,
        "on_roll": len(survey.standing) - survey.gone,
        "blanks": survey.blanks,
        **_papers(view, lot, roll),
        "cautions": list(tickets.CAUTIONS),
    }


def _papers(view: View, lot: Lot, roll: Roll) -> dict[str, Any]:
    """What left the roll, what was put in, marks, counts and further passes."""
    key = key_of(lot)
    survey = survey_of(view, lot, roll)
    there = {*survey.standing, *survey.stood}
    mine = {roll.id, roll.parent}
    marks = [mark for mark in view.marks(key) if mark.roll in mine]
    replaced = [one for one in view.replacements(key) if one.bad in survey.stood]
    return {
        "numbers": [_number(view, lot, fate) for fate in survey.fates if fate.gone],
        "replacements": [
            {
                "bad": one.bad,
                "bad_serial": _serial(view, lot, one.bad),
                "spare": one.spare,
                "spare_serial": _serial(view, lot, one.spare),
                "reason": one.reason,
                "by": one.by,
                "at": one.at,
            }
            for one in replaced
        ],
        "marks": [
            {
                "roll": mark.roll,
                "mark": mark.word,
                "row": mark.row,
                "labels": mark.labels,
                "reason": mark.reason,
                "by": mark.by,
                "at": mark.at,
            }
            for mark in marks
            if mark.word in rolls.MARKS
        ],
        "counts": [
            {"counted": mark.labels, "expected": mark.expected, "by": mark.by, "at": mark.at}
            for mark in marks
            if mark.word == "count" and mark.roll == roll.id
        ],
        "passes": _passes(view, lot, roll),
        "proofs": [
            {
                "position": proof.position,
                "take": proof.take,
                "presence": proof.word,
                "evidence": proof.evidence or None,
                "detail": proof.detail,
            }
            for proof in view.proofs(key)
            if proof.position in there
        ],
    }


def _number(view: View, lot: Lot, fate: Fate) -> dict[str, Any]:
    """A number that is not on its roll any more."""
    removals = view.removals_at(key_of(lot), fate.position)
    last = max(removals, key=lambda one: one.seq, default=None)
    return {
        "position": fate.position,
        "serial": _serial(view, lot, fate.position),
        "state": fate.state.word,
        "reason": fate.reason,
        "removed": {"by": last.by, "at": last.at, "neighbour": last.neighbour} if last else None,
        "absent": fate.evidence or None,
    }


def _serial(view: View, lot: Lot, position: int) -> str:
    label = view.label_at(key_of(lot), position)
    return label.serial if label else ""


def _passes(view: View, lot: Lot, roll: Roll) -> list[dict[str, Any]]:
    """Further passes over the roll, or over the one that it was slit from."""
    return [
        {
            "take": take.id,
            "roll": take.roll,
            "file": take.name,
            "sha256": take.sha256,
            "readings": take.readings,
            "at": take.at,
            "result": result,
        }
        for take, result in passes_of(view, lot, roll)
    ]
