"""Holds: what is neither packed nor sent until somebody lifts them.

A hold is on a whole lot, on labels, on the labels of a roll as it was then, or on a pack. Several
may cover the same thing, which is held as long as one of them is open. Positions are kept as
*stretches*: first, last, and how many positions lie from one to the next, since the labels of one
lane follow each other by the number of lanes.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import Entry
from serialkeeper.rules.changes import Change, Insert, Row, Update
from serialkeeper.rules.jobs import parse_which
from serialkeeper.rules.remarks import LONGEST

LOT, LABELS, ROLL, PACK = "lot", "labels", "roll", "pack"
"""What a hold is on."""

Stretches = list[list[int]]
"""First position, last position, and the step from one to the next; ascending by the first."""

_STRETCH = re.compile(r"([0-9]{1,9})-([0-9]{1,9})/([1-9][0-9]{0,3})")


@dataclass(frozen=True, eq=False, slots=True)
class Hold:
    """One hold.

    Attributes:
        lot_id, lot: the lot whose journal tells it; a pack's is the one that it was made in.
        id: its number in the lot.
        what: LOT, LABELS, ROLL or PACK.
        positions: stretches of held labels; none for a lot or a pack.
        roll: the roll whose labels these are, 0 for none.
        pack, key: the held pack's id and key; 0 and empty for none.
        reason, reference: why, and the reference of an investigation, which may be empty.
        by, at: who placed it, and when.
        lifted_by, lifted_at, lifted_reason: the same of its lifting; empty while it is open.
    """

    lot_id: int
    lot: str
    id: int
    what: str
    positions: str
    roll: int
    pack: int
    key: str
    reason: str
    reference: str
    by: str
    at: str
    lifted_by: str
    lifted_at: str
    lifted_reason: str

    @property
    def name(self) -> str:
        """What it is called."""
        return f"hold {self.id} of lot {self.lot}"

    @property
    def on(self) -> str:
        """What it is on, in words."""
        if self.what in (LOT, PACK):
            return "the whole lot" if self.what == LOT else f"pack {self.key}"
        some = read_stretches(self.positions)
        labels = f"{count(some):,} labels, positions {some[0][0]} to {some[-1][1]}"
        if len(some) <= 3:
            labels = f"positions {write_stretches(some)}"
        return f"roll {self.roll}: {labels}" if self.what == ROLL else labels

    def mask(self, first: int, last: int) -> NDArray[np.bool_]:
        """Which of the lot's labels from `first` to `last` it covers."""
        if self.what == LOT:
            return np.ones(last - first + 1, dtype=np.bool_)
        return mask(_table(self.positions), first, last)

    def describe(self) -> dict[str, Any]:
        """As answers tell it."""
        some = read_stretches(self.positions)
        return {
            "lot": self.lot,
            "hold": self.id,
            "what": self.what,
            "on": self.on,
            "positions": some or None,
            "labels": count(some) if some else None,
            "roll": self.roll or None,
            "pack": self.key or None,
            "reason": self.reason,
            "case": self.reference or None,
            "by": self.by,
            "at": self.at,
            "lifted_by": self.lifted_by or None,
            "lifted_at": self.lifted_at or None,
            "lifted_reason": self.lifted_reason or None,
        }


def sentence(told: Mapping[str, Any]) -> str:
    """A hold as `Hold.describe` gives it, in one line."""
    case = f", case {told['case']}" if told["case"] else ""
    lifted = ""
    if told["lifted_at"]:
        lifted = f"; lifted by {told['lifted_by']} {told['lifted_at']}: {told['lifted_reason']}"
    return (
        f"hold {told['hold']} of lot {told['lot']} on {told['on']}, by {told['by']} since "
        f"{told['at']}{case}: {told['reason']}{lifted}"
    )


def in_order(some: Iterable[Hold]) -> list[Hold]:
    """Holds by the time they were placed, each once."""
    return sorted(set(some), key=lambda one: (one.at, one.lot_id, one.id))


def on_label(holds: Iterable[Hold], lot_id: int, position: int) -> list[Hold]:
    """Those of these open holds that cover a label, by its lot or by itself."""
    return [
        one
        for one in holds
        if one.lot_id == lot_id and not one.pack and one.mask(position, position)[0]
    ]


def on_lot(holds: Iterable[Hold], lot_id: int) -> list[Hold]:
    """Those of these open holds that are on a whole lot."""
    return [one for one in holds if one.what == LOT and one.lot_id == lot_id]


def on_pack(holds: Iterable[Hold], lot_id: int, pack: int) -> list[Hold]:
    """Those of these open holds that are on a pack itself."""
    return [one for one in holds if (one.lot_id, one.pack) == (lot_id, pack)]


def refusal(name: str, holds: Sequence[Hold], *, where: str) -> Refused:
    """The refusal of something held: by which holds, why, since when, by whom.

    Args:
        name: what is held.
        where: what it should have gone into, or what should have left.
    """
    first = holds[0]
    return Refused(
        "held",
        "It is held: it is neither packed nor sent.",
        where=where,
        expected="nothing held",
        came=f"{name}: {sentence(first.describe())}",
        remedy=f"Put it aside; nothing was done. Look at the holds (hold list {first.lot}); "
        f"compliance lifts one: hold lift {first.lot} {first.id} --reason TEXT",
        more=tuple(sentence(one.describe()) for one in holds[1:]),
    )


