"""The judgement of readings, against a slow judge in plain Python."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules import findings, gs1
from serialkeeper.rules.alarms import find
from serialkeeper.rules.findings import CODE, GOOD, NEVER, WORDS, Readings
from serialkeeper.rules.parts import NO_GRADE, NO_TIME

QUALITY = tuple(CODE[word] for word in ("text_mismatch", "low_grade", "failed_by_camera"))
"""What may be wrong with a reading that carries a number of the plan."""

NO_NUMBER = tuple(
    CODE[word]
    for word in (
        "unreadable",
        "wrong_symbology",
        "malformed",
        "wrong_product",
        "wrong_lot",
        "wrong_expiry",
        "foreign",
    )
)
"""What is wrong with a reading that carries none of this lot's numbers."""


@dataclass(frozen=True)
class Reading:
    """One reading: taken at a place, showing a number or none, with what is wrong with it."""

    place: int
    number: int
    finding: int


def web(positions: int) -> st.SearchStrategy[tuple[int, list[Reading]]]:
    """Readings of a small web: mostly at home, with doubles, strays and faults."""
    place = st.integers(1, positions)
    at_home = st.builds(lambda p, f: Reading(p, p, f), place, st.sampled_from((GOOD, *QUALITY)))
    well = st.builds(lambda p: Reading(p, p, GOOD), place)
    stray = st.builds(Reading, place, place, st.sampled_from((GOOD, *QUALITY)))
    without = st.builds(Reading, place, st.just(0), st.sampled_from(NO_NUMBER))
    one = st.one_of(well, well, at_home, stray, without)
    return st.tuples(st.just(positions), st.lists(one, max_size=2 * positions + 2))


webs = st.integers(1, 8).flatmap(web)


def arrays(made: list[Reading]) -> Readings:
    """The readings as the judge takes them."""
    return Readings(
        place=np.array([r.place for r in made], dtype=np.int32),
        number=np.array([r.number for r in made], dtype=np.int32),
        finding=np.array([r.finding for r in made], dtype=np.uint8),
        grade=np.full(len(made), NO_GRADE, dtype=np.uint8),
        time=np.full(len(made), NO_TIME, dtype=np.int64),
        evidence=np.full(len(made), ord("p"), dtype=np.uint8),
    )


def shown_at(position: int, made: list[Reading]) -> list[int]:
    """Everything that the readings at a place show wrong there."""
    wrong = []
    for reading in made:
        if reading.place != position:
            continue
        if reading.number == 0 and reading.finding == GOOD:
            wrong.append(CODE["unreadable"])
        elif reading.number in (0, position):
            wrong.append(reading.finding)
        else:
            often = sum(other.number == reading.number for other in made) > 1
            named = CODE["repeated" if often else "other_number"]
            wrong.append(min(named, reading.finding or named))
    return [code for code in wrong if code != GOOD]


def of_number(position: int, made: list[Reading]) -> int:
    """What is wrong with where a position's own number was read, or GOOD."""
    home = sum(r.number == position == r.place for r in made)
    away = sum(r.number == position != r.place for r in made)
    if home > 1 or (home and away):
        return CODE["read_twice"]
    if away:
        return CODE["out_of_place" if away == 1 else "repeated"]
    return GOOD


def strange_at(position: int, made: list[Reading]) -> bool:
    """Whether a reading at a place shows a code that is none of this lot's and that can never
    be accepted: another symbology, form, product, lot, expiry or a foreign number."""
    return any(r.place == position and r.number == 0 and never_accepted(r.finding) for r in made)


def never_accepted(code: int) -> bool:
    """Whether a label with this finding can never be accepted."""
    return code != GOOD and WORDS[findings.ORDER[code - 1]][1] == NEVER


