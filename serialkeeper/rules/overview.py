"""A print job's web at a glance: fields of some rows of one lane each, as many as a finger can hit.

Rows run across, lanes down, lane 1 on top. How far a field was read is looked up at a few of its
labels, so that a long web takes no longer to show than a short one; what is doubtful in it is
counted, every one.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.doubts import SIGNS
from serialkeeper.rules.jobs import Shape
from serialkeeper.rules.moves import State

MOST_FIELDS = 64
"""Fields of a web with few lanes; one with many has six rows of fields across at least."""

FEWEST_ACROSS = 6

PROBES = 4
"""Labels of a field that are looked up, evenly spread from its first row to its last."""

NOT_READ = (
    *(State.ALLOCATED.value, State.ISSUED.value),
    *(State.VOIDED.value, State.DECOMMISSIONED.value),
)
"""States that are not drawn as read: what left the record may never have been seen."""


@dataclass(frozen=True, slots=True)
class Field:
    """Some rows of one lane.

    Attributes:
        first, last: its web rows, as the job counts them.
        lane: which lane.
        probes: positions of the labels that are looked up.
    """

    first: int
    last: int
    lane: int
    probes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Doubtful:
    """A doubtful label on the web.

    Attributes:
        position, row, lane: where.
        sign: a letter of `rules.doubts.SIGNS`.
    """

    position: int
    row: int
    lane: int
    sign: str


def fields_of(shape: Shape) -> list[list[Field]]:
    """The fields of a job's web: a list for each lane."""
    across = min(shape.rows, max(FEWEST_ACROSS, MOST_FIELDS // shape.lanes))
    edges = [shape.rows * number // across for number in range(across + 1)]
    spans = [(low + 1, high) for low, high in pairwise(edges)]
    lanes = range(1, shape.lanes + 1)
    return [[_field(shape, first, last, lane) for first, last in spans] for lane in lanes]


def _field(shape: Shape, first: int, last: int, lane: int) -> Field:
    steps = range(PROBES)
    rows = dict.fromkeys(first + (last - first) * step // (PROBES - 1) for step in steps)
    there = (shape.at(row, lane) for row in rows)
    return Field(first, last, lane, tuple(position for position in there if position))


def described(
    fields: Sequence[Sequence[Field]], letters: Mapping[int, str], doubts: Iterable[Doubtful]
) -> list[list[dict[str, object]]]:
    """The fields as plain data.

    Args:
        letters: the states of their probes, by position.
        doubts: what is doubtful on the web.

    Returns:
        For each lane its fields: first, last (rows), lane, read (of `labels` looked up), labels,
        doubtful (how many), sign (of the gravest, or None), position (of the first, or None) and
        marks (rows of the first of them, for a drawing to scale).
    """
    starts = [field.first for field in fields[0]]
    found: dict[tuple[int, int], list[Doubtful]] = {}
    for one in doubts:
        found.setdefault((one.lane, bisect_right(starts, one.row) - 1), []).append(one)
    return [
        [
            _described(field, letters, found.get((field.lane, column), []))
            for column, field in enumerate(row)
        ]
        for row in fields
    ]


_MOST_MARKS = 40
_GRAVITY = {letter: place for place, letter in enumerate(SIGNS)}


def _described(
    field: Field, letters: Mapping[int, str], doubts: list[Doubtful]
) -> dict[str, object]:
    gravest = min(doubts, key=lambda one: _GRAVITY[one.sign], default=None)
    read = sum(letters[position] not in NOT_READ for position in field.probes)
    return {
        "first": field.first,
        "last": field.last,
        "lane": field.lane,
        "read": read,
        "labels": len(field.probes),
        "doubtful": len(doubts),
        "sign": gravest.sign if gravest else None,
        "position": doubts[0].position if doubts else None,
        "marks": [one.row for one in doubts[:_MOST_MARKS]],
    }


def cells_now(
    shape: Shape, positions: NDArray[np.int64], replaced: Iterable[tuple[int, int]]
) -> list[tuple[int, int]]:
    """Row and lane of labels on a job's web, (0, 0) for those that do not stand there.

    Args:
        replaced: bad labels and the spares that stand in their place, in order.
    """
    rows, lanes = shape.cells(positions)
    made = list(zip(rows.tolist(), lanes.tolist(), strict=True))
    moved: dict[int, tuple[int, int]] = {}
    for bad, spare in replaced:
        there = moved.get(bad) or shape.cell(bad)
        moved[spare], moved[bad] = there, (0, 0)
    if moved:
        known = positions.tolist()
        made = [moved.get(one, cell) for one, cell in zip(known, made, strict=True)]
    return made
