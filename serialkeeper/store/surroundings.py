"""What the record knows of the labels around one label on the web."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import LotKey, block_of
from serialkeeper.rules.doubts import Stretch, Told, find_doubts
from serialkeeper.rules.jobs import runs
from serialkeeper.rules.moves import State
from serialkeeper.rules.parts import EVIDENCE, NO_GRADE, NO_TIME, unpack_states
from serialkeeper.rules.rolls import Places
from serialkeeper.rules.surroundings import LANES, ROWS, Place, Surroundings, around
from serialkeeper.store.tables import Lot, PartRow
from serialkeeper.store.view import Found, View, key_of
from serialkeeper.store.webs import serials_at


def label_unknown(lot: Lot, position: int) -> Refused:
    """The refusal of a position at which there is nothing."""
    return Refused(
        "label_unknown",
        "There is no such label, or it stands nowhere on the web.",
        where=f"lot {lot.full_name}",
        expected="a label that was printed, and that no spare replaces",
        came=f"position {position}",
        remedy="Look at the label: label show.",
    )


class Neighbours:
    """A lot's web, looked at around one label after the other.

    Args:
        view, lot: where, which lot.
        places: where its labels stand (`store.plans.places_of`).
        practice: whether the record is for practice only.
    """

    def __init__(self, view: View, lot: Lot, places: Places, *, practice: bool) -> None:
        self._view, self._lot, self._places = view, lot, places
        self._practice = practice
        key = key_of(lot)
        self._lanes = {job.id: (job.rows, job.lanes) for job in view.jobs(key)}
        self._gone = {one.position for one in view.removals(key)}
        self._parts: dict[int, list[PartRow]] = {}
        self._found: dict[int, list[Found]] = {}

    def of(self, position: int, *, rows: int = ROWS, lanes: int = LANES) -> Surroundings:
        """What stands around a label, so many rows before and behind it, and so many lanes at each
        side. Refuses `label_unknown` for one that is on no web."""
        inside = 1 <= position < len(self._places.job)
        job, row, lane = self._places.cell(position) if inside else (0, 0, 0)
        if not job:
            raise label_unknown(self._lot, position)
        all_rows, all_lanes = self._lanes[job]
        down, across = around(row, all_rows, rows), around(lane, all_lanes, lanes)
        grid = self._grid(job, down, across)
        known = self._known(np.unique(grid[grid > 0]).tolist())
        letters = np.zeros(grid.shape, np.uint8)
        places = {}
        for r, c in zip(*(index.tolist() for index in np.nonzero(grid)), strict=True):
            there = known[int(grid[r, c])]
            places[down[r], across[c]] = there
            letters[r, c] = ord(there.state.value)
        stretch = Stretch(down[0], across, grid, letters)
        doubts = find_doubts(stretch, self._told(known), self._reasons(known)).doubts
        by_position = {doubt.position: doubt for doubt in doubts}
        return Surroundings(job, row, lane, down, across, places, by_position, self._practice)

    def _grid(self, job: int, rows: Sequence[int], lanes: Sequence[int]) -> NDArray[np.int32]:
        places = self._places
        near = (places.row >= rows[0]) & (places.row <= rows[-1]) & (places.job == job)
        grid = np.zeros((len(rows), len(lanes)), dtype=np.int32)
        for position in np.flatnonzero(near).tolist():
            _, row, lane = places.cell(position)
            if lanes[0] <= lane <= lanes[-1]:
                grid[row - rows[0], lane - lanes[0]] = position
        return grid

    def _known(self, positions: list[int]) -> dict[int, Place]:
        view, key = self._view, key_of(self._lot)
        serials = serials_at(view, self._lot, positions)
        self._found = {position: [] for position in positions}
        states: dict[int, int] = {}
        for first, last in runs(positions):
            states |= dict(zip(range(first, last + 1), view.states(key, first, last), strict=True))
            for row in view.findings(key, first=first, last=last):
                self._found[row.position].append(row)
        told = {}
        for position in positions:
            evidence, grade, time = self._reading(key, position)
            found = self._found[position]
            told[position] = Place(
                position,
                serials[position],
                State(chr(states[position])),
                EVIDENCE[evidence],
                time,
                grade,
                found[-1].word if found else "",
                position in self._gone,
            )
        return told

    def _reading(self, key: LotKey, position: int) -> tuple[str, int, int]:
        """Evidence, grade and time of the last reading of a label."""
        block = block_of(position)
        if block not in self._parts:
            self._parts[block] = self._view.parts(key, block, kind="states")
        last = (".", NO_GRADE, NO_TIME)
        for part in self._parts[block]:
            index = position - part.first
            if 0 <= index < part.count:
                states = unpack_states(part.first, part.count, part.data)
                if states.evidence[index] != ord("."):
                    evidence = chr(states.evidence[index])
                    last = evidence, int(states.grade[index]), int(states.time[index])
        return last

    def _told(self, known: dict[int, Place]) -> list[Told]:
        def of(row: Found) -> Told:
            return Told(row.position, row.word, row.detail, row.state == "open", row.together)

        return [of(row) for position in known for row in self._found[position]]

    def _reasons(self, known: dict[int, Place]) -> dict[int, str]:
        key, out = key_of(self._lot), (State.VOIDED, State.DECOMMISSIONED)
        return {
            position: gone[-1].reason
            for position, place in known.items()
            if place.state in out and (gone := self._view.departures_at(key, position))
        }