def check_one(*things: object) -> None:
    """Refuses `bad_value` for more than one thing to be held."""
    if sum(one is not None for one in things) > 1:
        raise Refused(
            "bad_value",
            "One hold is on one thing.",
            expected="positions, a roll, a pack, or none of them for the whole lot",
            came="several of them",
            remedy="Place a hold for each.",
        )


def check_reason(reason: str, reference: str = "") -> None:
    """Refuses `reason_needed`, and `bad_value` for what nobody would read."""
    if not reason.strip():
        raise Refused(
            "reason_needed",
            "A hold is placed, and lifted, for a reason in words.",
            expected="a sentence",
            came="none",
            remedy="Give --reason.",
        )
    longest = max(len(reason), len(reference))
    if longest > LONGEST:
        raise Refused(
            "bad_value",
            "The reason, or the reference, is too long.",
            expected=f"{LONGEST} characters at most",
            came=f"{longest} characters",
            remedy="Say it in short, and name the paper that says more: --case.",
        )


# -- stretches of positions ---------------------------------------------------------------


def stretches(positions: Iterable[int] | NDArray[np.int64]) -> Stretches:
    """Ascending positions as stretches.

    >>> stretches([1, 5, 9, 13, 17, 18, 19, 30])
    [[1, 17, 4], [18, 19, 1], [30, 30, 1]]
    """
    places = np.asarray(positions, dtype=np.int64)
    steps = np.diff(places)
    ends = [*np.flatnonzero(np.diff(steps)) + 1, len(steps)]
    made: Stretches = []
    start, change = 0, 0
    while start < len(places):
        while ends[change] <= start < len(steps):
            change += 1
        stop = int(ends[change]) if start < len(steps) else start
        step = int(steps[start]) if start < len(steps) else 1
        if stop == start + 1 and step > 1:
            stop, step = start, 1  # two labels that only happen to lie so far apart
        made.append([int(places[start]), int(places[stop]), step])
        start = stop + 1
    return made


def count(some: Stretches) -> int:
    """Labels in stretches."""
    return sum((last - first) // step + 1 for first, last, step in some)


@lru_cache(maxsize=64)
def _table(text: str) -> NDArray[np.int64]:
    """Stretches as rows of an array, read once for many questions."""
    return np.array(read_stretches(text), dtype=np.int64).reshape(-1, 3)


def mask(some: NDArray[np.int64], first: int, last: int) -> NDArray[np.bool_]:
    """Which of the positions from `first` to `last` lie in these stretches, a row each."""
    held = np.zeros(last - first + 1, dtype=np.bool_)
    near = some[(some[:, 0] <= last) & (some[:, 1] >= first)]
    for start, stop, step in near.tolist():
        begin = start if start >= first else first + (start - first) % step
        held[begin - first : min(stop, last) - first + 1 : step] = True
    return held


def write_stretches(some: Stretches) -> str:
    """Stretches in short form, as commands take them.

    >>> write_stretches([[1, 17, 4], [18, 19, 1], [30, 30, 1]])
    '1-17/4,18-19,30'
    """
    return ",".join(
        str(first) if first == last else f"{first}-{last}" + f"/{step}" * (step > 1)
        for first, last, step in some
    )


def read_stretches(text: str) -> Stretches:
    """What `write_stretches` wrote; none from an empty text."""
    made = []
    for piece in text.split(",") if text else ():
        span, _, step = piece.partition("/")
        first, _, last = span.partition("-")
        made.append([int(first), int(last or first), int(step or 1)])
    return made


def parse_positions(text: str, labels: int) -> Stretches:
    """Positions such as `17`, `30-40` or, every fourth one, `1-997/4`, separated by commas.

    Refuses `label_unknown` outside the plan and `bad_value` for what is no list.
    """
    there = np.zeros(labels + 1, dtype=np.bool_)
    for piece in text.replace(" ", "").split(","):
        every = _STRETCH.fullmatch(piece)
        step = int(every[3]) if every else 1
        ((first, last),) = parse_which(f"{every[1]}-{every[2]}" if every else piece, labels)
        there[first : last + 1 : step] = True
    return stretches(np.flatnonzero(there))


# -- what entries do ----------------------------------------------------------------------


def _held(entry: Entry, key: Row) -> list[Change]:
    data = {**entry.data, "positions": write_stretches(entry.data["positions"])}
    row = {**key, **data, "reason": entry.reason, "by": entry.person, "at": entry.at}
    return [Insert("hold", {**row, "lifted_by": "", "lifted_at": "", "lifted_reason": ""})]


def _lifted(entry: Entry, key: Row) -> list[Change]:
    values = {"lifted_by": entry.person, "lifted_at": entry.at, "lifted_reason": entry.reason}
    return [Update("hold", {**key, "id": entry.data["hold"]}, values)]


HANDLERS: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "held": _held,
    "hold lifted": _lifted,
}
"""What entries of a lot's chain do."""
