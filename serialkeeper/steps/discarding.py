"""A lot that was opened by mistake: discarded, as long as nothing was done with it, and kept as
such."""

from __future__ import annotations

from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.moves import check_lot
from serialkeeper.rules.remarks import check_remark
from serialkeeper.store.holds import open_holds
from serialkeeper.store.record import Record, Work
from serialkeeper.store.view import key_of


def discard(record: Record, name: str, *, reason: str) -> dict[str, Any]:
    """Discard a lot, its facts approved or not. Its number may be opened again, with other facts.

    Args:
        reason: why, in words.

    Refuses `lot_state` once anything else was done with it (numbers, a run, packs), or while it is
    held; `reason_needed`, `lot_unknown`, `role_not_allowed`.

    Returns:
        lot, gtin, state, reason.
    """
    record.check_may("lot discarded")
    why = check_remark(reason, "--reason", needed=True)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, key = work.lot(lot.full_name), key_of(lot)
        if lot.state != "draft":
            check_lot(lot.state, "draft", "approved", where=lot.full_name)
        if begun := _begun(work, key):
            raise Refused(
                "lot_state",
                "Work on the lot has begun: it can only be gone through and closed.",
                where=lot.full_name,
                expected="a lot that was opened, or approved, and nothing more",
                came=begun,
                remedy="End what is open, void its numbers (label void), and close it (lot close).",
            )
        work.write(key, "lot discarded", {}, reason=why)
    return {"lot": lot.number, "gtin": lot.gtin, "state": "discarded", "reason": why}


_BEFORE = ("lot opened", "lot approved", "held", "hold lifted")


def _begun(work: Work, key: LotKey) -> str:
    """The first thing that was done with the lot since it was last opened, or an open hold."""
    if open_holds(work, key.product_id, key.lot_id):
        return "an open hold"
    done = ""
    for entry in work.entries(key):
        if entry.verb == "lot opened":
            done = ""
        elif entry.verb not in _BEFORE:
            done = done or entry.verb
    return done
