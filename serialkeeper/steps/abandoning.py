"""An import that was interrupted and cannot be finished: given up, so that the product goes on."""

from __future__ import annotations

from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.remarks import check_remark
from serialkeeper.store.numbers import IMPORTED
from serialkeeper.store.record import Record
from serialkeeper.store.view import key_of


def give_up(record: Record, name: str, *, reason: str) -> dict[str, Any]:
    """Take no more numbers of a lot's interrupted import; those that are there stay the lot's.

    For a file that is lost. Whoever is still taking it in is refused from then on.

    Args:
        reason: why, in words.

    Refuses `nothing_to_give_up`, `reason_needed`, `lot_unknown`, `role_not_allowed`.

    Returns:
        lot, gtin, import, name (of the file), done (numbers that are there), of, reason.
    """
    record.check_may("import given up")
    why = check_remark(reason, "--reason", needed=True)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, key = work.lot(lot.full_name), key_of(lot)
        there = [
            one for one in work.allocations(key) if one.done < one.count and one.source == IMPORTED
        ]
        if not there:
            raise Refused(
                "nothing_to_give_up",
                "No import of the lot is under way.",
                where=lot.full_name,
                expected="a file of which some numbers are still to come",
                came="none",
                remedy=f"Look at the lot: lot show {lot.number}",
            )
        [one] = there  # nothing else is allocated while it is unfinished
        file = next(row.name for row in work.imports(key) if row.id == one.id)
        data = {"id": one.id, "first": one.first, "done": one.done, "of": one.count}
        work.write(key, "import given up", data, reason=why)
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "import": one.id,
        "name": file,
        "done": one.done,
        "of": one.count,
        "reason": why,
    }
