"""Positions that a camera reports, held against the numbers that it read.

A trigger counter slips, a roll runs backwards, lanes are taken for one another: then a long
stretch of numbers stands at one constant distance from the positions reported. Such a stretch is
one matter for the whole, not a fault of each label; a number that stands alone elsewhere is
out of place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.anchors import find_anchors
from serialkeeper.rules.findings import CODE, Readings, spots
from serialkeeper.rules.jobs import Web

MANY = 0.05
"""Share of the readings; where more numbers stand elsewhere than reported, the counter is wrong."""
STRETCH = 8
"""Numbers in a row at one distance from their positions that show a slip (common practice, no
source)."""


def settle_positions(
    readings: Readings, exact: NDArray[np.int32], web: Web
) -> tuple[NDArray[np.bool_], list[dict[str, object]]]:
    """Correct reported places where the numbers show a slip, and find double triggers.

    Args:
        readings: the readings; places are corrected in place.
        exact: number of each reading where it was read exactly as planned, else 0.
        web: where the labels stand.

    Returns:
        Which readings are a label that was read before, at its own place; notes on the whole.
    """
    notes: list[dict[str, object]] = []
    off = (exact > 0) & (exact != readings.place)
    told = readings.place
    if _may_be_counted_wrong(off, exact, readings.place):
        told = readings.place.copy()
        notes = _correct(readings.place, exact, web, readings.evidence)
    return _read_again(readings, exact, web, told), notes


def _may_be_counted_wrong(
    off: NDArray[np.bool_], exact: NDArray[np.int32], place: NDArray[np.int32]
) -> bool:
    """Whether the counter, and not single labels, may be wrong: many numbers elsewhere than
    reported, or a long run of them. Spares the work where a few labels changed places."""
    count = int(off.sum())
    if count < STRETCH or count > MANY * len(off):
        return count >= STRETCH
    known = exact > 0
    flags, places = off[known], place[known]
    if (places[1:] < places[:-1]).any():
        flags = flags[np.argsort(places, kind="stable")]
    hit = np.flatnonzero(flags)
    # Where hits are close together, `STRETCH` of them span as many readings.
    return bool((hit[STRETCH - 1 :] - hit[: -(STRETCH - 1)] == STRETCH - 1).any())


def _read_again(
    readings: Readings, exact: NDArray[np.int32], web: Web, told: NDArray[np.int32]
) -> NDArray[np.bool_]:
    """Further readings of a label at its own place, unless time says that the web had moved on;
    without times only where the camera itself told one place."""
    same = np.zeros(len(exact), dtype=np.bool_)
    home = (exact > 0) & (exact == readings.place)
    last = np.zeros(len(web.row), dtype=np.int32)
    for some in spots(home):
        last[exact[some]] = some
    again = np.zeros(len(web.row), dtype=np.bool_)
    for some in spots(home):
        again[exact[some[last[exact[some]] != some]]] = True
    blank = _blank_beside(readings, last, exact)
    if not again.any() and not len(blank):
        return same
    usual = _row_time(readings.time, exact, home, web)
    repeated = np.concatenate([some[again[exact[some]]] for some in spots(home)])
    repeated = repeated[np.argsort(exact[repeated], kind="stable")]
    ends = np.flatnonzero(np.diff(exact[repeated])) + 1
    for index in np.split(repeated, ends) if len(repeated) else ():
        times = readings.time[index]
        one_place = (told[index] == told[index[0]]).all()
        together = ((times == 0).all() and one_place) or (
            (times > 0).all() and usual > 0 and int(times.max() - times.min()) < usual / 2
        )
        if together:
            same[index[1:]] = True
    apart = np.abs(readings.time[blank] - readings.time[last[readings.place[blank]]])
    same[blank[apart < usual / 2]] = True
    return same


def _blank_beside(
    readings: Readings, last: NDArray[np.int32], exact: NDArray[np.int32]
) -> NDArray[np.int64]:
    """Readings without a code, with a time, at the place of a label that was read there."""
    blank = np.flatnonzero(
        (readings.finding == CODE["unreadable"])
        & (readings.time > 0)
        & (readings.place > 0)
        & (readings.place < len(last))
    )
    first = last[readings.place[blank]]
    there = readings.place[blank]
    read = (readings.number[first] == there) & (exact[first] == there) & (readings.time[first] > 0)
    found: NDArray[np.int64] = blank[read & (readings.place[first] == there)]
    return found


def _row_time(
    time: NDArray[np.int64], exact: NDArray[np.int32], home: NDArray[np.bool_], web: Web
) -> float:
    """Least milliseconds from one row to the next, 0 where unknown or too coarse to tell."""
    least, before = [], np.zeros(0, dtype=np.int64)
    for some in spots(home):
        timed = np.concatenate((before, some[time[some] > 0]))
        rows = np.abs(np.diff(web.row[exact[timed]]))
        apart = np.abs(np.diff(time[timed]))[rows == 1]
        least += [int(apart.min())] if len(apart) else []
        before = timed[-1:]
    return float(min(least, default=0))


@dataclass(frozen=True, slots=True)
class _Turn:
    """One way in which a camera may count over the web."""

    back: bool
    mirrored: bool

    def of(self, row: NDArray[np.int64], lane: NDArray[np.int64], web: Web) -> NDArray[np.int64]:
        across = web.lanes - lane if self.mirrored else lane - 1
        return (-row if self.back else row) * web.lanes + across


def _correct(
    place: NDArray[np.int32],
    exact: NDArray[np.int32],
    web: Web,
    evidence: NDArray[np.uint8],
) -> list[dict[str, object]]:
    """Put every reading where its neighbours with known numbers say that it stands, in place."""
    there = _on_web(place, web)
    order = np.flatnonzero(there)
    order = order[np.argsort(place[order], kind="stable")]
    known = order[(exact[order] > 0) & (web.row[exact[order]] > 0)]
    plain = _Turn(back=False, mirrored=False)
    target = plain.of(
        web.row[exact[known]].astype(np.int64), web.lane[exact[known]].astype(int), web
    )
    row, lane = _grid(place, web)
    turn = _turn_of(target, row[known], lane[known], web)
    along = turn.of(row, lane, web)
    distance = target - along[known]
    stretches = _stretches(distance)
    if not stretches or (turn == plain and all(distance[start] == 0 for start, _ in stretches)):
        return []
    position_at = _positions_along(web)
    good = _in_order(stretches, target, back=turn.back)
    notes = _turned(turn) + _slipped(good, distance, exact[known], plain=turn == plain)
    fixed = np.zeros(len(place), dtype=np.int32)
    read = np.zeros(len(web.row), dtype=np.bool_)
    read[exact] = True
    block = np.zeros(len(place), dtype=np.bool_)
    for start, stop in set(stretches) - set(good):
        block[known[start:stop]] = True
    rank = np.full(len(place), -1, dtype=np.int64)
    rank[order] = np.arange(len(order))
    bounds = [(int(rank[known[start]]), int(rank[known[stop - 1]])) for start, stop in good]
    for number, (start, _) in enumerate(good):
        shift = int(distance[start])
        first = 0 if number == 0 else bounds[number][0]
        last = len(order) - 1 if number == len(good) - 1 else bounds[number][1]
        if number and shift == int(distance[good[number - 1][0]]):
            first = bounds[number - 1][1] + 1
        some = order[first : last + 1]
        step = along[some] + shift
        inside = (step >= 0) & (step < len(position_at))
        fixed[some[inside]] = position_at[step[inside]]
        if number and first == bounds[number][0]:
            between = order[bounds[number - 1][1] + 1 : first]
            shifts = (int(distance[good[number - 1][0]]), shift)
            read[fixed] = True
            _fill_slip(fixed, between[~block[between]], along, shifts, position_at, read)
    fixed[~there] = place[~there]
    place[:] = fixed
    evidence[(exact > 0) & (exact == place)] = ord("r")
    return notes


def _slipped(
    good: list[tuple[int, int]],
    distance: NDArray[np.int64],
    shown: NDArray[np.int32],
    *,
    plain: bool,
) -> list[dict[str, object]]:
    """Stretches whose reported positions are off, by how many labels."""
    expected = 0 if plain else int(distance[good[0][0]])
    return [
        {
            "kind": "slipped",
            "first": int(shown[start]),
            "last": int(shown[stop - 1]),
            "labels": int(distance[start]) - expected,
        }
        for start, stop in good
        if distance[start] != expected
    ]


def _turn_of(
    target: NDArray[np.int64], row: NDArray[np.int64], lane: NDArray[np.int64], web: Web
) -> _Turn:
    """The way of counting under which most numbers stand in long stretches."""
    turns = [_Turn(back, mirrored) for back in (False, True) for mirrored in (False, True)]

    def settled(turn: _Turn) -> int:
        distance = target - turn.of(row, lane, web)
        return sum(stop - start for start, stop in _stretches(distance))

    return max(turns, key=settled)  # the first of equals is the plain one


def _positions_along(web: Web) -> NDArray[np.int32]:
    """The position at each step of the plain way over the web; 0 where no label is."""
    position_at = np.zeros(int(web.row.max() + 1) * web.lanes, dtype=np.int32)
    there = np.flatnonzero(web.row > 0)
    row, lane = web.row[there].astype(np.int64), web.lane[there].astype(np.int64)
    position_at[_Turn(back=False, mirrored=False).of(row, lane, web)] = there
    return position_at


def _fill_slip(
    fixed: NDArray[np.int32],
    between: NDArray[np.int64],
    along: NDArray[np.int64],
    shifts: tuple[int, int],
    position_at: NDArray[np.int32],
    read: NDArray[np.bool_],
) -> None:
    """Places where the count slipped: a label that was not read elsewhere, by either count."""
    for reading in between.tolist():
        for shift in shifts:
            step = int(along[reading]) + shift
            position = int(position_at[step]) if 0 <= step < len(position_at) else 0
            if position and not read[position]:
                fixed[reading] = position
                read[position] = True
                break


def _on_web(place: NDArray[np.int32], web: Web) -> NDArray[np.bool_]:
    """Places of printed labels, and those that a counter reached beyond them."""
    last = len(web.row) - 1
    return (place > last) | ((place > 0) & (web.row[np.minimum(place, last)] > 0))


def _grid(place: NDArray[np.int32], web: Web) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Row and lane of each place; beyond the plan, rows go on."""
    last = len(web.row) - 1
    inside = np.minimum(place, last)
    row, lane = web.row[inside].astype(np.int64), web.lane[inside].astype(np.int64)
    beyond = place > last
    along = (row - 1) * web.lanes + lane - 1 + (place - inside)
    row[beyond], lane[beyond] = along[beyond] // web.lanes + 1, along[beyond] % web.lanes + 1
    return row, lane


def _turned(turn: _Turn) -> list[dict[str, object]]:
    named = (("reversed", turn.back), ("mirrored", turn.mirrored))
    return [{"kind": kind} for kind, there in named if there]


def _stretches(distance: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Where at least `STRETCH` successive numbers stand at one distance."""
    cuts = np.flatnonzero(np.diff(distance)) + 1
    starts = np.concatenate(([0], cuts))
    stops = np.concatenate((cuts, [len(distance)]))
    long = stops - starts >= STRETCH
    return list(zip(starts[long].tolist(), stops[long].tolist(), strict=True))


def _in_order(
    stretches: list[tuple[int, int]], target: NDArray[np.int64], *, back: bool
) -> list[tuple[int, int]]:
    """The stretches that certainly follow one another; others are blocks out of place."""
    way = -1 if back else 1
    weighted = np.concatenate([target[start:stop] * way for start, stop in stretches])
    owner = np.repeat(np.arange(len(stretches)), [stop - start for start, stop in stretches])
    anchor = find_anchors(weighted - weighted.min())
    share = np.bincount(owner[anchor], minlength=len(stretches))
    return [one for one, kept in zip(stretches, share, strict=True) if kept * 2 > one[1] - one[0]]
