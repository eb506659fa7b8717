"""Serial numbers: alphabet, prefixes, strata, odds and the count advice, each worked out anew."""

from __future__ import annotations

import math
from fractions import Fraction
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules import serials

ALPHABET = "".join(sign for sign in "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ" if sign not in "IOYZ")
"""European Commission, questions and answers on safety features, 2.23: upper case only, no
special characters, without I, O, Y, Z."""

LENGTHS = range(8, 21)
prefixes = st.text(ALPHABET, min_size=4, max_size=4)
seeds = st.integers(0, 2**32 - 1)


def chance(seed: int) -> serials.Chance:
    """Random bytes that are the same in every run."""
    return np.random.default_rng(seed).bytes


def numbers(count: int, prefix: str, seed: int, length: int) -> list[str]:
    """The numbers of a draw, one by one."""
    drawn = serials.draw(count, prefix, chance(seed), length=length).decode("ascii")
    assert drawn.endswith("\n")
    return drawn.split("\n")[:-1]


def value(text: str) -> int:
    """A text of the alphabet as a number to the base 32, in plain Python."""
    total = 0
    for sign in text:
        total = total * 32 + ALPHABET.index(sign)
    return total


def reads_as_number(text: str) -> bool:
    """Whether Python's own number grammar, like a spreadsheet's, takes the text for a number."""
    try:
        float(text)
    except ValueError:
        return False
    return True


def test_alphabet_is_that_of_the_eu_answer() -> None:
    """The signs are the 32 that EU questions and answers 2.23 leave, each once."""
    assert sorted(serials.ALPHABET) == sorted(ALPHABET)
    assert len(ALPHABET) == 32


@given(st.integers(1, 300), prefixes, seeds, st.sampled_from(LENGTHS))
@settings(deadline=None, max_examples=150)
@example(1, "0000", 0, 8)
@example(10_000, "AB12", 1, 12)
@example(10_000, "1234", 2, 8)
@example(10_000, "12E4", 3, 8)
@example(9_999, "1234", 4, 9)
@example(10_000, "7777", 5, 20)
def test_drawn_numbers_keep_every_promise(count: int, prefix: str, seed: int, length: int) -> None:
    """Right in number, length, alphabet and prefix, all different, one in each stratum.

    The strata are worked out here from the text: 32^k values, k the characters after the
    prefix but at most 8, cut into `count` equal pieces.
    """
    drawn = numbers(count, prefix, seed, length)
    assert len(drawn) == count
    assert len(set(drawn)) == count
    assert {len(number) for number in drawn} == {length}
    assert set("".join(drawn)) <= set(ALPHABET)
    assert {number[:4] for number in drawn} == {prefix}
    assert [number for number in drawn if reads_as_number(number)] == []
    stratified = min(length - 4, 8)
    space = 32**stratified
    hit = sorted(value(number[4 : 4 + stratified]) for number in drawn)
    for stratum, found in enumerate(hit):
        assert stratum * space // count <= found < (stratum + 1) * space // count


@pytest.mark.parametrize("prefix", ["1234", "12E4", "0000", "9E99"])
def test_a_draw_without_the_redraw_would_hold_numbers_of_spreadsheets(prefix: str) -> None:
    """The redraw is needed: about one in a hundred short texts behind a prefix of digits reads
    as a number."""
    letters = np.random.default_rng(11).integers(0, 32, size=(10_000, 4)).tolist()
    plain = [prefix + "".join(ALPHABET[n] for n in row) for row in letters]
    assert any(reads_as_number(text) for text in plain)
    assert not any(reads_as_number(text) for text in numbers(10_000, prefix, 11, 8))


@given(
    st.text("0123456789E", min_size=8, max_size=20),
    st.integers(0, 19),
    st.sampled_from(ALPHABET),
)
@settings(max_examples=300)
@example("12E45678", 0, "1")
@example("12345678", 0, "E")
@example("1234567E", 0, "1")
@example("E2345678", 0, "E")
def test_what_a_spreadsheet_reads_is_known(text: str, at: int, sign: str) -> None:
    """Our test for 'reads as a number' says what Python's number grammar says."""
    at %= len(text)
    text = text[:at] + sign + text[at + 1 :]
    signs = np.frombuffer(text.encode(), dtype=np.uint8).reshape(1, -1)
    assert bool(serials._looks_numeric(signs)[0]) == reads_as_number(text)


