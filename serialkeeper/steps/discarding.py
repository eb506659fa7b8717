"""A lot that was opened by mistake: discarded, as long as it has no numbers, and kept as such."""

from __future__ import annotations

from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.moves import check_lot
from serialkeeper.rules.remarks import check_remark
from serialkeeper.store.record import Record
from serialkeeper.store.view import key_of


def discard(record: Record, name: str, *, reason: str) -> dict[str, Any]:
    """Discard a lot, its facts approved or not. Its number may be opened again, with other facts.

    Args:
        reason: why, in words.

    Refuses `lot_state` for one that has numbers, or had some announced; `reason_needed`,
    `lot_unknown`, `role_not_allowed`.

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
        if work.allocations(key):
            raise Refused(
                "lot_state",
                "The lot has numbers: what becomes of them is told one by one.",
                where=lot.full_name,
                expected="a lot without numbers",
                came=f"{lot.labels:,} numbers",
                remedy="Void its numbers (label void), and close it (lot close).",
            )
        work.write(key, "lot discarded", {}, reason=why)
    return {"lot": lot.number, "gtin": lot.gtin, "state": "discarded", "reason": why}
