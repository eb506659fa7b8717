"""Reading events back: a document, or a receiver's answer, held against what the record tells."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from serialkeeper.outside.event_files import open_document
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.event_reading import Told, read
from serialkeeper.store.packs import find_packs
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.telling import events_of
from serialkeeper.store.view import View

MOST_TOLD = 20
"""Events that are told by name."""


@dataclass
class _Lot:
    """A lot's own events, and which of them were found.

    Attributes:
        own: by ID and whether declared in error, their places among the lot's, from 1.
        found: which were found.
    """

    lot: Lot
    own: dict[tuple[str, bool], int]
    found: set[tuple[str, bool]] = field(default_factory=set)

    def describe(self) -> dict[str, Any]:
        """As answers tell it."""
        missing = [place for key, place in self.own.items() if key not in self.found]
        return {
            "lot": self.lot.number,
            "gtin": self.lot.gtin,
            "events": len(self.own),
            "found": len(self.found),
            "missing": len(missing),
            "first_missing": missing[0] if missing else None,
        }


def read_events(record: Record, path: Path, *, name: str = "") -> dict[str, Any]:
    """Compare the events of a document with those of the record.

    The document may be one of ours, or what a receiver answers (GET /events); whatever its form
    and identifiers. An event counts as the same where what it says gives its ID, and the record
    has told an event of that ID.

    Args:
        name: the lot whose events they have to be; empty: each event's own.

    Refuses `file_missing`, `events_unreadable`, `lot_unknown`.

    Returns:
        file, sha256, form, events, same; altered and unknown: how many, and the first of them by
        event (its number in the document), id and why; twice: how many stand there more than once;
        lots: of each lot its events, how many were found, how many are missing, and the place of
        the first of these among the lot's.
    """
    form, nodes, sha256 = open_document(path)
    count, twice = 0, 0
    same = 0
    altered: list[dict[str, Any]] = []
    unknown: list[dict[str, Any]] = []
    with record.read() as view:
        found = _Finder(view, name)
        for count, node in enumerate(nodes, 1):
            told = read(node, count)
            key = told.id, bool(told.event.declared)
            lot = found.lot_of(told)
            if told.faults:
                altered.append(_row(told, "; ".join(told.faults)))
            elif lot is None or key not in lot.own:
                unknown.append(_row(told, "the record has told no such event"))
            else:
                twice += key in lot.found
                lot.found.add(key)
                same += 1
        lots = [one.describe() for one in found.lots.values()]
    return {
        "file": str(path),
        "sha256": sha256,
        "form": form,
        "events": count,
        "same": same,
        "twice": twice,
        "altered": {"count": len(altered), "first": altered[:MOST_TOLD]},
        "unknown": {"count": len(unknown), "first": unknown[:MOST_TOLD]},
        "lots": lots,
    }


def _row(told: Told, why: str) -> dict[str, Any]:
    return {"event": told.number, "id": told.id, "why": why}


class _Finder:
    """Which lot an event is of, and that lot's own events."""

    def __init__(self, view: View, name: str) -> None:
        self.view = view
        self.lots: dict[int, _Lot] = {}
        self.only = self._known(view.lot(name)) if name else None

    def lot_of(self, told: Told) -> _Lot | None:
        """The lot of an event; None if the record knows none of what it is about."""
        if self.only:
            return self.only
        for one in self.lots.values():  # most documents are of one lot
            if (told.id, bool(told.event.declared)) in one.own:
                return one
        lot = self._of_key(told.event.packs[0]) if told.event.packs else None
        return self._known(lot) if lot else None

    def _known(self, lot: Lot) -> _Lot:
        if lot.id not in self.lots:
            own: dict[tuple[str, bool], int] = {}
            for place, event in enumerate(events_of(self.view, lot), 1):
                own.setdefault((event.id, bool(event.declared)), place)
            self.lots[lot.id] = _Lot(lot, own)
        return self.lots[lot.id]

    def _of_key(self, key: str) -> Lot | None:
        gtin, slash, serial = key.partition("/")
        if slash and (product := self.view.find_product(gtin)):
            label = self.view.label(product.id, serial)
            if label:
                return self.view.lot_of(label)
        pack = find_packs(self.view, [key]).get(key)
        return self.view.lot_at(LotKey(pack.product_id, pack.lot_id)) if pack else None
