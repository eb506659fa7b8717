"""When to stop and look: over a whole file, while it grows, and folded into one."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules.alarms import (
    AT_ONCE,
    DEFAULT,
    Alarm,
    Open,
    Rules,
    Watch,
    check_rules,
    find,
    fold,
    not_raised_yet,
)
from serialkeeper.rules.findings import CODE, GOOD


def alarms(found: list[int], lanes: int = 1, first: int = 1) -> list[Alarm]:
    """Alarms over successive labels, dealt to the lanes in turn."""
    places = np.arange(first, first + len(found), dtype=np.int32)
    lane = (np.arange(len(found)) % lanes + 1).astype(np.uint8)
    return find(places, lane, np.array(found, dtype=np.uint8))


BAD = CODE["unreadable"]
FOREIGN = CODE["foreign"]


@pytest.mark.parametrize(
    ("found", "lanes", "expected"),
    [
        ([], 1, []),
        ([GOOD] * 1_000, 3, []),
        ([GOOD, BAD, BAD, GOOD], 1, []),
        ([GOOD, BAD, BAD, BAD, GOOD], 1, [Alarm("in_a_row", 1, 2, 4, 3)]),
        ([BAD, BAD, BAD], 1, [Alarm("in_a_row", 1, 1, 3, 3)]),
        ([BAD, BAD, BAD], 3, []),
        ([BAD, GOOD, BAD, GOOD, BAD, GOOD], 2, [Alarm("in_a_row", 1, 1, 5, 3)]),
        (
            [BAD] * 4 + [GOOD] + [BAD] * 3,
            1,
            [Alarm("in_a_row", 1, 1, 4, 4), Alarm("in_a_row", 1, 6, 8, 3)],
        ),
        ([GOOD, FOREIGN, GOOD], 1, [Alarm("foreign", 0, 2, 2, 1)]),
        ([FOREIGN, GOOD, GOOD, FOREIGN], 1, [Alarm("foreign", 0, 1, 4, 2)]),
        (([BAD] + [GOOD] * 39) * 5, 1, [Alarm("share", 0, 1, 200, 5)]),
        (([BAD] + [GOOD] * 49) * 4, 1, []),
        (([BAD] + [GOOD] * 49) * 20, 1, []),
        (([BAD] + [GOOD] * 39) * 4 + [BAD], 1, []),
    ],
)
def test_alarm_table(found: list[int], lanes: int, expected: list[Alarm]) -> None:
    """Three bad in a row in a lane, over 2 % in 200, or one grave finding make an alarm
    (common practice, no source)."""
    assert alarms(found, lanes) == expected


@pytest.mark.parametrize("word", AT_ONCE)
def test_grave_findings_alarm_at_once(word: str) -> None:
    """The first label of a mix-up or a doubled number alarms (common practice, no source)."""
    raised = alarms([GOOD, GOOD, CODE[word], GOOD], first=101)
    assert raised == [Alarm(word, 0, 103, 103, 1)]
    assert raised[0].as_dict() == {
        "kind": word,
        "lane": None,
        "first": 103,
        "last": 103,
        "labels": 1,
    }


@given(
    st.lists(st.integers(0, 99).map(lambda n: BAD if n < 3 else GOOD), min_size=0, max_size=900),
    st.sampled_from([(200, 20), (10, 100), (10, 0), (25, 40), (900, 1)]),
)
@settings(deadline=None, max_examples=200)
def test_every_crowded_window_is_in_a_share_alarm(
    found: list[int], window_share: tuple[int, int]
) -> None:
    """Each window with more bad labels than are borne lies in an alarm, and what is no more than a
    window apart in the same one; without one there is none. By counting every window."""
    window, share = window_share
    rules = Rules(window=window, share=share)
    bad = np.cumsum([0, *(code != GOOD for code in found)])
    spans: list[list[int]] = []
    for start in range(len(found) - window + 1):
        if bad[start + window] - bad[start] <= rules.most:
            continue
        if spans and start - spans[-1][1] <= window:
            spans[-1][1] = start
        else:
            spans.append([start, start])
    expected = [
        Alarm("share", 0, first + 1, last + window, int(bad[last + window] - bad[first]))
        for first, last in spans
    ]
    places = np.arange(1, len(found) + 1, dtype=np.int32)
    lanes = (np.arange(len(found)) % 4 + 1).astype(np.uint8)
    made = find(places, lanes, np.array(found, dtype=np.uint8), rules)
    assert [alarm for alarm in made if alarm.kind == "share"] == expected


def test_a_stations_own_rules_hold() -> None:
    """Five in a row instead of three, and more than 10 % in 10 instead of 2 % in 200."""
    rules = Rules(in_a_row=5, share=100, window=10)
    places, lanes = np.arange(1, 41, dtype=np.int32), np.ones(40, dtype=np.uint8)
    found = np.zeros(40, dtype=np.uint8)
    found[[3, 4, 5, 6]] = BAD
    assert find(places, lanes, found, rules) == [Alarm("share", 0, 1, 15, 4)]
    found[7] = BAD
    assert Alarm("in_a_row", 1, 4, 8, 5) in find(places, lanes, found, rules)


@pytest.mark.parametrize("rules", [Rules(in_a_row=1), Rules(share=0), Rules(window=9)])
def test_rules_that_cannot_be_meant_are_refused(rules: Rules) -> None:
    """One in a row, no share at all and a tiny window would alarm all the time."""
    with pytest.raises(Refused) as refused:
        check_rules(rules)
    assert refused.value.word == "bad_value"
    check_rules(DEFAULT)


def watched(found: list[int], lanes: int, cuts: list[int]) -> list[tuple[int, Alarm]]:
    """What alarms while readings come in pieces that end at the cuts."""
    watch, told = Watch(DEFAULT), list[tuple[int, Alarm]]()
    places = np.arange(1, len(found) + 1, dtype=np.int32)
    lane = (np.arange(len(found)) % lanes + 1).astype(np.uint8)
    codes = np.array(found, dtype=np.uint8)
    for start, stop in zip([0, *cuts], [*cuts, len(found)], strict=True):
        told += watch.add(places[start:stop], lane[start:stop], codes[start:stop])
    return told


CODES = st.sampled_from([GOOD] * 12 + [BAD] * 3 + [FOREIGN, CODE["repeated"]])


@given(st.lists(CODES, max_size=400), st.integers(1, 4), st.lists(st.integers(0, 400), max_size=8))
@settings(deadline=None, max_examples=100)
def test_alarms_do_not_depend_on_how_the_readings_came(
    found: list[int], lanes: int, cuts: list[int]
) -> None:
    """Cut anywhere, the same readings alarm; and the labels of grave findings add up."""
    inside = sorted(min(cut, len(found)) for cut in cuts)
    told = watched(found, lanes, inside)
    assert told == watched(found, lanes, [])
    assert [number for number, _ in told] == sorted(number for number, _ in told)
    counts = Counter(alarm.kind for _, alarm in told)
    assert counts["foreign"] == found.count(FOREIGN)
    assert counts["repeated"] == found.count(CODE["repeated"])


@given(st.lists(CODES, max_size=400), st.integers(1, 4))
@settings(deadline=None, max_examples=100)
def test_what_alarms_in_a_whole_file_alarmed_while_it_grew(found: list[int], lanes: int) -> None:
    """The runs in a lane are the same, and nothing of the whole file was not alarmed before."""
    places = np.arange(1, len(found) + 1, dtype=np.int32)
    lane = (np.arange(len(found)) % lanes + 1).astype(np.uint8)
    whole = find(places, lane, np.array(found, dtype=np.uint8))
    grown = fold((alarm for _, alarm in watched(found, lanes, [])), [], 1, lanes).raised
    runs = {(a.lane, a.first, a.last, a.labels) for a in whole if a.kind == "in_a_row"}
    ours = [one.alarm for one in grown if one.alarm.kind == "in_a_row"]
    assert runs == {(a.lane, a.first, a.last, a.labels) for a in ours}
    assert not_raised_yet(whole, [one.alarm for one in grown], DEFAULT.window) == []


def test_repeats_of_one_cause_are_one_alarm() -> None:
    """Same kind, same lane, no further apart than a window: one alarm that grows; what was
    acknowledged, another lane, another kind and a far place are alarms of their own."""
    old = Open(4, Alarm("foreign", 0, 100, 100, 1))
    new = [
        Alarm("foreign", 0, 300, 300, 1),
        Alarm("foreign", 0, 500, 500, 1),
        Alarm("foreign", 0, 701, 701, 1),
        Alarm("wrong_lot", 0, 100, 100, 1),
        Alarm("in_a_row", 1, 90, 98, 3),
        Alarm("in_a_row", 2, 91, 99, 3),
        Alarm("in_a_row", 2, 103, 103, 1),
    ]
    folded = fold(new, [old], 5, 200)
    assert folded.grown == [Open(4, Alarm("foreign", 0, 100, 500, 3))]
    assert folded.raised == [
        Open(5, new[2]),
        Open(6, new[3]),
        Open(7, new[4]),
        Open(8, Alarm("in_a_row", 2, 91, 103, 4)),
    ]
    assert fold([], [old], 5, 200).as_data() == {"raised": [], "grown": []}


def test_an_alarm_whose_place_is_not_known_joins_the_open_one() -> None:
    """Place 0 is no place: it touches what is open and takes its stretch."""
    unknown = Alarm("wrong_lot", 0, 0, 0, 1)
    folded = fold([unknown, Alarm("wrong_lot", 0, 7, 7, 1)], [], 1, 200)
    assert folded.raised == [Open(1, Alarm("wrong_lot", 0, 7, 7, 2))]


def test_what_was_raised_while_following_is_not_raised_again() -> None:
    """The whole file may call a repeated number by a closer name; a far place is another alarm."""
    followed = [Alarm("repeated", 0, 50, 50, 1)]
    whole = [
        Alarm("read_twice", 0, 40, 50, 2),
        Alarm("other_number", 0, 251, 251, 1),
        Alarm("foreign", 0, 50, 50, 1),
    ]
    assert not_raised_yet(whole, followed, 200) == whole[1:]
