"""Where in a results file some numbers were read, and what was read around them."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import polars as pl

from serialkeeper.rules import gs1
from serialkeeper.rules.hold import Sighting
from serialkeeper.rules.jobs import Shape

FAR = 64
"""Readings around a sighting among which a proven neighbour is looked for."""

KEPT = ("seen", "position", "row", "lane")
"""Columns of a results file that matter here."""


def find_sightings(
    rows: pl.DataFrame,
    serials: Mapping[str, int],
    shell: tuple[str, str],
    shape: Shape | None,
    proven: Callable[[str], int],
) -> dict[int, list[Sighting]]:
    """Every reading of some numbers.

    Args:
        rows: `KEPT` columns of a whole results file, as text.
        serials: positions by number: those that are looked for.
        shell: what stands before and after the number in a planned text.
        shape: the lot's only print job, where rows and lanes name places; else None.
        proven: the position of a number that stands in its place for certain, 0 for another.

    Returns:
        The sightings of each position, in the file's order.
    """
    texts = rows["seen"].str.replace_all(gs1.GS, gs1.FILE_GS, literal=True)
    hit = texts.str.contains_any(list(serials), ascii_case_insensitive=True)
    told = _told(rows, shape)
    found: dict[int, list[Sighting]] = {}
    for index in np.flatnonzero(hit.to_numpy()).tolist():
        lane = rows["lane"][index]
        ends = [
            _neighbour(texts, rows["lane"], index, step, lane, shell, proven) for step in (-1, 1)
        ]
        (before, at), (after, other) = ends
        sighting = Sighting(
            told=int(told[index]),
            before=before,
            after=after,
            before_told=int(told[at]) if before else 0,
            after_told=int(told[other]) if after else 0,
            one_lane=lane != "",
        )
        upper = texts[index].upper()
        for serial, position in serials.items():
            if serial.upper() in upper:
                found.setdefault(position, []).append(sighting)
    return found


def _told(rows: pl.DataFrame, shape: Shape | None) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """The position that each row gives, by itself or by row and lane; 0 for none."""
    number = [rows[name].cast(pl.Int64, strict=False).fill_null(0).to_numpy() for name in KEPT[1:]]
    position, row, lane = number
    if shape is not None:
        placed = shape.places(row, lane)
        position = np.where(position > 0, position, placed)
    return np.asarray(position, dtype=np.int64)


def _neighbour(
    texts: pl.Series,
    lanes: pl.Series,
    index: int,
    step: int,
    lane: str,
    shell: tuple[str, str],
    proven: Callable[[str], int],
) -> tuple[int, int]:
    """The nearest reading in one direction that shows a proven label: position and index."""
    at = index + step
    while 0 <= at < len(texts) and abs(at - index) <= FAR * (8 if lane else 1):
        text = texts[at]
        if lanes[at] == lane and text.startswith(shell[0]) and text.endswith(shell[1]):
            number = text.removeprefix(shell[0]).removesuffix(shell[1])
            position = proven(number.partition(gs1.FILE_GS)[0])
            if position:
                return position, at
        at += step
    return 0, 0
