"""The readings of a file as streams: each camera's in the order in which its labels came.

A camera that watches one lane gives a stream of that lane; a camera that reads whole rows, or a
file that names no lanes, gives one stream over all lanes that it shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.anchors import Running, find_anchors, find_running
from serialkeeper.rules.jobs import Web

LANE_SHARE = 0.9
"""Share of a camera's numbers that have to be of one lane for it to watch that lane."""


@dataclass(frozen=True, slots=True)
class Seen:
    """The readings of a file, one array element each, in file order.

    Attributes:
        number: int32, position whose number was read exactly as planned, 0 for none.
        lane: uint8, the lane that the camera names, 0 for none.
        time: int64, milliseconds since 1970, 0 for none.
        strange: bool, whether a text was read that is not the planned code of a label.
    """

    number: NDArray[np.int32]
    lane: NDArray[np.uint8]
    time: NDArray[np.int64]
    strange: NDArray[np.bool_]


@dataclass(slots=True)
class Stream:
    """Readings that stand in one order: those of a camera.

    Attributes:
        index: int64, the readings in the file.
        step: int64 per reading, where its number comes in running order; -1 for none.
        position_of: int32 per step.
        running: how the camera goes over the plan.
        rows: rows of the plan.
        anchor: bool per reading.
        alone: whether it is one lane of several, so that the others tell where rows begin.
    """

    index: NDArray[np.int64]
    step: NDArray[np.int64]
    position_of: NDArray[np.int32]
    running: Running
    rows: int
    anchor: NDArray[np.bool_]
    alone: bool


def find_streams(seen: Seen, web: Web, on_web: NDArray[np.bool_]) -> list[Stream]:
    """The streams of a file; `on_web` says which readings show a printed label's number."""
    cameras = _cameras(seen, web, on_web)
    if cameras is None:
        read = web.lane[seen.number[on_web]]
        counts = np.bincount(read)
        lanes = tuple(int(one) for one in np.flatnonzero(counts > 0.01 * len(read)))
        if counts.max() >= LANE_SHARE * len(read):
            lanes = (int(counts.argmax()),)
        return [_stream(np.arange(len(seen.number)), seen, web, lanes, alone=False)]
    made = [
        _stream(np.flatnonzero(seen.lane == camera), seen, web, (lane,), alone=True)
        for camera, lane in cameras.items()
    ]
    # All lanes of a web run the same way: where a lane tells little, the others tell it.
    votes = sum((-1 if one.running.back else 1) * int(one.anchor.sum()) for one in made)
    back = votes < 0
    return [
        one
        if one.running.back == back
        else _stream(one.index, seen, web, one.running.lanes, alone=True, back=back)
        for one in made
    ]


def _cameras(seen: Seen, web: Web, on_web: NDArray[np.bool_]) -> dict[int, int] | None:
    """The plan lane that each camera lane watches; None where lanes are not to be relied on."""
    named = np.unique(seen.lane)
    if named[0] == 0:
        return None
    found: dict[int, int] = {}
    dark = []
    for camera in named.tolist():
        lanes = np.bincount(web.lane[seen.number[on_web & (seen.lane == camera)]], minlength=1)
        if not lanes.sum():
            dark.append(camera)
        elif lanes.max() < LANE_SHARE * lanes.sum() or int(lanes.argmax()) in found.values():
            return None
        else:
            found[camera] = int(lanes.argmax())
    if dark:
        mirror = all(lane == web.lanes + 1 - camera for camera, lane in found.items())
        for camera in dark:
            lane = web.lanes + 1 - camera if mirror else camera
            if not 1 <= lane <= web.lanes or lane in found.values():
                return None
            found[camera] = lane
    return found


def _stream(
    index: NDArray[np.int64],
    seen: Seen,
    web: Web,
    lanes: tuple[int, ...],
    *,
    alone: bool,
    back: bool | None = None,
) -> Stream:
    number = seen.number[index]
    rows = int(web.row.max())
    there = number > 0
    row, lane = web.row[number].astype(np.int64), web.lane[number].astype(np.int64)
    if back is None:
        running = find_running(row[there], lane[there], lanes, rows)
    else:
        running = Running(back, lanes)
    step = np.where(there, running.steps(row, lane, rows), -1)
    position_of = np.zeros(rows * len(lanes), dtype=np.int32)
    along = running.steps(web.row.astype(np.int64), web.lane.astype(np.int64), rows)
    position_of[along[along >= 0]] = np.flatnonzero(along >= 0)
    anchor = np.zeros(len(index), dtype=np.bool_)
    exact = np.flatnonzero(step >= 0)
    anchor[exact[find_anchors(step[exact])]] = True
    return Stream(index, step, position_of, running, rows, anchor, alone)


def common_span(streams: list[Stream]) -> tuple[int, int] | None:
    """First and last row, in running order, that lanes read apart have in common."""
    if not streams[0].alone:
        return None
    read = [one.step[one.anchor] for one in streams if one.anchor.any()]
    if not read:
        return None
    return min(int(one[0]) for one in read), max(int(one[-1]) for one in read)
