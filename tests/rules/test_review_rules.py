"""Groups of the review list: nothing is left out, nothing is signed twice or unseen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.rules.findings import NEVER, WORDS
from serialkeeper.rules.review import (
    CRITICAL,
    FOUND,
    Group,
    Item,
    Review,
    as_data,
    examples,
    groups,
    how_many,
)

WORDS_TRIED = ("unreadable", "low_grade", "wrong_lot", "repeated")

ITEMS = st.lists(
    st.tuples(
        st.sampled_from(["found", "voided", "alarm"]),
        st.sampled_from([*WORDS_TRIED, "unchallenged"]),
        st.sampled_from(["Ann", "Bob"]),
        st.sampled_from(["", "Cid"]),
        st.sets(st.integers(1, 30), max_size=6),
    ),
    max_size=12,
)


def items(tried: list[tuple[str, str, str, str, set[int]]], first: int = 1) -> list[Item]:
    return [
        Item(kind, reason, person, second, first + i, "2026", np.array(sorted(at), dtype=np.int64))
        for i, (kind, reason, person, second, at) in enumerate(tried)
    ]


def signed(group: Group, seq: int) -> Review:
    data = as_data(group, [])
    data |= {"examples": "", "seq": seq, "person": "Eve", "note": "", "at": "2026"}
    return Review(**data)


def pieces(there: list[Group]) -> list[tuple[str, str, str, str, int, int]]:
    """Every label, or item without any, of these groups."""
    return sorted(
        (one.kind, one.reason, one.person, one.second, item.seq, int(place))
        for one in there
        for item in one.items
        for place in (item.positions if len(item.positions) else [0])
    )


@given(ITEMS)
def test_every_item_stands_in_one_group(tried: list[tuple[str, str, str, str, set[int]]]) -> None:
    """With all its labels; a critical group has one item with one label at most, and stands
    before the others."""
    there = groups(items(tried), [])
    wanted = sorted(
        (kind, reason, person, second, i, place)
        for i, (kind, reason, person, second, at) in enumerate(tried, 1)
        for place in (at or {0})
    )
    assert pieces(there) == wanted
    critical = [one for one in there if one.critical]
    assert there[: len(critical)] == critical
    assert all(len(one.items) == 1 and len(one.positions) <= 1 for one in critical)
    assert all(one.reason in CRITICAL[one.kind] for one in critical)
    assert len({one.digest for one in there}) == len(there)


@given(ITEMS, st.data(), ITEMS)
def test_what_is_signed_leaves_the_list_and_what_is_new_comes(
    tried: list[tuple[str, str, str, str, set[int]]],
    data: st.DataObject,
    later: list[tuple[str, str, str, str, set[int]]],
) -> None:
    """Signing takes away that group and no other; of the same kind, what comes later is there."""
    old = items(tried)
    there = groups(old, [])
    chosen = [one for one in there if data.draw(st.booleans())]
    reviews = [signed(one, 50 + i) for i, one in enumerate(chosen)]
    rest = [one for one in there if one not in chosen]
    assert pieces(groups(old, reviews)) == pieces(rest)
    new = items(later, first=100)
    assert pieces(groups([*old, *new], reviews)) == sorted(pieces(rest) + pieces(groups(new, [])))


@given(ITEMS)
def test_a_digest_is_of_everything_that_was_shown(
    tried: list[tuple[str, str, str, str, set[int]]],
) -> None:
    """Another person, reason, entry or label is another digest."""
    for one in groups(items(tried), []):
        first = one.items[0]
        other = [
            replace(one, person="Dan"),
            replace(one, reason="another"),
            replace(one, second="Dan"),
            replace(one, items=(replace(first, seq=99), *one.items[1:])),
            replace(one, items=(replace(first, positions=np.array([77])), *one.items[1:])),
            replace(one, items=(replace(first, told="else"), *one.items[1:])),
        ]
        digests = [one.digest, *(each.digest for each in other)]
        assert len(set(digests)) == len(digests)


@given(st.text("0123456789abcdef", min_size=8, max_size=8), st.integers(0, 3000))
def test_the_labels_to_be_opened_are_labels_of_the_group(digest: str, labels: int) -> None:
    """As many as the rule says, each once, the same each time."""
    positions = np.arange(1, labels + 1) * 7
    chosen = examples(digest, positions)
    assert len(set(chosen)) == len(chosen) == how_many(labels)
    assert set(chosen) <= set(positions.tolist()) and chosen == examples(digest, positions)
    assert how_many(labels) == (labels if labels < 5 else 5 if labels <= 1000 else 10)


def test_what_is_critical_can_never_be_accepted() -> None:
    """No finding that is signed singly may be accepted by a person; the others that never may be
    are of print, not of identity."""
    never = {word for word, (_, needs) in WORDS.items() if needs == NEVER}
    assert set(CRITICAL[FOUND]) == never - {"wrong_symbology", "malformed"}
