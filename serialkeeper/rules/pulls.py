"""The pull list: doubtful labels in winding order, each with its readable neighbours.

A cut is made beside a label that was scanned, never by counting metres: blanks, stops and earlier
cuts have moved the web.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.doubts import Doubt, Stretch, metres
from serialkeeper.rules.strips import ending_of

NEAR = 5
"""Labels in a lane within which the scanned neighbour has to stand (common practice, no source)."""

COLUMNS = (
    "order",
    "position",
    "row",
    "lane",
    "metres",
    "number",
    "sign",
    "finding",
    "what_to_do",
    "why",
    "before_position",
    "before_ending",
    "before_away",
    "after_position",
    "after_ending",
    "after_away",
)
"""Columns of the list as a CSV file."""


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A good label in the same lane.

    Attributes:
        position, row: which.
        away: labels from the doubtful one, 1 for the very next.
    """

    position: int
    row: int
    away: int


@dataclass(frozen=True, slots=True)
class Pull:
    """A doubtful label, and the nearest good labels of its lane that come off the roll before it
    and after it; None where there is none on this stretch."""

    doubt: Doubt
    before: Neighbour | None
    after: Neighbour | None


def list_pulls(stretch: Stretch, *, from_end: bool = False) -> list[Pull]:
    """The doubtful labels in the order in which they come off the roll.

    Args:
        stretch: the web.
        from_end: whether the last row comes off first.
    """
    good = stretch.good
    rows = [np.flatnonzero(good[:, column]) for column in range(len(stretch.lanes))]
    made = []
    for doubt in stretch.doubts:
        row, column = stretch.cell(doubt.row, doubt.lane)
        above, below = _nearest(stretch, rows[column], row, column)
        made.append(Pull(doubt, below, above) if from_end else Pull(doubt, above, below))
    return made[::-1] if from_end else made


def _nearest(
    stretch: Stretch, good: NDArray[np.int64], row: int, column: int
) -> tuple[Neighbour | None, Neighbour | None]:
    """The nearest good labels of a lane, in rows before and behind one."""
    at, behind = int(np.searchsorted(good, row)), int(np.searchsorted(good, row + 1))

    def named(index: int) -> Neighbour:
        other = int(good[index])
        position = int(stretch.position[other, column])
        return Neighbour(position, other + stretch.first, abs(other - row))

    return named(at - 1) if at else None, named(behind) if behind < len(good) else None


def described(
    pulls: Iterable[Pull],
    stretch: Stretch,
    serials: Mapping[int, str],
    pitch: float,
    *,
    from_end: bool,
) -> list[dict[str, Any]]:
    """The list as plain data; `serials` has the numbers of all labels named in it."""

    def beside(one: Neighbour | None) -> dict[str, Any] | None:
        if one is None:
            return None
        ending = ending_of(serials[one.position])
        return {"position": one.position, "row": one.row, "ending": ending, "away": one.away}

    return [
        {
            "order": order,
            "position": pull.doubt.position,
            "row": pull.doubt.row,
            "lane": pull.doubt.lane,
            "metres": metres(stretch, pull.doubt.row, pitch, from_end=from_end),
            "number": serials[pull.doubt.position],
            "sign": pull.doubt.sign,
            "finding": pull.doubt.finding or None,
            "what_to_do": pull.doubt.act,
            "why": pull.doubt.text,
            "together": pull.doubt.together or None,
            "before": beside(pull.before),
            "after": beside(pull.after),
        }
        for order, pull in enumerate(pulls, 1)
    ]


def as_row(pull: Mapping[str, Any]) -> list[str]:
    """One line of `described` as fields of the CSV file."""
    fields = [pull[name] for name in COLUMNS[:10]]
    for side in ("before", "after"):
        one = pull[side] or {}
        fields += [one.get(name) for name in ("position", "ending", "away")]
    return ["" if field is None else _as_text(str(field)) for field in fields]


def _as_text(field: str) -> str:
    """A field that no spreadsheet takes for a formula (OWASP, CSV injection, from memory).

    The list is for people; an imported number may begin with such a sign (GS1 character set 82).
    """
    return f"'{field}" if field.startswith(("=", "+", "-", "@", "\t", "\r")) else field


def as_lines(pull: Mapping[str, Any]) -> list[str]:
    """One line of `described` for paper, with a box to tick."""
    along = "" if pull["metres"] is None else f", {pull['metres']:.2f} m"
    return [
        f"[ ] {pull['order']:>4}  row {pull['row']}, lane {pull['lane']}{along}  "
        f"{pull['sign']}  position {pull['position']}, number {pull['number']}",
        f"          {pull['what_to_do']}: {pull['why']}",
        f"          {_told(pull['before'], 'before')}; {_told(pull['after'], 'after')}",
    ]


def _told(one: Mapping[str, Any] | None, side: str) -> str:
    if one is None:
        return f"no readable neighbour {side} it on this stretch"
    count = "next label" if one["away"] == 1 else f"{one['away']} labels"
    return f"{count} {side} it: {one['ending']} (position {one['position']}, row {one['row']})"


def find_cut(
    stretch: Stretch,
    position: int,
    place: tuple[int, int],
    neighbour: int,
    *,
    from_end: bool,
    where: str,
) -> dict[str, Any]:
    """Where a label stands, told from a neighbour that was scanned.

    Args:
        stretch: the web.
        position: the label to be taken off.
        place: its row and lane on the stretch.
        neighbour: the position of the label that was scanned.
        from_end: whether the last row comes off first.
        where: the lot, for refusals.

    Refuses `scan_elsewhere` unless a good label of the same lane, near enough, was scanned.

    Returns:
        position, row, lane, scanned, away, side (`after` or `before` the scanned one, as the
        web comes off the roll).
    """
    row, lane = place
    other = stretch.find(neighbour)
    if other is None:
        raise _elsewhere(where, position, row, lane, f"position {neighbour}, not on this stretch")
    at, across = stretch.cell(row, lane)
    here = stretch.cell(*other)
    lies = f"position {neighbour}: row {other[0]}, lane {other[1]}"
    rows = np.flatnonzero(stretch.good[:, across])
    nearest = [one.away for one in _nearest(stretch, rows, at, across) if one]
    away = abs(here[0] - at)
    if neighbour == position:
        lies += ", the label itself: its own code does not prove its place"
    elif other[1] != lane:
        lies += ", another lane"
    elif not stretch.good[here]:
        lies += ", which is doubtful itself"
    elif away > max([NEAR, *nearest]):
        lies += f", {away} labels away"
    else:
        after = (here[0] < at) != from_end
        return {
            "position": position,
            "row": row,
            "lane": lane,
            "scanned": neighbour,
            "away": away,
            "side": "after" if after else "before",
        }
    raise _elsewhere(where, position, row, lane, lies)


def _elsewhere(where: str, position: int, row: int, lane: int, came: str) -> Refused:
    return Refused(
        "scan_elsewhere",
        "The scanned label does not stand beside the cut.",
        where=f"{where}, position {position} (row {row}, lane {lane})",
        expected=f"a good label of lane {lane}, at most {NEAR} labels away or the nearest there is",
        came=came,
        remedy="Do not cut here: find the place again and scan a readable neighbour.",
    )
