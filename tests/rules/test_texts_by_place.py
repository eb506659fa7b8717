"""What a lot's labels say, block by block; places on a web; readings, some at a time."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from serialkeeper.rules import findings, lookup
from serialkeeper.rules.findings import CODE, GOOD, Readings
from serialkeeper.rules.jobs import Shape, Web
from serialkeeper.rules.lookup import Texts
from serialkeeper.rules.parts import NO_GRADE
from serialkeeper.rules.positions import settle_positions

LANES, ROW_TIME = 2, 100
"""Lanes of the web, and milliseconds from one row to the next."""


@settings(deadline=None)
@given(
    said=st.lists(st.text("AB1", min_size=1, max_size=4), min_size=1, max_size=25, unique=True),
    block=st.integers(1, 6),
    kept=st.integers(1, 3),
    data=st.data(),
)
def test_texts_are_those_of_the_whole_list(
    said: list[str], block: int, kept: int, data: st.DataObject
) -> None:
    """At any places, in any order and repetition; so are the places of any texts."""
    fetched: Counter[int] = Counter()

    def fetch(number: int) -> pl.Series:
        fetched[number] += 1
        return pl.Series(said[number * block : (number + 1) * block])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lookup, "BLOCK", block)
        patch.setattr(lookup, "KEPT", kept)
        texts = Texts(len(said), fetch)
        for _ in range(3):
            places = data.draw(st.lists(st.integers(1, len(said)), max_size=8))
            found = texts.at(np.array(places, dtype=np.int64)).to_list()
            assert found == [said[place - 1] for place in places]
        wanted = data.draw(st.sets(st.text("AB1", min_size=1, max_size=4)))
        here = {text: place for place, text in enumerate(said, 1) if text in wanted}
        assert texts.places(wanted) == here
        assert texts.all().to_list() == said
        assert texts.lengths == tuple(sorted({len(text) for text in said}))
        texts.forget()
        before = fetched.total()
        assert texts.at(np.array([1])).to_list() == said[:1] and fetched.total() == before + 1


def test_a_file_in_the_order_of_its_labels_fetches_each_block_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """And only a few blocks are kept; a file in no order keeps what it needs."""
    monkeypatch.setattr(lookup, "BLOCK", 10)
    monkeypatch.setattr(lookup, "KEPT", 3)
    alive: Counter[int] = Counter()
    texts = Texts(400, lambda number: (alive.update([number]), pl.Series(["x"] * 10))[1])
    for start in range(1, 400, 5):
        texts.at(np.arange(start, start + 5))
    assert set(alive.values()) == {1} and len(texts._kept) == 3
    for _ in range(2):
        texts.at(np.arange(400, 0, -1))
    assert max(alive.values()) == 2


@given(
    gaps=st.lists(st.tuples(st.integers(1, 9), st.integers(1, 4)), min_size=1, max_size=5),
    lanes=st.integers(1, 5),
    by=st.sampled_from(["rows", "lanes"]),
)
def test_a_row_and_a_lane_lead_to_the_label_there(
    gaps: list[tuple[int, int]], lanes: int, by: str
) -> None:
    """For jobs of any runs of labels."""
    ranges, at = [], 0
    for length, gap in gaps:
        ranges.append((at + gap, at + gap + length - 1))
        at += gap + length
    shape = Shape(tuple(ranges), lanes, by)
    row, lane = shape.grid(0, shape.count)
    assert shape.places(row, lane).tolist() == shape.positions().tolist()
    assert shape.lanes_by_position(at + 1)[shape.positions()].tolist() == lane.tolist()


def readings_of(made: list[tuple[int, int, int, str]]) -> tuple[Readings, np.ndarray]:
    """Readings from (place, number, milliseconds, finding)."""
    place, number, time = (
        np.array([one[field] for one in made], dtype=kind)
        for field, kind in enumerate((np.int32, np.int32, np.int64))
    )
    finding = np.array([CODE.get(one[3], GOOD) for one in made], dtype=np.uint8)
    grade = np.full(len(made), NO_GRADE, dtype=np.uint8)
    evidence = np.full(len(made), ord("r"), dtype=np.uint8)
    return Readings(place, number, finding, grade, time, evidence), number.copy()


def together(made: list[tuple[int, int, int, str]], usual: int) -> list[bool]:
    """Which readings are of a label that was read before in its own place, one by one."""
    same = [False] * len(made)
    for number in {one[1] for one in made if one[1]}:
        home = [index for index, one in enumerate(made) if one[0] == one[1] == number]
        times = [made[index][2] for index in home]
        untimed = not any(times)
        close = (
            all(times) and usual > 0 and max(times, default=0) - min(times, default=0) < usual / 2
        )
        for index in home[1:] if untimed or close else ():
            same[index] = True
    return same


@st.composite
def webs(draw: st.DrawFn) -> list[tuple[int, int, int, str]]:
    """Readings of twelve labels: most in their place, some of them more than once, some without
    a time."""
    made = []
    for place in range(1, 13):
        passed = 1000 + (place - 1) // LANES * ROW_TIME
        for _ in range(draw(st.sampled_from([1, 1, 1, 2, 3]))):
            late = draw(st.sampled_from([0, 10, 70]))
            timed = draw(st.sampled_from([True, True, True, False]))
            made.append((place, place, (passed + late) * timed, ""))
    return draw(st.permutations(made)) if draw(st.booleans()) else made


@settings(deadline=None, max_examples=200)
@given(webs(), st.integers(1, 5))
@example([(place, place, 0, "") for place in (1, 1, 2, 3, 3, 3)], 2)
def test_one_label_read_again_in_its_place_is_one(
    made: list[tuple[int, int, int, str]], size: int
) -> None:
    """As a slow judge says, however few readings are worked on at a time."""
    web = Web.of([Shape(((1, 12),), LANES, "rows")], 12)
    known = [(one[1], one[2]) for one in made if one[2]]
    steps = [
        abs(after[1] - before[1])
        for before, after in pairwise(known)
        if abs((after[0] - 1) // LANES - (before[0] - 1) // LANES) == 1
    ]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(findings, "SLICE", size)
        readings, exact = readings_of(made)
        same, notes = settle_positions(readings, exact, web)
    assert same.tolist() == together(made, min(steps, default=0)) and notes == []
