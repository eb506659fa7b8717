"""Numbers that are still being given to lots: what has to wait until they are all there."""

from __future__ import annotations

from serialkeeper.rules.moves import check_allocation
from serialkeeper.store.tables import Allocation, Lot
from serialkeeper.store.view import View, key_of

IMPORTED = "imported"
"""Source of an allocation whose numbers came in a file; `random` are our own."""


def check_finished(view: View, lot: Lot) -> None:
    """Refuses `allocation_unfinished` if numbers of the lot are still to come."""
    for one in view.allocations(key_of(lot)):
        _check(view, lot, one)


def check_product(view: View, product_id: int, *sources: str) -> None:
    """Refuses `allocation_unfinished` if numbers of these sources are still to come in any lot.

    The house is locked, so that no allocation of the product begins meanwhile.
    """
    for one in view.unfinished_allocations(product_id=product_id):
        if one.source in sources:
            _check(view, view.lot_of(one), one)


def _check(view: View, lot: Lot, one: Allocation) -> None:
    file = ""
    if one.done < one.count and one.source == IMPORTED:
        file = next(row.name for row in view.imports(key_of(lot)) if row.id == one.id)
    check_allocation(lot.full_name, one.first, one.count, one.done, file=file)
