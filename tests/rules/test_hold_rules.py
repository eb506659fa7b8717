"""Stretches of held positions, held against Python's own sets and ranges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules import holds

LABELS = 400
PLACES = st.sets(st.integers(1, LABELS)) | st.builds(
    lambda start, step, more: {*range(start, LABELS + 1, step), *more},
    st.integers(1, LABELS),
    st.integers(1, 64),
    st.sets(st.integers(1, LABELS), max_size=5),
)


@given(PLACES)
def test_stretches_are_the_same_positions(places: set[int]) -> None:
    """Whatever positions are held: their stretches name each of them once and no other, however
    they are written, read and asked for."""
    some = holds.stretches(sorted(places))
    named = [place for first, last, step in some for place in range(first, last + 1, step)]
    assert sorted(named) == sorted(places) and holds.count(some) == len(places)
    assert all((last - first) % step == 0 for first, last, step in some)
    assert holds.read_stretches(holds.write_stretches(some)) == some
    if places:
        assert holds.parse_positions(holds.write_stretches(some), LABELS) == some


@given(PLACES, st.integers(1, LABELS), st.integers(0, LABELS))
def test_a_mask_shows_what_lies_in_a_window(places: set[int], first: int, size: int) -> None:
    """The mask of any window is the positions in it."""
    some = np.array(holds.stretches(sorted(places)), dtype=np.int64).reshape(-1, 3)
    last = first + size
    hit = np.flatnonzero(holds.mask(some, first, last)) + first
    assert set(hit.tolist()) == {place for place in places if first <= place <= last}


def test_a_lane_of_a_large_lot_is_one_stretch() -> None:
    """A hold on a roll does not grow with its length: every fourth of a million labels."""
    assert holds.stretches(np.arange(3, 1_000_001, 4)) == [[3, 999_999, 4]]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "bad_value"),
        ("17-", "bad_value"),
        ("1-9/0", "bad_value"),
        ("1-9/99999", "bad_value"),
        ("9/2", "bad_value"),
        ("0", "label_unknown"),
        ("401", "label_unknown"),
        ("9-1/2", "label_unknown"),
    ],
)
def test_positions_that_are_none_are_refused(text: str, word: str) -> None:
    """Nothing is held by a mistyped list."""
    with pytest.raises(Refused) as refused:
        holds.parse_positions(text, LABELS)
    assert refused.value.word == word