@given(webs)
@settings(deadline=None, max_examples=300)
@example((2, [Reading(1, 2, GOOD), Reading(2, 1, GOOD)]))
@example((2, [Reading(1, 1, GOOD), Reading(2, 1, GOOD)]))
@example((3, [Reading(1, 1, GOOD), Reading(2, 1, GOOD), Reading(3, 1, GOOD)]))
@example((2, [Reading(1, 1, GOOD), Reading(1, 1, GOOD)]))
@example((2, [Reading(1, 0, CODE["unreadable"]), Reading(1, 1, GOOD)]))
@example((2, [Reading(1, 2, GOOD), Reading(2, 1, GOOD), Reading(2, 0, CODE["unreadable"])]))
def test_the_fast_judge_agrees_with_a_slow_one(made: tuple[int, list[Reading]]) -> None:
    """Each position gets the verdict that a plain loop over all readings gives it.

    The first finding of the order counts, whether it is about the place or about the number;
    only a label that was seen in another label's place is out of place before its own place
    shows another label.
    """
    positions, readings = made
    verdicts = findings.judge(arrays(readings), positions)
    for position in range(1, positions + 1):
        shown, number = shown_at(position, readings), of_number(position, readings)
        at = [i for i, r in enumerate(readings) if r.place == position]
        away = [i for i, r in enumerate(readings) if r.number == position and r.place != position]
        assert bool(verdicts.placed[position]) == bool(at)
        assert bool(verdicts.touched[position]) == bool(at or away)
        if number == CODE["out_of_place"]:
            shown = [c for c in shown if c not in (CODE["other_number"], CODE["repeated"])]
        assert verdicts.finding[position] == min([*shown, *([number] if number else [])], default=0)


@given(webs)
@settings(deadline=None, max_examples=200)
def test_a_verdict_rests_on_a_reading_that_concerns_it(
    made: tuple[int, list[Reading]],
) -> None:
    """The reading named beside a verdict was taken at the place or shows its number."""
    positions, readings = made
    verdicts = findings.judge(arrays(readings), positions)
    for position in range(1, positions + 1):
        rests_on = int(verdicts.reading[position])
        if not verdicts.touched[position]:
            assert rests_on == -1
            assert verdicts.finding[position] == GOOD
        else:
            reading = readings[rests_on]
            assert rests_on >= 0
            assert position in (reading.place, reading.number)


@given(webs)
@settings(deadline=None, max_examples=300)
def test_nothing_is_good_that_was_not_read_good_once_in_its_place(
    made: tuple[int, list[Reading]],
) -> None:
    """A good label has one reading at its place, its own and faultless, and none elsewhere."""
    positions, readings = made
    verdicts = findings.judge(arrays(readings), positions)
    for position in range(1, positions + 1):
        concerning = [r for r in readings if position in (r.place, r.number)]
        good = bool(verdicts.touched[position]) and verdicts.finding[position] == GOOD
        assert good == (concerning == [Reading(position, position, GOOD)])


def test_a_reading_without_a_number_is_never_good() -> None:
    """A reading that names no number of the lot makes no label good, even if nothing else is
    said against it: good is only what carries its own number."""
    verdicts = findings.judge(arrays([Reading(1, 0, GOOD)]), 1)
    assert verdicts.finding[1] != GOOD


@given(webs)
@settings(deadline=None, max_examples=300)
@example((2, [Reading(1, 0, CODE["wrong_product"]), Reading(2, 1, GOOD)]))
@example((2, [Reading(1, 1, GOOD), Reading(1, 0, CODE["wrong_lot"]), Reading(2, 1, GOOD)]))
@example((1, [Reading(1, 1, GOOD), Reading(1, 1, GOOD), Reading(1, 0, CODE["foreign"])]))
def test_a_strange_code_is_not_hidden(made: tuple[int, list[Reading]]) -> None:
    """A place that showed another product, lot or a foreign number is never offered for
    acceptance, also if its own number was read at another place.

    The findings stand in order of judgement, so `wrong_product` may not be replaced by
    `read_twice` or `out_of_place`, which a second person may accept and which, for
    `out_of_place`, raise no alarm at once.
    `unreadable` comes first in the order and may stand: a fresh scan would show the strange code.
    """
    positions, readings = made
    verdicts = findings.judge(arrays(readings), positions)
    for position in range(1, positions + 1):
        if strange_at(position, readings):
            verdict = int(verdicts.finding[position])
            unread = CODE["unreadable"] in shown_at(position, readings)
            assert never_accepted(verdict) or (unread and verdict == CODE["unreadable"])


