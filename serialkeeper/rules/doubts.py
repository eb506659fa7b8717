"""Which labels of a stretch of web a person has to look at, why, and by which sign on paper."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.findings import WORDS
from serialkeeper.rules.jobs import Shape
from serialkeeper.rules.moves import State


@dataclass(frozen=True, slots=True)
class Sign:
    """How a doubtful label looks on paper: told apart by letter, by shape and by tone.

    Attributes:
        letter: stands in the shape.
        shape: a name of `rules.figures.OUTLINES`.
        tone: `dark`, `middle`, `light`, or `open` for a label that may not be there at all.
        title: what it says, in a few words.
    """

    letter: str
    shape: str
    tone: str
    title: str


SIGNS: Mapping[str, Sign] = {
    sign.letter: sign
    for sign in (
        Sign("W", "square", "dark", "wrong code"),
        Sign("G", "hexagon", "dark", "out of the record, must be gone"),
        Sign("T", "diamond", "middle", "read twice, repeated"),
        Sign("P", "arrow", "middle", "in another place"),
        Sign("U", "up", "light", "unreadable"),
        Sign("Q", "down", "light", "grade, text, camera's verdict"),
        Sign("R", "circle", "light", "another matter"),
        Sign("N", "ring", "open", "not seen"),
        Sign("A", "gap", "open", "not told apart"),
    )
}
"""Every sign, the gravest first."""

_SIGN_OF: Mapping[str, str] = {
    **dict.fromkeys(
        (
            "wrong_symbology",
            "malformed",
            "wrong_product",
            "wrong_lot",
            "wrong_expiry",
            "foreign",
            "not_issued",
        ),
        "W",
    ),
    **dict.fromkeys(("voided_number", "used_number"), "G"),
    **dict.fromkeys(("read_twice", "repeated"), "T"),
    **dict.fromkeys(("other_number", "out_of_place"), "P"),
    "unreadable": "U",
    **dict.fromkeys(("text_mismatch", "low_grade", "failed_by_camera"), "Q"),
    "not_seen": "N",
    "not_told_apart": "A",
    **dict.fromkeys(("found_again", "missed_plant"), "R"),
}

PULL, LOOK, GONE, DECIDE = ACTS = ("pull", "look for it", "make sure it is gone", "decide")
"""What a person does about a doubtful label."""

GOOD_STATES = (State.COMMISSIONED, State.VERIFIED)


@dataclass(frozen=True, slots=True)
class Doubt:
    """A label that a person has to look at.

    Attributes:
        position, row, lane: where it stands.
        sign: a letter of `SIGNS`.
        act: one of `ACTS`.
        state: its state in words.
        finding: a finding's word, or empty.
        text: why, as one plain sentence.
        together: positions that were not told apart from it, in short form.
    """

    position: int
    row: int
    lane: int
    sign: str
    act: str
    state: str
    finding: str
    text: str
    together: str = ""


@dataclass(frozen=True, slots=True)
class Told:
    """What stands in the record against one label; `open` until it was settled."""

    position: int
    word: str
    detail: str
    open: bool = True
    together: str = ""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of one print job's web, and what the record knows of its labels.

    Rows and lanes count the job's own; row 1 was printed first. The arrays have one row of the
    web per row and one lane per column.

    Attributes:
        first: the web row of the arrays' first row.
        lanes: the lane of each column.
        position: int32, 0 where no label was printed.
        state: uint8, letters of `rules.moves.State`, 0 where no label was printed.
        doubts: the labels that a person has to look at, row by row.
        doubtful: bool, where they stand.
    """

    first: int
    lanes: tuple[int, ...]
    position: NDArray[np.int32]
    state: NDArray[np.uint8]
    doubts: tuple[Doubt, ...] = ()
    doubtful: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((0, 0), np.bool_))

    @property
    def last(self) -> int:
        """The web row of the arrays' last row."""
        return self.first + len(self.position) - 1

    @property
    def labels(self) -> int:
        """How many labels stand there."""
        return int((self.position > 0).sum())

    @property
    def waiting(self) -> NDArray[np.bool_]:
        """Where labels stand that no results file told anything of yet."""
        there: NDArray[np.bool_] = (self.state == ord(State.ISSUED)) & ~self.doubtful
        return there

    @property
    def good(self) -> NDArray[np.bool_]:
        """Where labels stand that were read good and that nothing is held against."""
        letters = [ord(state) for state in GOOD_STATES]
        there: NDArray[np.bool_] = np.isin(self.state, letters) & ~self.doubtful
        return there

    def cell(self, row: int, lane: int) -> tuple[int, int]:
        """Where a web row and lane stand in the arrays."""
        return row - self.first, self.lanes.index(lane)

    def find(self, position: int) -> tuple[int, int] | None:
        """Web row and lane of a label, None if it does not stand on the stretch."""
        rows, columns = np.nonzero((self.position == position) & (self.position > 0))
        if not len(rows):
            return None
        return int(rows[0]) + self.first, self.lanes[int(columns[0])]


