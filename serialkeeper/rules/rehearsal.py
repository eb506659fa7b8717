"""Known faults of a rehearsed run of the line, where they go, and what the truth is.

For trying and training only: rehearsed files are marked in every row, and a live record
refuses them. `rules.rehearsed_run` lets the web with these faults run past a camera,
`rules.rehearsed_rows` writes what the camera would have written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1
from serialkeeper.rules.layout import DEFAULT, Layout

FAULTS: Mapping[str, float] = {
    "unreadable": 0.006,
    "low_grade": 0.004,
    "failed_by_camera": 0.002,
    "text_mismatch": 0.001,
    "wrong_symbology": 0.001,
    "wrong_lot": 0.001,
    "foreign": 0.001,
    "repeated": 0.001,
    "swapped": 0.001,
    "not_seen": 0.002,
}
"""Each usual fault and its share of the labels; 2 % in all (common practice, no source)."""

STRETCHES: Mapping[str, int] = {
    "stutter": 1,
    "blind": 4,
    "gap": 3,
    "dropout": 8,
    "block": 5,
    "overlap": 3,
    "slip": 1,
    "stop": 1,
}
"""Faults of whole rows of the web, and how many rows each takes (common practice, no source).

`stutter`: the printer prints a row twice and every later row is shifted; `blind`: rows seen, but
no code read; `gap`: rows without any reading; `dropout`: one lane without readings; `block`: rows
spliced in elsewhere; `overlap`: the web is drawn back after a stop and read again; `slip`: the
camera's counter jumps ahead by a row; `stop`: the web stands still for a minute.
"""

PAIRED = ("repeated", "swapped")
"""Faults that concern two neighbours: the printer repeats a record; two labels change places."""

KINDS: Mapping[str, str] = {
    **dict.fromkeys(FAULTS, "rejected"),
    "not_seen": "issued",
    "double": "commissioned",
    "double_unread": "commissioned",
    "displaced": "rejected",
    "stutter": "rejected",
    "blind": "rejected",
    "gap": "issued",
    "dropout": "issued",
    "block": "rejected",
    "overlap": "commissioned",
    "slip": "commissioned",
    "stop": "commissioned",
}
"""Every fault, and the state in which its labels should end.

