"""The smallest hold against webs small enough that every possibility can be tried.

The reference is a search over all webs that would give the same readings, written from the
definition: a row can hold an unaccounted label if in one of those webs its label was not seen.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from serialkeeper.rules import jobs
from serialkeeper.rules.alignment import align
from serialkeeper.rules.doubts import cut_stretch, printed
from serialkeeper.rules.hold import Sighting, Web, merged, smallest_hold
from serialkeeper.rules.jobs import Shape
from serialkeeper.rules.streams import Seen

READ, UNREAD, SILENT = "r", "u", "-"


def web_of(rows: int, lanes: int, told: list[int]) -> Web:
    """A printed web on which the labels of these positions are told."""
    stretch = cut_stretch(printed(Shape(((1, rows * lanes),), lanes, "rows")), b"i" * rows * lanes)
    return Web(stretch, np.isin(stretch.position, told))


def held_rows(web: Web, missing: dict[int, str], together: dict[int, list[int]]) -> set[int]:
    """The rows of lane 1 that the fewest intervals cover."""
    found = merged(web, smallest_hold(web, missing, together, {}))
    return {row for place, _ in found for row in range(place.first, place.last + 1)}


def by_order(labels: str) -> tuple[list[int], dict[int, str], dict[int, list[int]]]:
    """What our own alignment makes of a lane read in order only: told, missing, groups."""
    seen = [
        (index + 1 if label == READ else 0) for index, label in enumerate(labels) if label != SILENT
    ]
    number = np.array(seen, dtype=np.int32)
    size = len(number)
    made = align(
        Seen(number, np.zeros(size, np.uint8), np.zeros(size, np.int64), np.zeros(size, np.bool_)),
        jobs.Web.of([Shape(((1, len(labels)),), 1, "rows")], len(labels)),
        np.ones(len(labels) + 1, dtype=np.bool_),
        home=np.ones(len(labels) + 1, dtype=np.bool_),
        where="test",
    )
    told = [int(place) for place in made.place if place]
    missing = dict.fromkeys(made.unseen, "not_seen")
    together = {one: list(group.positions) for group in made.groups for one in group.positions}
    return told, missing | dict.fromkeys(together, "not_told_apart"), together


def possible(labels: str, *, positions: bool) -> set[int]:
    """Rows whose label is silent in some web that gives these readings; by trying all webs whose
    ends are as they were read: an exact number has one place only."""
    start = len(labels) - len(labels.lstrip(READ))
    end = len(labels.rstrip(READ))

    def readings(web: str) -> list[tuple[int, str]]:
        shown = [(row, label) for row, label in enumerate(web, 1) if label != SILENT]
        if positions:
            return shown
        return [(row if label == READ else 0, label) for row, label in shown]

    wanted = readings(labels)
    found: set[int] = set()
    for middle in product(READ + UNREAD + SILENT, repeat=max(end - start, 0)):
        web = labels[:start] + "".join(middle) + labels[max(end, start) :]
        if readings(web) == wanted:
            found |= {row for row, label in enumerate(web, 1) if label == SILENT}
    return found


inner = st.text(alphabet=READ + UNREAD + SILENT, max_size=5)


@given(inner)
@settings(deadline=None)
def test_by_order_the_hold_is_all_that_is_possible_and_no_more(middle: str) -> None:
    """A lane read in order only: the held rows are exactly those that some web with the same
    readings leaves unseen; so the true place is inside, and each row less loses a possibility."""
    labels = f"rr{middle}rr"
    told, missing, together = by_order(labels)
    held = held_rows(web_of(len(labels), 1, told), missing, together)
    assert held == possible(labels, positions=False)
    assert {row for row, label in enumerate(labels, 1) if label == SILENT} <= held


@given(inner)
@settings(deadline=None)
def test_with_positions_the_hold_is_the_empty_places(middle: str) -> None:
    """Where the camera gives positions only the places without a reading are held."""
    labels = f"r{middle}r"
    told = [row for row, label in enumerate(labels, 1) if label != SILENT]
    missing = {row: "not_seen" for row, label in enumerate(labels, 1) if label == SILENT}
    held = held_rows(web_of(len(labels), 1, told), missing, {})
    assert held == possible(labels, positions=True)


@given(st.lists(st.booleans(), min_size=4, max_size=60), st.integers(1, 4))
def test_what_bounds_a_hold_is_proven_and_nothing_inside_is(told: list[bool], lanes: int) -> None:
    """On any web each hold reaches from the proven label before it to the proven one behind it in
    the lane, holds its own label's place, and has no proven label inside."""
    rows = len(told) // lanes
    positions = [place for place in range(1, rows * lanes + 1) if told[place - 1]]
    missing = {place: "not_seen" for place in range(1, rows * lanes + 1) if not told[place - 1]}
    if not rows:
        return
    web = web_of(rows, lanes, positions)
    found = smallest_hold(web, missing, {}, {})
    assert sorted(p for held in found for p in held.positions) == sorted(missing)
    for held in found:
        [place] = held.places
        inside = {(row - 1) * lanes + place.lane for row in range(place.first, place.last + 1)}
        assert set(held.positions) == inside
        for bound, row in ((place.before, place.first - 1), (place.after, place.last + 1)):
            at_end = row in (0, rows + 1)
            assert bound == (0 if at_end else (row - 1) * lanes + place.lane)
            assert at_end or bound in positions


