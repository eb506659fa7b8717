"""What a lot's printing and inspection came to, kept with its closing, and read back from there."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select

from serialkeeper.rules.chain import Entry
from serialkeeper.rules.findings import MISSED, STAYING
from serialkeeper.rules.history import LAST, Closed
from serialkeeper.rules.jobs import Web, shape_of
from serialkeeper.store.challenges import planted
from serialkeeper.store.line_tables import FindingRow
from serialkeeper.store.tables import Lot, table_of
from serialkeeper.store.view import View, key_of

_CLOSED = ("lot closed",)


def closed_lots(view: View, product_id: int = 0, *, last: int = LAST) -> list[Closed]:
    """The closed lots of a product, or of each, the newest ones, in order of opening.

    Args:
        last: how many of a product at most.
    """
    left: dict[int, int] = {}
    found = []
    for lot in reversed(view.lots()):
        taken = left.get(lot.product_id, 0)
        if lot.state == "closed" and product_id in (0, lot.product_id) and taken < last:
            left[lot.product_id] = taken + 1
            found.append(_closed(view, lot))
    return found[::-1]


def _closed(view: View, lot: Lot) -> Closed:
    """A closed lot from its last closing; what an earlier version wrote tells no counts, so they
    are made of the lot's findings."""
    entry = view.newest_of(key_of(lot), _CLOSED)
    if entry is None:
        raise LookupError(f"{lot.full_name} is closed by no entry")
    told: dict[str, Any] = entry.data.get("history") or figures_of(view, lot)
    return Closed(
        lot=lot.number,
        gtin=lot.gtin,
        at=entry.at,
        printed=told["printed"],
        rejected=told["rejected"],
        reasons=told["reasons"],
        lanes=told["lanes"],
        stations=told["stations"],
        unaccounted=_unaccounted(entry),
    )


def _unaccounted(entry: Entry) -> int:
    """The worse of both ledgers."""
    line = next(one for one in entry.data["balance"]["lines"] if one["name"] == "unaccounted")
    return int(max(abs(line["labels"] or 0), line["numbers"]))


def figures_of(view: View, lot: Lot) -> dict[str, Any]:
    """Printed and rejected labels of a lot, by reason, lane and station; whole numbers only.

    Rejected is what a first pass found something about, also if it was accepted afterwards. Labels
    made bad on purpose do not count; neither do those that a later file of the first pass found,
    nor those that had left before.
    """
    key = key_of(lot)
    jobs = [shape_of(job.ranges, job.lanes, job.by) for job in view.jobs(key)]
    web = Web.of(jobs, lot.labels)
    lane = web.lane.copy()
    lane[[one.row.position for one in planted(view, lot) if one.outcome]] = 0
    firsts = {one.id: one.station for one in view.takes(key) if not one.roll}
    told = [
        entry
        for entry in view.entries(key)
        if entry.verb == "taken" and entry.data["take"] in firsts
    ]
    bad = np.zeros(lot.labels + 1, np.bool_)
    reasons = {}
    for word, places in _found(view, lot, firsts).items():
        here = np.zeros(lot.labels + 1, np.bool_)
        here[places] = True
        if word in MISSED:
            for first, last in (span for entry in told for span in entry.data["found"]):
                here[first : last + 1] = False
        here &= lane > 0
        bad |= here
        if count := int(here.sum()):
            reasons[word] = count
    printed = np.bincount(lane, minlength=web.lanes + 1)
    rejected = np.bincount(lane[bad], minlength=web.lanes + 1)
    return {
        "printed": int(printed[1:].sum()),
        "rejected": int(rejected[1:].sum()),
        "reasons": reasons,
        "lanes": np.stack([printed, rejected], axis=1)[1:].tolist(),
        "stations": _stations([(firsts[one.data["take"]], one) for one in told], lane > 0, bad),
    }


def _found(view: View, lot: Lot, takes: Collection[int]) -> dict[str, list[int]]:
    """The positions of what these takes found, by finding."""
    c = table_of(FindingRow).c
    query = (
        select(c.position, c.word)
        .where(c.product_id == lot.product_id, c.lot_id == lot.id)
        .where(c["take"].in_(list(takes)), c.word.not_in(STAYING))
    )
    found: dict[str, list[int]] = {}
    for position, word in view.connection.execute(query):
        found.setdefault(word, []).append(position)
    return dict(sorted(found.items()))


def _stations(
    told: Iterable[tuple[str, Entry]], there: NDArray[np.bool_], bad: NDArray[np.bool_]
) -> dict[str, list[int]]:
    """By station, printed and rejected labels of the stretches that its files told of; none where
    two of them told of the same."""
    number: NDArray[np.uint16] = np.zeros(len(there), np.uint16)
    names: list[str] = []
    for name, entry in told:
        if name not in names:
            names.append(name)
        for part in entry.parts:
            if part.kind == "states":
                some = number[part.first : part.first + part.count]
                if ((some > 0) & (some != names.index(name) + 1)).any():
                    return {}
                some[:] = names.index(name) + 1
    return {
        name: [int((there & (number == at)).sum()), int((bad & (number == at)).sum())]
        for at, name in enumerate(names, 1)
    }
