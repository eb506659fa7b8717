"""Holding lots, labels and packs, and letting them go."""

from __future__ import annotations

from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import holds
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.jobs import parse_which, runs
from serialkeeper.rules.moves import check_role
from serialkeeper.store.packs import named_pack
from serialkeeper.store.plans import survey_of
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def place(
    record: Record,
    name: str,
    *,
    reason: str,
    case: str = "",
    positions: str = "",
    roll: int = 0,
    pack: str = "",
) -> dict[str, Any]:
    """Hold a lot, some of its labels, what is on one of its rolls now, or one of its packs.

    Args:
        name: the lot.
        reason: why, in words.
        case: the reference of an investigation.
        positions: labels such as `17,20,30-40`.
        roll: a roll of the lot; its labels are held, wherever they go.
        pack: a pack that was made in the lot, by key or a scan of its label.

    Refuses `reason_needed`, `bad_value` for more than one of these, `label_unknown`,
    `roll_unknown`, `pack_unknown`, `lot_unknown`, `role_not_allowed`.
    """
    check_role("hold", record.role, practice=record.practice, narrower=holds.PLACERS)
    _check_reason(reason, "Holding something")
    if sum(map(bool, (positions, roll, pack))) > 1:
        raise Refused(
            "bad_value",
            "One thing is held at a time.",
            expected="labels, a roll or a pack; or none of these for the whole lot",
            came="several",
            remedy="Place one hold after the other.",
        )
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot = work.lot(lot.full_name)
        held = _held(work, lot, positions, roll, pack, record.now().year)
        number = len(work.holds(key_of(lot))) + 1
        data = {"id": number, "reference": case, **held}
        work.write(key_of(lot), "held", data, reason=reason)
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "hold": number,
        "what": held["what"],
        "labels": sum(last - first + 1 for first, last in held["positions"]),
        "reason": reason,
        "case": case or None,
        "by": record.person,
        "at": work.at,
    }


def _held(view: View, lot: Lot, positions: str, roll: int, pack: str, year: int) -> dict[str, Any]:
    """What is held: in words, as positions, as a pack."""
    if pack:
        found = named_pack(view, pack, year)
        if LotKey(found.product_id, found.lot_id) != key_of(lot):
            home = view.lot_at(LotKey(found.product_id, found.lot_id))
            raise Refused(
                "bad_value",
                "The pack was made in another lot.",
                where=f"{found.level} {found.key}",
                expected=f"lot {home.full_name}",
                came=f"lot {lot.number}",
                remedy=f"Hold it there: hold place {home.full_name} --pack {found.key}",
            )
        return {"what": f"{found.level} {found.key}", "positions": [], "pack": found.id}
    if roll:
        survey = survey_of(view, lot, view.roll(key_of(lot), roll))
        there = runs(sorted({*survey.standing, *survey.stood}))
        what = f"roll {roll}, {holds.in_words(there)}"
        return {"what": what, "positions": there, "pack": 0}
    if positions:
        there = parse_which(positions, lot.labels)
        return {"what": holds.in_words(there), "positions": there, "pack": 0}
    return {"what": "the whole lot", "positions": [], "pack": 0}


def lift(record: Record, name: str, number: int, *, reason: str) -> dict[str, Any]:
    """Lift a hold. What it covered may still be held by another one.

    Refuses `hold_unknown`, also for one that was lifted before, `reason_needed`,
    `role_not_allowed`.
    """
    check_role("lift a hold", record.role, practice=record.practice, narrower=holds.LIFTERS)
    _check_reason(reason, "Lifting a hold")
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        there = {row.id: row for row in work.holds(key_of(lot))}
        row = there.get(number)
        if row is None or row.lifted_at:
            raise Refused(
                "hold_unknown",
                "The lot has no such hold standing.",
                where=f"lot {lot.number}",
                expected=", ".join(str(one.id) for one in there.values() if not one.lifted_at)
                or "none, nothing is held",
                came=f"{number}" + (f", lifted {row.lifted_at} by {row.lifted_by}" if row else ""),
                remedy=f"Look at its holds: hold list {lot.number} --all",
            )
        work.write(key_of(lot), "hold lifted", {"id": number}, reason=reason)
        left = len(there) - sum(bool(one.lifted_at) for one in there.values()) - 1
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "hold": number,
        "what": row.what,
        "reason": reason,
        "standing": left,
    }


def all_holds(record: Record, name: str = "", *, lifted: bool = False) -> list[dict[str, Any]]:
    """Holds of a lot, or of all lots, oldest first within each lot.

    Args:
        lifted: those that were lifted, too.
    """
    with record.read() as view:
        lots = [view.lot(name)] if name else view.lots()
        return [
            {
                "lot": lot.number,
                "gtin": lot.gtin,
                "hold": row.id,
                "what": row.what,
                "reason": row.reason,
                "case": row.reference or None,
                "by": row.by,
                "at": row.at,
                "lifted_by": row.lifted_by or None,
                "lifted_at": row.lifted_at or None,
                "lifted_reason": row.lifted_reason or None,
            }
            for lot in lots
            for row in view.holds(key_of(lot))
            if lifted or not row.lifted_at
        ]


def _check_reason(reason: str, what: str) -> None:
    if not reason.strip():
        raise Refused(
            "reason_needed",
            f"{what} needs a reason in words.",
            expected="a sentence",
            came="none",
            remedy="Give --reason.",
        )