def printed(shape: Shape) -> NDArray[np.int32]:
    """The positions of a job's web as printed: one row per row, one column per lane, 0 for none."""
    grid = np.zeros((shape.rows, shape.lanes), dtype=np.int32)
    rows, lanes = shape.grid(0, shape.count)
    grid[rows - 1, lanes - 1] = shape.positions()
    return grid


def sign_of(word: str) -> str:
    """The letter of the sign for a finding's word."""
    return _SIGN_OF.get(word, "R")


def cut_stretch(
    grid: NDArray[np.int32], states: bytes, *, first: int = 1, last: int = 0, lane: int = 0
) -> Stretch:
    """The part of a job's web from row `first` to `last` (0 for its end), one lane or all (0).

    Args:
        grid: the positions of the job's web, as `printed` gives them.
        states: state letters from position 1 on.
    """
    across = slice(lane - 1, lane) if lane else slice(None)
    position = np.ascontiguousarray(grid[first - 1 : last or None, across])
    letters = np.frombuffer(b"\0" + states, np.uint8)[position]
    shown = (lane,) if lane else tuple(range(1, grid.shape[1] + 1))
    return Stretch(first, shown, position, letters, (), np.zeros(position.shape, np.bool_))


def find_doubts(stretch: Stretch, told: Iterable[Told], reasons: Mapping[int, str]) -> Stretch:
    """The same stretch with its doubtful labels named.

    Args:
        stretch: from `cut_stretch`.
        told: findings on labels of the lot, open and settled, in the order in which they came.
        reasons: why labels were voided or decommissioned, by position.
    """
    said: dict[int, list[Told]] = {}
    for one in told:
        said.setdefault(one.position, []).append(one)
    odd = ~np.isin(stretch.state, [0, ord("i"), *(ord(state) for state in GOOD_STATES)])
    mentioned = [one for one in said if any(told.open for told in said[one])]
    odd |= (stretch.position > 0) & np.isin(stretch.position, mentioned)
    found = []
    for row, column in zip(*(index.tolist() for index in np.nonzero(odd)), strict=True):
        position = int(stretch.position[row, column])
        place = (position, row + stretch.first, stretch.lanes[column])
        state = State(chr(stretch.state[row, column]))
        found.append(doubt_at(place, state, said.get(position, []), reasons.get(position, "")))
    return Stretch(stretch.first, stretch.lanes, stretch.position, stretch.state, tuple(found), odd)


def doubt_at(place: tuple[int, int, int], state: State, told: list[Told], reason: str) -> Doubt:
    """What a person is told of one doubtful label.

    Args:
        place: position, row and lane.
        told: what stands against it, open and settled, in the order in which it came.
        reason: why it was voided or decommissioned, or empty.
    """
    still = [one for one in told if one.open]
    last = (still or told)[-1:]
    newest = last[0] if last else None
    word = newest.word if newest else ""
    detail = newest.detail if newest else ""
    sign = sign_of(word)
    together = newest.together if newest and newest.open else ""
    if state in (State.VOIDED, State.DECOMMISSIONED):
        text = state.word + (f" ({reason})" if reason else "")
        text += f"; {detail}" if detail else ""
        return Doubt(*place, "G", GONE, state.word, word, text)
    if state in (State.REJECTED, State.PULLED):
        text = detail or "rejected"
        if state is State.PULLED:
            text += "; it had been called good before"
        return Doubt(*place, sign, PULL, state.word, word, text, together)
    act = LOOK if SIGNS[sign].tone == "open" else DECIDE
    text = detail or (WORDS[word][0] if word in WORDS else word)
    text += f" (positions {together})" if together else ""
    return Doubt(*place, sign, act, state.word, word, text, together)


def metres(stretch: Stretch, row: int, pitch: float, *, from_end: bool = False) -> float | None:
    """Metres of web before a row, from the stretch's first row, or from its last.

    Worked out from the pitch alone; blanks, stops and cut-outs move the web. None without a pitch.

    Args:
        pitch: millimetres from one label to the next in its lane; 0 where it is not known.
    """
    if not pitch:
        return None
    rows = stretch.last - row if from_end else row - stretch.first
    return round(rows * pitch / 1000, 3)
