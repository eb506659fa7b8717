"""Holds: a lot, labels of it, or a pack are kept back until somebody says why they no longer are.

A hold blocks packing and shipping; it decides nothing. A hold on labels stays with the units
wherever they are packed. A hold on a pack also freezes it: nothing goes in or comes out, of it or
of what is in it, and it does not move, so that nobody empties a held pack to get round the hold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import Entry
from serialkeeper.rules.changes import Change, Insert, Row, Update
from serialkeeper.rules.jobs import write_ranges
from serialkeeper.rules.moves import COMPLIANCE, LINE_LEAD, OPERATOR

PLACERS, LIFTERS = (OPERATOR, LINE_LEAD, COMPLIANCE), (COMPLIANCE,)
"""Who holds something, rather too early; who lets it go."""


@dataclass(frozen=True, slots=True)
class Hold:
    """A hold that stands.

    Attributes:
        lot_id, lot: the lot whose chain tells it.
        id: counts the lot's holds.
        what: what is held, in words.
        runs: held positions, ascending; none for the whole lot, or for a pack.
        pack: the held pack's id in the lot; 0 for none.
        reference: of an investigation; may be empty.
        reason, by, at: why, who, since when.
    """

    lot_id: int
    lot: str
    id: int
    what: str
    runs: tuple[tuple[int, int], ...]
    pack: int
    reference: str
    reason: str
    by: str
    at: str

    @property
    def whole(self) -> bool:
        """Whether the whole lot is held."""
        return not self.runs and not self.pack

    def told(self) -> dict[str, Any]:
        """As answers tell it."""
        return {
            "lot": self.lot,
            "hold": self.id,
            "what": self.what,
            "reason": self.reason,
            "case": self.reference or None,
            "by": self.by,
            "at": self.at,
        }

    def line(self) -> str:
        """In words, on one line."""
        case = f" ({self.reference})" if self.reference else ""
        return f"hold {self.id} on {self.what}: {self.reason}{case}, {self.by}, {self.at}"


def whole_lot(holds: Iterable[Hold]) -> Hold | None:
    """The hold on the whole lot, if there is one."""
    return next((hold for hold in holds if hold.whole), None)


def covering(holds: Iterable[Hold], position: int) -> list[Hold]:
    """The holds of a lot that cover a label."""
    return [
        hold
        for hold in holds
        if hold.whole or any(first <= position <= last for first, last in hold.runs)
    ]


def on_pack(holds: Iterable[Hold], pack: int) -> Hold | None:
    """The hold on a pack of the lot itself."""
    return next((hold for hold in holds if hold.pack == pack), None)


def mask(holds: Iterable[Hold], positions: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which of these ascending positions of a lot are held."""
    held = np.zeros(len(positions), dtype=np.bool_)
    for hold in holds:
        held |= hold.whole
        for first, last in hold.runs:
            held[np.searchsorted(positions, first) : np.searchsorted(positions, last + 1)] = True
    return held


def refused(hold: Hold, *, where: str, came: str) -> Refused:
    """The refusal of what a hold blocks."""
    return Refused(
        "held",
        f"It is held, since {hold.at}: {hold.reason}",
        where=where,
        expected="something that is not held",
        came=f"{came}: lot {hold.lot}, hold {hold.id} on {hold.what}, by {hold.by}",
        remedy=f"Nothing was changed. Ask who held it. Lift it when that is decided: "
        f"hold lift {hold.lot} {hold.id} --reason TEXT",
    )


def _held(entry: Entry, key: Row) -> list[Change]:
    data = dict(entry.data)
    data["positions"] = write_ranges(data["positions"])
    told = {"reason": entry.reason, "by": entry.person, "at": entry.at}
    lifted = {"lifted_by": "", "lifted_at": "", "lifted_reason": ""}
    return [Insert("hold", {**key, **data, **told, **lifted})]


def _lifted(entry: Entry, key: Row) -> list[Change]:
    told = {"lifted_by": entry.person, "lifted_at": entry.at, "lifted_reason": entry.reason}
    return [Update("hold", {**key, "id": entry.data["id"]}, told)]


HANDLERS: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "held": _held,
    "hold lifted": _lifted,
}
"""What entries of a lot's chain do."""


def in_words(runs: Sequence[Sequence[int]], most: int = 5) -> str:
    """Held labels in words."""
    told = [str(first) if first == last else f"{first}-{last}" for first, last in runs[:most]]
    count = sum(last - first + 1 for first, last in runs)
    more = f" and {len(runs) - most} more stretches" if len(runs) > most else ""
    return f"{count:,} label{'s' * (count != 1)} ({', '.join(told)}{more})"
