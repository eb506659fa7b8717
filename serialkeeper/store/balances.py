"""A lot's two ledgers: what people counted, and what its numbers are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from serialkeeper.rules import counts
from serialkeeper.rules.counts import Balance
from serialkeeper.rules.findings import STAYING
from serialkeeper.rules.levels import levels_of
from serialkeeper.rules.moves import State
from serialkeeper.store.challenges import proof_of
from serialkeeper.store.numbers import IMPORTED
from serialkeeper.store.pack_trees import holds_on_lot
from serialkeeper.store.packs import contents_of, count_doubtful, count_packed, packs_of
from serialkeeper.store.runs import runs_of
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def balance_of(view: View, lot: Lot) -> Balance:
    """Both ledgers of a lot."""
    return counted(view, lot, view.count_states(key_of(lot)))


def counted(view: View, lot: Lot, states: Mapping[State, int]) -> Balance:
    """Both ledgers of a lot whose labels were counted by state already."""
    key = key_of(lot)
    tallies: dict[str, int] = {}
    for tally in view.tallies(key):
        tallies[tally.term] = tallies.get(tally.term, 0) + tally.value
    return counts.balance(states, view.count_departures(key), tallies)


def describe(view: View, lot: Lot, found: Balance) -> dict[str, Any]:
    """The balance as plain data, with unfinished work among the open points."""
    key = key_of(lot)
    result = found.as_dict()
    points = list(found.open_points)
    files = {one.id: one.name for one in view.imports(key)}
    points += [
        f"allocation {a.id} was interrupted, {a.done:,} of {a.count:,} numbers are there: "
        + (
            f"serials import {lot.number} {files[a.id]}, with the same file"
            if a.source == IMPORTED
            else f"serials allocate {lot.number} {a.count}"
        )
        for a in view.allocations(key)
        if a.done < a.count
    ]
    stay = [row for row in view.findings(key, state="open") if row.word in STAYING]
    if stay:
        points.append(
            f"seen on the web: {counts.many(len(stay), 'voided or decommissioned label')} "
            f"(position {stay[0].position} first): serialkeeper label settle {lot.number} "
            f"{stay[0].position} --reason TEXT"
        )
    points += [
        f"take {t.id} was interrupted: take {t.name} again"
        for t in view.takes(key)
        if t.state != "finished"
    ]
    points += [
        f"{one.name} is open: serialkeeper run end {lot.number}"
        for one in runs_of(view, key)
        if not one.ended
    ]
    packs = _packs(view, lot) if lot.packs else None
    if packs and packs["doubtful"]:
        points.append(
            f"{counts.many(packs['doubtful'], 'unit')} in packs and not good any more: pack list "
            f"{lot.number}"
        )
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        **result,
        "packs": packs,
        "on_hold": [one.describe() for one in holds_on_lot(view, lot)],
        "challenges": proof_of(view, lot),
        "open_points": points,
        "balanced": found.balanced and not points,
    }


def _packs(view: View, lot: Lot) -> dict[str, Any]:
    """Commissioned units are packed or loose; packs that are not full are listed."""
    there = packs_of(view, key_of(lot))
    inner = contents_of(view, there)
    holds = {level.name: level.holds for level in levels_of(lot.packs)}
    part = [
        {"key": pack.key, "level": pack.level, "held": inner[pack.lot_id, pack.id].direct}
        for pack in there
        if 0 < inner[pack.lot_id, pack.id].direct < holds[pack.level]
    ]
    good = view.count_states(key_of(lot)).get(State.COMMISSIONED, 0)
    packed, doubtful = count_packed(view, key_of(lot)), count_doubtful(view, key_of(lot))
    return {
        "commissioned": good,
        "packed": packed - doubtful,
        "loose": good - packed + doubtful,
        "doubtful": doubtful,
        "part": part,
    }