def test_numbers_are_dealt_in_random_order() -> None:
    """Positions do not follow the numbers: neighbours on the web tell nothing of each other."""
    drawn = [value(number[4:]) for number in numbers(2_000, "AB12", 6, 12)]
    assert drawn != sorted(drawn)
    rising = sum(a < b for a, b in pairwise(drawn))
    assert 900 < rising < 1_100  # a fair shuffle is outside about once in 10^14
    ranks = np.argsort(np.argsort(drawn))
    assert abs(np.corrcoef(ranks, np.arange(2_000))[0, 1]) < 0.15


def test_draws_reach_all_of_a_stratum() -> None:
    """Within its stratum a number is even: quarters of the stratum are hit alike."""
    count, space = 10_000, 32**8
    quarters = [0, 0, 0, 0]
    for number in numbers(count, "AB12", 8, 12):
        found = value(number[4:])
        stratum = found * count // space
        low, high = stratum * space // count, (stratum + 1) * space // count
        quarters[(found - low) * 4 // (high - low)] += 1
    assert sum(quarters) == count
    # Chi-square with 3 degrees of freedom is above 30 once in about 700,000 draws.
    assert sum((n - 2_500) ** 2 / 2_500 for n in quarters) < 30


def test_the_tail_of_long_numbers_is_drawn_too() -> None:
    """Characters behind the strata take all 32 signs, none more often than chance allows."""
    tails = "".join(number[12:] for number in numbers(4_000, "AB12", 9, 20))
    expected = len(tails) / 32
    assert sum((tails.count(s) - expected) ** 2 / expected for s in ALPHABET) < 100


@pytest.mark.parametrize("count", [-1, 0, 10_001])
def test_a_prefix_holds_at_most_ten_thousand(count: int) -> None:
    """More numbers than a prefix may hold, or none, are a mistake of the caller."""
    with pytest.raises(ValueError, match="1 to 10000"):
        serials.draw(count, "AB12", chance(1))


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_prefixes_do_not_repeat_early(seed: int) -> None:
    """The first 200,000 prefixes of a product are all different, whatever was drawn for it."""
    start, step = serials.draw_prefix_order(chance(seed))
    assert 0 <= start < 32**4
    assert step % 2 == 1
    seen = {serials.prefix_text(start, step, index) for index in range(200_000)}
    assert len(seen) == 200_000


@given(st.integers(0, 32**4 - 1), st.integers(0, 32**4 - 1).map(lambda n: n | 1), st.data())
def test_prefixes_never_meet(start: int, step: int, data: st.DataObject) -> None:
    """Two indices share a prefix only if they are equal, up to the very last.

    An odd step has an inverse modulo 2^20, so the index can be worked out from the prefix.
    """
    index = data.draw(st.integers(0, 32**4 - 1))
    text = serials.prefix_text(start, step, index)
    assert len(text) == 4
    assert (value(text) - start) * pow(step, -1, 32**4) % 32**4 == index


@pytest.mark.parametrize("index", [-1, 32**4, 32**4 + 1])
def test_used_up_prefixes_are_said(index: int) -> None:
    """After 32^4 prefixes a product has none left, rather than one used before."""
    with pytest.raises(Refused) as refusal:
        serials.prefix_text(5, 7, index)
    assert refusal.value.word == "numbers_exhausted"


@given(
    st.integers(1, 3_000_000),
    st.sampled_from(LENGTHS),
    st.integers(0, 300),
)
@example(104, 8, 0)
@example(105, 8, 0)
@example(3_355, 9, 0)
@example(3_356, 9, 0)
@example(10_000, 10, 0)
@example(2_000_000, 12, 0)
def test_odds_stay_below_one_in_ten_thousand(count: int, length: int, used: int) -> None:
    """An allocation is allowed exactly if one guess hits less often than 1 in 10,000.

    Source: Delegated Regulation (EU) 2016/161, Article 4(c). Numbers fill prefixes of 10,000;
    the guesser is taken to know the prefix.
    """
    found = serials.odds(count, length=length, prefixes_used=used)
    chance_of_hit = Fraction(min(count, 10_000), 32 ** (length - 4))
    limit = Fraction(1, 10_000)
    assert found.allowed == (chance_of_hit < limit)
    assert math.isclose(found.chance, chance_of_hit)
    densest = found.bearable
    assert Fraction(densest, 32 ** (length - 4)) < limit
    assert densest == 10_000 or Fraction(densest + 1, 32 ** (length - 4)) >= limit
    assert found.left == (32**4 - used) * densest


def test_the_arithmetic_is_shown() -> None:
    """The line for people names the numbers, the space and the limit."""
    line = serials.odds(2_052, length=12, prefixes_used=0).arithmetic()
    assert f"{2_052:,} / {32**8:,}" in line
    assert f"1 in {32**8 // 2_052:,}" in line
    assert "1 in 10,000" in line


@cache
def sure(labels: int, good: int, rate: Fraction) -> Fraction:
    """P(at least `good` of `labels` are good), exactly, from the binomial formula."""
    return sum(
        (
            math.comb(labels, bad) * rate**bad * (1 - rate) ** (labels - bad)
            for bad in range(labels - good + 1)
        ),
        Fraction(0),
    )


@given(
    st.integers(1, 25),
    st.integers(0, 60),
    st.sampled_from((50, 80, 90, 95, 99)),
    st.integers(0, 5),
)
@settings(deadline=None, max_examples=150)
def test_advice_is_the_smallest_count_that_suffices(
    good: int, percent: int, confidence: int, specimens: int
) -> None:
    """The advice suffices with the confidence asked for, and one label less does not.

    Worked out with exact fractions; a hair's breadth is left for the advice's floats.
    """
    rate, wanted = Fraction(percent, 100), Fraction(confidence, 100)
    hair = Fraction(1, 10**9)
    advised = serials.needed(
        good, reject_rate=percent / 100, specimens=specimens, confidence=confidence / 100
    )
    labels = advised - specimens
    assert labels >= good
    assert sure(labels, good, rate) >= wanted - hair
    assert labels == good or sure(labels - 1, good, rate) < wanted + hair


def test_the_published_figures_of_the_advice() -> None:
    """2,000 good at 2 % rejects: 2,040 suffices about half the time, 2,052 is for 95 %."""
    rate = Fraction(2, 100)
    assert Fraction(45, 100) < sure(2_040, 2_000, rate) < Fraction(55, 100)
    assert sure(2_051, 2_000, rate) < Fraction(95, 100) <= sure(2_052, 2_000, rate)
    assert serials.needed(2_000, reject_rate=0.02) == 2_052
    assert serials.needed(2_000, reject_rate=0.02, specimens=3) == 2_055


@pytest.mark.parametrize("good", [1, 17, 2_000, 1_000_000])
def test_without_rejects_nothing_is_added(good: int) -> None:
    """A reject rate of nought needs no spare label."""
    assert serials.needed(good, reject_rate=0) == good


def test_large_lots_get_sensible_advice() -> None:
    """For a million labels the advice lies where the normal approximation puts it."""
    good, rate = 1_000_000, 0.02
    advised = serials.needed(good, reject_rate=rate)
    mean = good / (1 - rate)
    deviation = math.sqrt(good * rate) / (1 - rate)  # of the negative binomial
    assert abs(advised - (mean + 1.645 * deviation)) < 5


@pytest.mark.parametrize(
    ("good", "rate", "specimens", "confidence"),
    [
        (0, 0.02, 0, 0.95),
        (-5, 0.02, 0, 0.95),
        (10, 1, 0, 0.95),
        (10, -0.1, 0, 0.95),
        (10, 0.02, -1, 0.95),
        (10, 0.02, 0, 0),
        (10, 0.02, 0, 1),
        (10, math.nan, 0, 0.95),
    ],
)
def test_senseless_figures_are_refused(
    good: int, rate: float, specimens: int, confidence: float
) -> None:
    """Rates and confidences outside nought and one get no advice."""
    with pytest.raises(Refused) as refusal:
        serials.needed(good, reject_rate=rate, specimens=specimens, confidence=confidence)
    assert refusal.value.word == "bad_value"