`double`: one label triggers the camera twice; `double_unread`: the second time nothing is read;
`displaced`: a label stands in the place of another one far away.
"""

ALONE = frozenset(set(FAULTS) - set(PAIRED) - {"not_seen"})
"""Faults of a single label that stay with it: it reads as bad whenever it passes."""

SLICE = 50_000
"""Labels or readings written at a time."""

BLOCK_MOVES = 40
"""Rows by which a block is spliced in too late, or too early near the end."""

FAR_ROWS = 10
"""Rows at least between a displaced label and the place where it stands."""

_AT = re.compile(r"([a-z_]+)@([0-9]{1,9})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Web:
    """The labels of a rehearsal, one array element each, row by row.

    Attributes:
        position, row, lane: places.
        lanes: lanes of the job.
        serials: numbers.
        codes: their whole codes where some carry extras, else None.
        code: the lot's frozen facts; its serial says nothing.
        order: element order.
        states: words of their states now, where a roll is read again; else None.
        layout: the lot's, for the human-readable lines.
    """

    position: NDArray[np.int64]
    row: NDArray[np.int64]
    lane: NDArray[np.int64]
    lanes: int
    serials: pl.Series
    code: gs1.LabelCode
    order: tuple[str, ...]
    codes: pl.Series | None = None
    states: pl.Series | None = None
    layout: Layout = DEFAULT

    def steps(self) -> NDArray[np.int64]:
        """The row of each label, counted from 0 without the rows that have none."""
        return np.unique(self.row, return_inverse=True)[1].astype(np.int64)


@dataclass(frozen=True, slots=True)
class Planted:
    """Where the faults are.

    Attributes:
        labels: int64 indices of labels by fault; of the first of two for paired faults; for
            `displaced` the labels first, then the places where they stand, in the same order.
        stretches: int64 first steps (rows with labels, from 0) by fault.
    """

    labels: Mapping[str, NDArray[np.int64]]
    stretches: Mapping[str, NDArray[np.int64]]

    def counts(self) -> dict[str, int]:
        """How often each fault occurs, in `KINDS` order."""
        there = {fault: len(index) for fault, index in (*self.labels.items(),)}
        there |= {fault: len(steps) for fault, steps in self.stretches.items()}
        return {fault: there[fault] for fault in KINDS if there.get(fault)}

    def lane_of(self, step: int, lanes: int) -> int:
        """The lane that a dropout from this step on leaves without readings."""
        return step % lanes + 1


def read_faults(words: list[str]) -> tuple[dict[str, float], list[tuple[str, int]]]:
    """Shares by fault, and faults at a position, from FAULT=SHARE and FAULT@POSITION.

    `mixed=SHARE` spreads the share evenly over every fault. Refuses `bad_value`.
    """
    shares: dict[str, float] = {}
    places: list[tuple[str, int]] = []
    for word in words:
        name, _, share = word.partition("=")
        at = _AT.fullmatch(word)
        try:
            if at and at[1] in KINDS:
                places.append((at[1], int(at[2])))
            elif name == "mixed":
                shares |= dict.fromkeys(KINDS, float(share) / len(KINDS))
            else:
                shares[name] = float(share)
        except ValueError:
            raise _not_understood(word) from None
    check_shares(shares)
    return shares, places


def check_shares(shares: Mapping[str, float]) -> None:
    """Refuses `bad_value` for unknown faults, and for more of them than a web can carry."""
    if not set(shares) <= set(KINDS):
        raise _not_understood(", ".join(sorted(set(shares) - set(KINDS))))
    if not (all(share >= 0 for share in shares.values()) and sum(shares.values()) <= 0.4):
        raise _not_understood(", ".join(f"{fault}={share}" for fault, share in shares.items()))


def _not_understood(came: str) -> Refused:
    return Refused(
        "bad_value",
        "The faults of a rehearsal are not understood.",
        where="--fault",
        expected="FAULT=SHARE such as unreadable=0.01, at most 0.4 in all; FAULT@POSITION; or "
        f"mixed=SHARE; faults: {', '.join(KINDS)}",
        came=came,
        remedy="Correct them.",
    )


def plant(
    web: Web,
    rng: np.random.Generator,
    shares: Mapping[str, float],
    places: list[tuple[str, int]],
) -> Planted:
    """Where each fault goes. No two faults touch the same label.

    Args:
        web: the labels.
        rng: chance.
        shares: share of the labels by fault; every fault with a share occurs at least once
            where there is room.
        places: faults wanted at a position; `displaced` moves the label half the web away.

    Refuses `bad_value` for a position that is not on the web or is taken by another fault.
    """
    step = web.steps()
    free = np.ones(len(step), dtype=np.bool_)
    stretches: dict[str, list[int]] = {fault: [] for fault in STRETCHES}
    labels: dict[str, list[int]] = {fault: [] for fault in KINDS if fault not in STRETCHES}
    for fault, position in places:
        _place(web, step, free, fault, position, stretches if fault in STRETCHES else labels)
    rows = int(step[-1]) + 1
    for fault, long in STRETCHES.items():
        share = shares.get(fault, 0.0)
        wanted = max(1, round(share * len(step) / (long * web.lanes))) if share > 0 else 0
        tries = iter(rng.integers(0, max(rows - long, 1), 20 * wanted).tolist())
        while wanted and (first := next(tries, None)) is not None:
            if _take_rows(step, free, fault, first):
                stretches[fault].append(first)
                wanted -= 1
    for fault in (*PAIRED, *(fault for fault in labels if fault not in PAIRED)):
        share = shares.get(fault, 0.0)
        wanted = max(1, round(share * len(step))) if share > 0 else 0
        if fault == "displaced":
            wanted += wanted % 2
        if wanted:
            taken = _take_labels(free, rng, wanted, pairs=fault in PAIRED)
            labels[fault] += _far_apart(taken, web.lanes) if fault == "displaced" else taken
    return Planted(
        {fault: _in_order(fault, index) for fault, index in labels.items()},
        {fault: np.array(sorted(first), dtype=np.int64) for fault, first in stretches.items()},
    )


def _take_labels(
    free: NDArray[np.bool_], rng: np.random.Generator, wanted: int, *, pairs: bool
) -> list[int]:
    """Take so many labels, or pairs of neighbours, anywhere; fewer where there are no more."""
    taken: list[int] = []
    there = free.copy()
    if pairs:
        there[:-1] &= free[1:]
        there[-1] = False
    for index in rng.permutation(np.flatnonzero(there)).tolist():
        if len(taken) == wanted:
            break
        if free[index] and (not pairs or free[index + 1]):
            free[index : index + 1 + pairs] = False
            taken.append(index)
    return taken


def _far_apart(taken: list[int], lanes: int) -> list[int]:
    """Labels in pairs: one, and the far one in whose place it stands."""
    half = len(taken) // 2
    ordered = sorted(taken)
    pairs = zip(ordered[:half], ordered[half:], strict=False)
    return [
        label for one, other in pairs if other - one >= FAR_ROWS * lanes for label in (one, other)
    ]


def _in_order(fault: str, index: list[int]) -> NDArray[np.int64]:
    if fault == "displaced":
        return np.array(index[::2] + index[1::2], dtype=np.int64)
    return np.array(sorted(index), dtype=np.int64)


def _place(
    web: Web,
    step: NDArray[np.int64],
    free: NDArray[np.bool_],
    fault: str,
    position: int,
    into: dict[str, list[int]],
) -> None:
    found = np.flatnonzero(web.position == position)
    index = int(found[0]) if len(found) else -1
    wanted = [index]
    if fault in PAIRED:
        wanted.append(index + 1)
    if fault == "displaced":
        wanted.append((index + len(step) // 2) % len(step))
    if index < 0 or max(wanted) >= len(step) or not free[wanted].all():
        raise Refused(
            "bad_value",
            "A fault cannot be put there.",
            where=f"{fault}@{position}",
            expected="a label of the job that is issued and has no other fault yet",
            came=f"position {position}",
            remedy="Name another position.",
        )
    if fault in STRETCHES:
        into[fault].append(int(step[index]))
        _take_rows(step, free, fault, int(step[index]))
        return
    free[wanted] = False
    into[fault] += wanted if fault == "displaced" else [index]


def _take_rows(step: NDArray[np.int64], free: NDArray[np.bool_], fault: str, first: int) -> bool:
    """Take the rows of a stretch, and one beside it on each side; False if one is taken."""
    last = first + STRETCHES[fault] - 1
    spans = [(first - 1, last + 1)]
    if fault == "block":
        to = block_target(first, int(step[-1]) + 1)
        spans.append((to - 1, to + 1))
    cuts = [tuple(np.searchsorted(step, (low, high + 1)).tolist()) for low, high in spans]
    if not all(free[start:stop].all() for start, stop in cuts):
        return False
    for start, stop in cuts:
        free[start:stop] = False
    return True


def block_target(first: int, rows: int) -> int:
    """The step behind which a block that starts at `first` was spliced in."""
    after = first + STRETCHES["block"] - 1 + BLOCK_MOVES
    return after if after < rows else max(first - BLOCK_MOVES, 0)


def truth(web: Web, planted: Planted) -> Iterator[pl.DataFrame]:
    """What every label should end as: position, serial, outcome, fault; some labels at a time."""
    step = web.steps()
    outcome = np.zeros(len(step), dtype=np.uint8)
    names = ("", *KINDS)
    for fault, index in planted.labels.items():
        places = np.concatenate((index, index + 1)) if fault in PAIRED else index
        outcome[places] = names.index(fault)
    for fault, firsts in planted.stretches.items():
        for first in firsts.tolist():
            start, stop = np.searchsorted(step, (first, first + STRETCHES[fault]))
            places = np.arange(start, stop)
            if fault == "dropout":
                places = places[web.lane[places] == planted.lane_of(first, web.lanes)]
            outcome[places] = names.index(fault)
    states = pl.Series(("commissioned", *KINDS.values()))
    for start in range(0, len(step), SLICE):
        some = slice(start, start + SLICE)
        chosen = pl.Series(outcome[some].astype(np.int64))
        ends = states.gather(chosen)
        if web.states is not None:  # a further pass makes nothing good, and takes goodness away
            now = web.states[some]
            bad = (ends == "rejected") & now.is_in(["issued", "verified", "commissioned"])
            ends = now.set(bad, "rejected")
        yield pl.DataFrame(
            {
                "position": web.position[some],
                "serial": web.serials[some],
                "outcome": ends,
                "fault": pl.Series(names).gather(chosen),
            }
        )