def test_strange_labels_in_a_shifted_web_raise_their_alarm() -> None:
    """Three labels of another product spliced into a web shift all that follows by three; the
    alarm still names the other product (an alarm at once: common practice, no source)."""
    readings = [Reading(p, p, GOOD) for p in range(1, 11)]
    readings += [Reading(p, 0, CODE["wrong_product"]) for p in (11, 12, 13)]
    readings += [Reading(p, p - 3, GOOD) for p in range(14, 31)]
    found = findings.judge(arrays(readings), 30).finding[1:]
    raised = find(np.arange(1, 31, dtype=np.int32), np.ones(30, dtype=np.uint8), found)
    assert "wrong_product" in {alarm.kind for alarm in raised}


@given(webs)
@settings(deadline=None, max_examples=150)
@example((1, [Reading(1, 1, GOOD)] * 300))
@example((2, [Reading(1, 1, GOOD)] * 300 + [Reading(2, 1, GOOD)] * 300))
def test_labels_that_may_be_double_triggers_are_counted(
    made: tuple[int, list[Reading]],
) -> None:
    """Counted are numbers read more than once, at their own place and nowhere else, where no
    other reading stands."""
    positions, readings = made
    expected = 0
    for position in range(1, positions + 1):
        concerning = [r for r in readings if position in (r.place, r.number)]
        own = all((r.place, r.number) == (position, position) for r in concerning)
        expected += len(concerning) > 1 and own
    assert findings.judge(arrays(readings), positions).plausible == expected


def test_no_reading_is_no_verdict() -> None:
    """An empty file says nothing of any label."""
    verdicts = findings.judge(arrays([]), 3)
    assert not verdicts.touched.any()
    assert not verdicts.placed.any()
    assert verdicts.reading.tolist() == [-1] * 4
    assert verdicts.plausible == 0


FACTS = findings.Facts("09521234543213", "LOT24A", date(2028, 6, 30), 2026)
RIGHT = {"01": FACTS.gtin, "21": "A7", "17": "280630", "10": FACTS.lot}


def sent(**changed: str) -> str:
    """What a reader sends for a label with these changes, e.g. `ai10="LOT24B"`."""
    values = RIGHT | {ai.removeprefix("ai"): value for ai, value in changed.items()}
    return f"]d201{values['01']}21{values['21']}{gs1.GS}17{values['17']}10{values['10']}"


@pytest.mark.parametrize(
    ("seen", "word"),
    [
        ("", "unreadable"),
        (sent()[3:], "wrong_symbology"),
        (sent().replace("]d2", "]d1"), "wrong_symbology"),
        (sent().replace("]d2", "]C1"), "wrong_symbology"),
        ("]d2", "malformed"),
        ("]d2HELLO", "malformed"),
        (sent().replace(gs1.GS, ""), "malformed"),
        (sent(ai01="09521234543214"), "malformed"),
        (sent(ai17="280631"), "malformed"),
        (sent(ai21="A 7"), "malformed"),
        (sent(ai01="09521234567882"), "wrong_product"),
        (sent(ai01="09521234567882", ai10="X", ai17="270101"), "wrong_product"),
        (sent(ai10="lot24a"), "wrong_lot"),
        (sent(ai10="LOT24A0", ai17="270101"), "wrong_lot"),
        (sent(ai17="280629"), "wrong_expiry"),
        (sent(ai17="280600"), "foreign"),
        (sent(), "foreign"),
        (sent(ai21="007"), "foreign"),
    ],
)
def test_texts_are_judged_in_order(seen: str, word: str) -> None:
    """A text gets its first fault: symbology, form, product, lot, expiry, then its number.

    The order is this tool's own; DD=00 means the month's last day (General Specifications 7.12).
    """
    found, detail = findings.judge_text(seen, FACTS)
    assert found == word
    assert detail


def test_what_may_be_accepted_needs_evidence() -> None:
    """Each finding either refuses acceptance or names what it needs, in the order of judgement."""
    for word, (_, needs) in WORDS.items():
        if needs == NEVER:
            with pytest.raises(Refused) as refusal:
                findings.check_acceptable(word, where="label 1")
            assert refusal.value.word == "never_accepted"
        else:
            assert findings.check_acceptable(word, where="label 1") == needs
    assert {word for word, (_, needs) in WORDS.items() if needs != NEVER} == {
        "not_seen",
        "not_told_apart",
        "unreadable",
        "read_twice",
        "out_of_place",
        "text_mismatch",
        "low_grade",
        "failed_by_camera",
        "found_again",
    }
