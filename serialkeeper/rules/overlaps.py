"""Labels that two successive images show both.

A label counts once only where its geometry proves it: numbers stand on both images exactly as far
apart as the images are said to overlap, nothing that was read contradicts, and it is so for more
than half of all neighbours. A printer that repeats a record sets its number a whole row further;
that is no overlap.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median

from serialkeeper.errors import Refused
from serialkeeper.rules.frames import CLOSE, Arrangement, Frame, Place, Row, no_grid


def join(
    by_frame: Sequence[list[Row]],
    frames: Sequence[Frame],
    side: float,
    made: Arrangement,
    *,
    overlap: float,
    up: bool,
) -> None:
    """Put the rows of all images together; rows that two images show are one where it is proven.

    Args:
        by_frame: the rows of each image in running direction.
        frames: the images.
        side: of a symbol in pixels.
        made: gets the rows, what was joined, and notes.
        overlap: part of an image's height that the next image shows again; 0 joins nothing.
        up: whether rows run from bottom to top.

    Refuses `images_grid` where the images overlap at the other end, or differ in size.
    """
    way = -1 if up else 1
    neighbours = list(pairwise(by_frame))
    moved = [_moved(before, rows, way) for before, rows in neighbours]
    same: list[list[tuple[Row, Row]] | None] = [None] * len(neighbours)
    if overlap:
        steps = [(1 - overlap) * _height(one, other) for one, other in pairwise(frames)]
        same = [
            _same_rows(before, rows, way, far, step, CLOSE * side)
            for (before, rows), far, step in zip(neighbours, moved, steps, strict=True)
        ]
        proven = sum(pairs is not None for pairs in same)
        backwards = sum(
            any(abs(one + step) <= CLOSE * side for one in far)
            for far, step in zip(moved, steps, strict=True)
        )
        if backwards and not proven:
            raise _backwards(frames, backwards, up=up)
        # A repeated record may pass for an overlap once; a real overlap is there all along.
        if 2 * proven <= sum(bool(before and rows) for before, rows in neighbours):
            same = [None] * len(neighbours)
        made.notes += [
            f"overlap not proven, every symbol is written: {one.name}, {other.name}"
            for pairs, (one, other) in zip(same, pairwise(frames), strict=True)
            if pairs is None
        ]
    elif shared := [1 - one / frames[0].height for far in moved for one in far]:
        made.notes.append(
            f"numbers on two successive images, written twice: {len(shared)}; what would fit: "
            f"--overlap {median(shared):.2f}"
        )
    made.rows += by_frame[0]
    for (_, rows), pairs in zip(neighbours, same, strict=True):
        made.joined += pairs is not None
        made.merged += _merge(pairs or [])
        again = {id(row) for _, row in pairs or []}
        made.rows += [row for row in rows if id(row) not in again]


def _backwards(frames: Sequence[Frame], pairs: int, *, up: bool) -> Refused:
    return no_grid(
        "The images join the other way round.",
        where=f"{frames[0].name} to {frames[-1].name}",
        expected="rows from " + ("bottom to top" if up else "top to bottom"),
        came=f"pairs of images that overlap at the other end: {pairs}",
        remedy="Give --flip rows, or leave it out if it was given.",
    )


def _height(before: Frame, now: Frame) -> int:
    if (before.width, before.height) != (now.width, now.height):
        raise no_grid(
            "Overlapping images have to be of one size.",
            where=f"{before.name}, {now.name}",
            expected=f"{before.width} x {before.height} pixels",
            came=f"{now.width} x {now.height}",
            remedy="Leave --overlap out, or make the images anew.",
        )
    return now.height


def _moved(before: list[Row], rows: list[Row], way: int) -> list[float]:
    """How far the web moved on by each number that stands once on either image, in one lane."""
    old, new = _once(before), _once(rows)
    return [
        way * (old[text][1].y - new[text][1].y)
        for text in old.keys() & new.keys()
        if old[text][0] == new[text][0]
    ]


def _once(rows: list[Row]) -> dict[str, tuple[int, Place]]:
    """Lane and place of each text that stands only once on an image."""
    found: dict[str, tuple[int, Place]] = {}
    twice = set()
    for row in rows:
        for lane, place in row.lanes.items():
            if place.symbol.text in found:
                twice.add(place.symbol.text)
            elif place.symbol.text:
                found[place.symbol.text] = lane, place
    return {text: place for text, place in found.items() if text not in twice}


def _same_rows(
    before: list[Row],
    rows: list[Row],
    way: int,
    moved: list[float],
    step: float,
    reach: float,
) -> list[tuple[Row, Row]] | None:
    """Rows that both images show; None where the numbers do not prove them.

    Args:
        before, rows: of the two images.
        way: 1 for rows from top to bottom, else -1.
        moved: pixels by which the web moved on, by each number on both images.
        step: pixels by which it should have moved on.
        reach: by how many pixels a place may be off.
    """
    if not moved or any(abs(one - step) > reach for one in moved):
        return None
    apart = way * median(moved)
    pairs = [(old, new) for old in before for new in rows if abs(old.y - new.y - apart) <= reach]
    if len({id(old) for old, _ in pairs}) != len(pairs):
        return None
    for old, new in pairs:
        for lane in old.lanes.keys() & new.lanes.keys():
            one, other = old.lanes[lane].symbol.text, new.lanes[lane].symbol.text
            if one and other and one != other:
                return None
    on_both = set[str]().union(*map(_texts, before)) & set[str]().union(*map(_texts, rows))
    in_place = {text for old, new in pairs for text in _texts(old) & _texts(new)}
    return pairs if on_both == in_place else None


def _texts(row: Row) -> set[str]:
    return {place.symbol.text for place in row.lanes.values() if place.symbol.text}


def _merge(pairs: list[tuple[Row, Row]]) -> int:
    """Keep for each label the image on which it was read; gives the labels seen twice."""
    twice = 0
    for old, new in pairs:
        for lane, place in new.lanes.items():
            twice += lane in old.lanes
            if lane not in old.lanes or (place.symbol.text and not old.lanes[lane].symbol.text):
                old.lanes[lane] = place
    return twice