def test_labels_not_told_apart_share_the_places_of_all() -> None:
    """Two labels of two lanes between the same anchors: both are held at both places, once."""
    web = web_of(4, 2, [1, 2, 3, 6, 7, 8])
    together = {4: [4, 5], 5: [4, 5]}
    [held] = smallest_hold(web, dict.fromkeys(together, "not_told_apart"), together, {})
    assert held.positions == (4, 5)
    assert [(p.lane, p.first, p.last, p.before, p.after) for p in held.places] == [
        (1, 3, 3, 3, 7),
        (2, 2, 2, 2, 6),
    ]


@pytest.mark.parametrize(
    ("sighting", "cells"),
    [
        (Sighting(6, 5, 7, 5, 7, False), [(3, 2)]),  # the camera's position holds
        (Sighting(8, 5, 7, 7, 9, False), [(3, 2)]),  # its counter was two ahead, as around it
        (Sighting(8, 5, 7, 7, 7, False), [(4, 2)]),  # around it two counts differ: as given
        (Sighting(0, 5, 7, 0, 0, False), [(3, 2)]),  # between 5 and 7 stands 6
        (Sighting(0, 5, 6, 0, 0, False), [(3, 1), (3, 2)]),  # nothing between: beside either
        (Sighting(0, 2, 6, 0, 0, True), [(2, 2)]),  # a camera of one lane
        (Sighting(0, 6, 2, 0, 0, True), [(2, 2)]),  # the same, backwards
        (Sighting(0, 8, 0, 0, 0, False), [(4, 2)]),  # the end of the file: beside the last
        (Sighting(99, 5, 7, 5, 7, False), []),  # not on this web
    ],
)
def test_a_reading_lies_where_its_neighbours_or_its_position_say(
    sighting: Sighting, cells: list[tuple[int, int]]
) -> None:
    """Each kind of evidence for the place of one reading, on a web of four rows and two lanes."""
    assert web_of(4, 2, [1, 2, 3, 4, 5, 6, 7, 8]).seen_at(sighting) == cells


def test_a_number_read_twice_is_held_at_both_places() -> None:
    """Neighbouring holds become one; one reading alone leaves the label's own place held too."""
    web = web_of(6, 1, [1, 2, 3, 4, 5, 6])
    twice = {2: [Sighting(2, 1, 3, 1, 3, True), Sighting(5, 4, 6, 4, 6, True)]}
    [held] = smallest_hold(web, {2: "read_twice"}, {}, twice)
    assert [(p.first, p.last) for p in held.places] == [(2, 2), (5, 5)]
    [held] = smallest_hold(web, {2: "read_twice"}, {}, {2: twice[2][1:]})
    assert [(p.first, p.last) for p in held.places] == [(2, 2), (5, 5)]
    near = {2: [twice[2][0], Sighting(3, 1, 4, 1, 4, True)]}
    [(place, inside)] = merged(web, smallest_hold(web, {2: "read_twice"}, {}, near))
    assert (place.first, place.last, len(inside)) == (2, 3, 1)


def test_an_unread_web_is_one_hold_a_lane() -> None:
    """200,000 labels of which no file was read: four intervals, to the last label, at once."""
    shape = Shape(((1, 199_999),), 4, "rows")
    stretch = cut_stretch(printed(shape), b"i" * 199_999)
    web = Web(stretch, np.zeros(stretch.position.shape, np.bool_))
    found = smallest_hold(web, dict.fromkeys(range(1, 200_000), "not_inspected"), {}, {})
    assert [(len(one.positions), one.places[0].last) for one in found] == [
        *[(50_000, 50_000)] * 3,
        (49_999, 49_999),
    ]
