"""A print job's web at a glance: fields of some rows of one lane each, as many as a finger can hit.

Rows run across, lanes down, lane 1 on top. How far a field was read is looked up at a few of its
labels, so that a long web takes no longer to show than a short one; what is doubtful in it is
counted, every one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.doubts import SIGNS, sign_of
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
class OnWeb:
    """The doubtful labels on a web, row by row and each once: a whole lot may have to come off.

    Attributes:
        positions, rows, lanes: where.
        signs: places in `rules.doubts.SIGNS`, the gravest first.
    """

    positions: NDArray[np.int32]
    rows: NDArray[np.int32]
    lanes: NDArray[np.int32]
    signs: NDArray[np.uint8]

    def letters(self) -> list[str]:
        """The signs that are there, the gravest first."""
        return [_LETTERS[place] for place in np.unique(self.signs)]

    def first(self, row: int, most: int) -> list[tuple[int, int, int]]:
        """Position, row and lane of the first so many from a row on."""
        start = int(np.searchsorted(self.rows, row))
        some = slice(start, start + most)
        columns = (self.positions[some], self.rows[some], self.lanes[some])
        return list(zip(*(one.tolist() for one in columns), strict=True))


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


_LETTERS = tuple(SIGNS)
_MOST_MARKS = 40


def on_web(
    shape: Shape,
    words: Mapping[int, str],
    leaving: NDArray[np.int64],
    replaced: Iterable[tuple[int, int]],
) -> OnWeb:
    """What is doubtful on a job's web.

    Args:
        words: doubtful labels and the word that stands against each.
        leaving: labels that have to come off it, whatever stands against them.
        replaced: bad labels and the spares that stand in their place, in order.
    """
    known = np.array(list(words), dtype=np.int64)
    signs = np.array([_LETTERS.index(sign_of(one)) for one in words.values()], dtype=np.uint8)
    stays = ~np.isin(known, leaving)
    positions = np.concatenate([known[stays], leaving])
    out = np.full(len(leaving), _LETTERS.index("G"), dtype=np.uint8)
    signs = np.concatenate([signs[stays], out])
    rows, lanes = cells_now(shape, positions, replaced)
    order = np.lexsort((lanes, rows))
    order = order[rows[order] > 0]
    return OnWeb(
        positions[order].astype(np.int32),
        rows[order].astype(np.int32),
        lanes[order].astype(np.int32),
        signs[order],
    )


def described(
    fields: Sequence[Sequence[Field]], letters: Mapping[int, str], doubts: OnWeb
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
    made = []
    for row in fields:
        there = np.flatnonzero(doubts.lanes == row[0].lane)
        rows = doubts.rows[there]
        ends = [(field.first, field.last + 1) for field in row]
        parts = [there[slice(*np.searchsorted(rows, pair))] for pair in ends]
        made.append([_described(*one, letters, doubts) for one in zip(row, parts, strict=True)])
    return made


def _described(
    field: Field, there: NDArray[np.int64], letters: Mapping[int, str], doubts: OnWeb
) -> dict[str, object]:
    """A field, and the doubtful labels in it by their places in `doubts`."""
    some = len(there) > 0
    read = sum(letters[position] not in NOT_READ for position in field.probes)
    return {
        "first": field.first,
        "last": field.last,
        "lane": field.lane,
        "read": read,
        "labels": len(field.probes),
        "doubtful": len(there),
        "sign": _LETTERS[doubts.signs[there].min()] if some else None,
        "position": int(doubts.positions[there[0]]) if some else None,
        "marks": doubts.rows[there[:_MOST_MARKS]].tolist(),
    }


def cells_now(
    shape: Shape, positions: NDArray[np.int64], replaced: Iterable[tuple[int, int]]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and lanes of labels on a job's web, 0 and 0 for those that do not stand there.

    Args:
        replaced: bad labels and the spares that stand in their place, in order.
    """
    rows, lanes = shape.cells(positions)
    moved: dict[int, tuple[int, int]] = {}
    for bad, spare in replaced:
        there = moved.get(bad) or shape.cell(bad)
        moved[spare], moved[bad] = there, (0, 0)
    if moved:
        concerned = np.flatnonzero(np.isin(positions, list(moved)))
        for place in concerned.tolist():
            rows[place], lanes[place] = moved[int(positions[place])]
    return rows, lanes
