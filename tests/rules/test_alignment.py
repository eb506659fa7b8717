"""The aligner against a slow reference and against its own promises, on small webs.

Reference: `difflib.SequenceMatcher` of Python's standard library finds which numbers read stand
in order with the plan; a plain dynamic programme finds how long the longest such chain is.
"""

from __future__ import annotations

from difflib import SequenceMatcher

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules.alignment import Alignment, align
from serialkeeper.rules.anchors import find_anchors
from serialkeeper.rules.jobs import Shape, Web
from serialkeeper.rules.streams import Seen
from serialkeeper.rules.tempo import TOGETHER, Tempo

LABELS = 240


def one_lane(numbers: list[int], times: list[int] | None = None) -> tuple[Seen, Web]:
    """Readings of one lane: the number read, or 0."""
    seen = Seen(
        np.array(numbers, dtype=np.int32),
        np.ones(len(numbers), dtype=np.uint8),
        np.array(times or [0] * len(numbers), dtype=np.int64),
        np.zeros(len(numbers), dtype=np.bool_),
    )
    return seen, Web.of([Shape(((1, LABELS),), 1, "rows")], LABELS)


def aligned(numbers: list[int], times: list[int] | None = None) -> Alignment:
    """The alignment of one lane's readings."""
    seen, web = one_lane(numbers, times)
    free = np.ones(LABELS + 1, dtype=np.bool_)
    return align(seen, web, free, home=free, where="here")


@st.composite
def webs(draw: st.DrawFn) -> list[int]:
    """One lane with unread, missed and doubly triggered labels, and some out of place."""
    places = st.integers(1, LABELS)
    faults = draw(st.dictionaries(places, st.sampled_from("umdx"), max_size=24))
    read: list[int] = []
    for number in range(1, LABELS + 1):
        match faults.get(number):
            case None:
                read.append(number)
            case "u":
                read.append(0)
            case "d":
                read += [number, number]
            case "x":
                read.append(draw(places))
    return read


def longest_chain(values: list[int]) -> int:
    """Length of the longest increasing chain, by the textbook's quadratic programme."""
    best = [0] * len(values)
    for end, value in enumerate(values):
        before = [best[start] for start in range(end) if values[start] < value]
        best[end] = 1 + max(before, default=0)
    return max(best, default=0)


@settings(max_examples=300, deadline=None)
@given(values=st.lists(st.integers(0, 30), min_size=1, max_size=14, unique=True))
def test_anchors_are_what_every_longest_chain_shares(values: list[int]) -> None:
    """Taking any anchor away makes the longest chain shorter; no other number's does."""
    anchors = find_anchors(np.array(values))
    kept = [value for value, anchor in zip(values, anchors.tolist(), strict=True) if anchor]
    longest = longest_chain(values)
    needed = [
        value
        for value in values
        if longest_chain([one for one in values if one != value]) < longest
    ]
    assert kept == sorted(kept)
    assert kept == needed


@settings(max_examples=200, deadline=None)
@given(read=webs())
def test_a_number_in_its_place_stands_where_the_reference_puts_it(read: list[int]) -> None:
    """Wherever the aligner calls a number read in its place, `difflib` agrees that it can
    stand there: the numbers placed so are a common sequence of plan and readings, and not
    much shorter than the one that `difflib` finds."""
    if sum(1 for number in read if number) < 10:
        return
    made = aligned(read)
    home = [
        number
        for number, place, same in zip(read, made.place.tolist(), made.same.tolist(), strict=True)
        if number and number == place and not same
    ]
    matcher = SequenceMatcher(None, list(range(1, LABELS + 1)), read, autojunk=False)
    reference = sum(block.size for block in matcher.get_matching_blocks())
    once = [number for number in read if number]
    doubled = len(once) - len(set(once))
    if not any(note["kind"] == "reversed" for note in made.notes):
        assert sorted(home) == home or len(home) - longest_chain(home) <= doubled
        displaced = len(once) - longest_chain(once)
        assert len(set(home)) >= reference - doubled - displaced


@settings(max_examples=200, deadline=None)
@given(read=webs())
def test_every_label_is_accounted_for_once(read: list[int]) -> None:
    """Between the first and the last number in place, every label is read, has an unread
    reading, is named missing, or stands in one group: never in two of these."""
    made = aligned(read) if any(read) else None
    if made is None:
        return
    grouped = [position for group in made.groups for position in group.positions]
    assert len(grouped) == len(set(grouped))
    assert len(made.unseen) == len(set(made.unseen))
    assert not set(grouped) & set(made.unseen)
    told = set(read) - {0}
    assert not told & set(grouped)
    assert not told & set(made.unseen)
    placed = set(made.place.tolist()) - {0}
    assert not placed & set(grouped)
    assert not placed & set(made.unseen)
    for group in made.groups:
        assert 0 < group.readings < len(group.positions)


@settings(max_examples=150, deadline=None)
@given(read=webs())
def test_a_web_that_ran_backwards_tells_the_same(read: list[int]) -> None:
    """Reversing the file changes no group, no missing label and no place of a number."""
    if longest_chain([number for number in read if number]) < 20:
        return
    there, back = aligned(read), aligned(read[::-1])
    if [note["kind"] for note in there.notes if note["kind"] == "reversed"]:
        return
    assert {"reversed"} <= {note["kind"] for note in back.notes}
    assert sorted(there.unseen) == sorted(back.unseen)
    assert {group.positions for group in there.groups} == {group.positions for group in back.groups}


def test_readings_without_a_number_of_the_lot_are_refused() -> None:
    """Nothing to hold on to: a refusal, not a guess."""
    with pytest.raises(Refused) as refused:
        aligned([0, 0, 0])
    assert refused.value.word == "results_unplaced"


@given(
    late=st.lists(st.integers(-2, 2), min_size=4, max_size=40),
)
def test_labels_that_came_late_or_early_for_a_while_are_found(late: list[int]) -> None:
    """In one step or in several: whatever lies between two neighbours that came equally in time, at
    most eight apart, is named, and nothing else. The slow way: every pair of neighbours."""
    count = len(late)
    step = np.arange(count, dtype=np.int64) * 5
    time = (step + np.array(late)) * 100
    even = np.full(count, 100.0)
    tempo = Tempo(pitch=100.0, each=1, around=even, nearest=even, grain=1)
    wanted = {
        between
        for one in range(count - 1)
        for other in range(one + 2, min(one + TOGETHER + 2, count))
        if late[one] == late[other]
        and late[one + 1] != late[one]
        and late[other - 1] != late[other]
        for between in range(one + 1, other)
    }
    assert set(tempo.out_of_time(time, step).tolist()) == wanted
