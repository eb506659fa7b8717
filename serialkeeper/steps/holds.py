"""Placing and lifting holds, and what is held."""

from __future__ import annotations

from typing import Any

import numpy as np

from serialkeeper.errors import Refused
from serialkeeper.rules import holds, packs
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.holds import LABELS, LOT, PACK, ROLL, Hold
from serialkeeper.rules.moves import OPEN_LOT, State, check_lot
from serialkeeper.store import packs as store
from serialkeeper.store.holds import all_holds, count_gone, last_hold
from serialkeeper.store.pack_bulk import Pack
from serialkeeper.store.plans import places_of, span_of
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def place(
    record: Record,
    name: str,
    *,
    reason: str,
    case: str = "",
    positions: str | None = None,
    roll: int | None = None,
    pack: str | None = None,
) -> dict[str, Any]:
    """Place a hold: what it covers is neither packed nor sent until it is lifted.

    Args:
        name: the lot; for a pack the one that it was made in.
        reason: why, in words.
        case: the reference of an investigation.
        positions: labels such as `17,30-40` or, every fourth one, `1-997/4`.
        roll: the labels that stand on this roll now; they stay held wherever they go.
        pack: its key, or a scan of its label; nothing goes in or out of it, what is in it, and
            what is around it. Without any of these three, the whole lot is held.

    Refuses `reason_needed`, `bad_value`, `lot_unknown`, `label_unknown`, `roll_unknown`,
    `pack_unknown`, `pack_state` for a pack that is not here any more, `role_not_allowed`.

    Returns:
        what `rules.holds.Hold.describe` gives; `covers`: of the labels that it is on, how many
        are good (commissioned), are in packs, and left in shipped packs before. A hold keeps
        nothing back that is gone.
    """
    record.check_may("held")
    holds.check_reason(reason, case)
    holds.check_one(positions, roll, pack)
    year = record.now().year
    with record.read() as view:
        lot = view.lot(name)
        there = store.named_pack(view, pack, year) if pack is not None else None
        if there and LotKey(there.product_id, there.lot_id) != key_of(lot):
            raise _made_elsewhere(view, there, lot)
    with record.work(key_of(lot)) as work:
        lot = work.lot(lot.full_name)
        check_lot(lot.state, "draft", *OPEN_LOT, "closed", where=lot.full_name)
        told: dict[str, Any] = {"what": LOT, "positions": [], "roll": 0, "pack": 0, "key": ""}
        if positions is not None:
            told |= {"what": LABELS, "positions": holds.parse_positions(positions, lot.labels)}
        elif roll is not None:
            told |= {"what": ROLL, "roll": roll, "positions": _standing(work, lot, roll)}
        elif there:
            now = store.pack_at(work, there.product_id, there.lot_id, there.id)
            packs.check_here(store.target_of(work, now))
            told |= {"what": PACK, "pack": now.id, "key": now.key}
        number = last_hold(work, key_of(lot)) + 1
        data = {"id": number, **told, "reference": case.strip()}
        work.write(key_of(lot), "held", data, reason=reason.strip())
    with record.read() as view:
        made = _named(view, lot, number, lifted=True)
        return {**made.describe(), "gtin": lot.gtin, "covers": _covers(view, lot, made, there)}


def _made_elsewhere(view: View, pack: Pack, lot: Lot) -> Refused:
    own = view.lot_at(LotKey(pack.product_id, pack.lot_id))
    return Refused(
        "pack_unknown",
        "The pack was made in another lot.",
        where=f"lot {lot.full_name}",
        expected="a pack of the lot: pack list",
        came=f"{pack.level} {pack.key} of lot {own.full_name}",
        remedy=f"Hold it there: hold place {own.full_name} --pack {pack.key} --reason TEXT",
    )


def _standing(work: Work, lot: Lot, roll: int) -> holds.Stretches:
    """The labels that stand on a roll now."""
    span = span_of(work.roll(key_of(lot), roll))
    return holds.stretches(np.flatnonzero(places_of(work, lot).on(span)))


def _covers(view: View, lot: Lot, hold: Hold, pack: Pack | None) -> dict[str, int]:
    """How many of the units that a hold covers are good, in packs, and gone."""
    if pack:
        inner = store.contents_of(view, [pack], ())[pack.lot_id, pack.id]
        units = sum(inner.units.values())
        return {"good": units - inner.doubtful, "packed": units, "gone": 0}
    key, good, packed = key_of(lot), 0, 0
    if lot.labels:
        covered = hold.mask(1, lot.labels)
        letters = np.frombuffer(view.states(key, 1, lot.labels), np.uint8)
        good = int((letters[covered[: len(letters)]] == ord(State.COMMISSIONED)).sum())
        inside = np.array(store.packed_positions(view, key, 1, lot.labels), dtype=np.int64)
        packed = int(covered[inside - 1].sum())
    return {"good": good, "packed": packed, "gone": count_gone(view, key, hold)}


def lift(record: Record, name: str, number: int, *, reason: str) -> dict[str, Any]:
    """Lift a hold. What another open hold covers stays held.

    Args:
        number: the hold's number in its lot.
        reason: why, in words.

    Refuses `hold_unknown` for one that is not there or is lifted already, `reason_needed`,
    `lot_unknown`, `role_not_allowed`.

    Returns:
        what `rules.holds.Hold.describe` gives; `still`: names of the lot's other open holds.
    """
    record.check_may("hold lifted")
    holds.check_reason(reason)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        _named(work, lot, number, lifted=False)
        work.write(key_of(lot), "hold lifted", {"hold": number}, reason=reason.strip())
    with record.read() as view:
        lifted = _named(view, lot, number, lifted=True)
        still = [one.name for one in all_holds(view, key_of(lot))]
        return {**lifted.describe(), "gtin": lot.gtin, "still": still}


def _named(view: View, lot: Lot, number: int, *, lifted: bool) -> Hold:
    """One hold of a lot. Refuses `hold_unknown`."""
    there = all_holds(view, key_of(lot), lifted=True)
    found = [one for one in there if one.id == number]
    if found and (lifted or not found[0].lifted_at):
        return found[0]
    still = [str(one.id) for one in there if not one.lifted_at]
    raise Refused(
        "hold_unknown",
        "The lot has no such open hold.",
        where=f"lot {lot.full_name}",
        expected=", ".join(still[:50]) or "none is open",
        came=f"{number}, lifted {found[0].lifted_at}" if found else str(number),
        remedy=f"Look at the lot's holds: hold list {lot.number} --all",
    )


def all_of(record: Record, name: str = "", *, lifted: bool = False) -> dict[str, Any]:
    """The holds of a lot, or of all lots, in order: who placed and who lifted them, and why.

    Args:
        name: a lot; empty for all.
        lifted: those that were lifted, too.

    Refuses `lot_unknown`.
    """
    with record.read() as view:
        key = key_of(view.lot(name)) if name else None
        found = all_holds(view, key, lifted=lifted)
    return {"holds": [one.describe() for one in found]}
