"""A lot as plain data: its facts, how far it is, and what was decided about it."""

from __future__ import annotations

from datetime import date
from typing import Any

from serialkeeper.rules import history, levels, retention, serials, signatures
from serialkeeper.rules.layout import layout_of
from serialkeeper.rules.locations import name_of
from serialkeeper.store.history import closed_lots
from serialkeeper.store.import_tables import NumberImport
from serialkeeper.store.pack_trees import holds_on_lot, last_shipped
from serialkeeper.store.packs import count_packed
from serialkeeper.store.runs import runs_of
from serialkeeper.store.tables import Lot
from serialkeeper.store.telling import place_of
from serialkeeper.store.view import View, key_of


def decision_of(view: View, lot: Lot) -> dict[str, Any] | None:
    """The last decision of the quality unit that was recorded, and who recorded it."""
    told = list(view.entries(key_of(lot), verbs=("lot decided",)))
    if not told:
        return None
    last = told[-1]
    more = {"reason": last.reason or None, "recorded_by": last.person, "at": last.at}
    return {**signatures.bare(last).data, **more, "earlier": len(told) - 1}


def describe(view: View, lot: Lot, *, count: bool = True) -> dict[str, Any]:
    """A lot as plain data, with what is allocated, printed and taken so far.

    `to_come` are numbers that an allocation or an import has announced and not brought yet; they
    are not among the allocated.
    """
    key = key_of(lot)
    awaited = {one.id: one.count - one.done for one in view.allocations(key)}
    to_come = sum(awaited.values())
    head = view.chain(key)
    states = view.count_states(key) if count else {}
    shipped = last_shipped(view, lot) if count and lot.packs else None
    decided = decision_of(view, lot) if count and lot.state == "closed" else None
    place = place_of(lot)
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "product": view.product_of(lot).name,
        "expiry": lot.expiry,
        "state": lot.state,
        "target": lot.target,
        "allocated": lot.labels - to_come,
        "to_come": to_come,
        "advice": serials.advised(lot.target),
        "history": _history(view, lot) if count else None,
        "commission_at": lot.commission_at,
        "market": lot.market,
        "artwork": lot.artwork,
        "order": lot.ai_order.split(),
        "minimum_grade": f"{lot.minimum_grade / 10:.1f}",
        "group_limit": lot.group_limit,
        "location": name_of(place.gln, place.extension) if place else None,
        "production_order": lot.production_order or None,
        "layout": layout_of(lot.layout).data(),
        "packs": levels.data_of(levels.levels_of(lot.packs)),
        "packed": count_packed(view, key) if count else None,
        "shipped": shipped,
        "decision": decided,
        "keep": retention.retention(
            date.fromisoformat(lot.expiry),
            released=retention.released_on(decided),
            shipped=date.fromisoformat(shipped["last"][:10]) if shipped else None,
        )
        if count
        else None,
        "runs": [one.describe() for one in runs_of(view, key)],
        "on_hold": [one.describe() for one in holds_on_lot(view, lot)],
        "states": {state.word: n for state, n in sorted(states.items())} if count else None,
        "imports": [_imported(one, awaited[one.id]) for one in view.imports(key)],
        "jobs": [
            {"job": j.id, "count": j.count, "lanes": j.lanes, "name": j.name, "sha256": j.sha256}
            for j in view.jobs(key)
        ],
        "takes": [
            {"take": t.id, "name": t.name, "readings": t.readings, "state": t.state}
            for t in view.takes(key)
        ],
        "chain": {"entries": head.count, "head": head.head.hex()},
    }


def _history(view: View, lot: Lot) -> dict[str, Any] | None:
    """What closed lots say beside the advice, as long as somebody may still follow either."""
    if lot.state not in ("draft", "approved"):
        return None
    return history.advice(lot.target, closed_lots(view, lot.product_id))


def _imported(one: NumberImport, awaited: int) -> dict[str, Any]:
    """A file of numbers, `awaited` of which are still to come."""
    return {
        "import": one.id,
        "first": one.first,
        "count": one.count,
        "done": one.count - awaited,
        "issuer": one.issuer or None,
        "usable_until": one.usable_until or None,
        "extras": one.extras.split(),
        "name": one.name,
        "sha256": one.sha256,
    }
