"""Serial numbers that never repeat, cannot be guessed and stay cheap to store.

A number is a *prefix* of four characters, unique per product and used for at most
`PREFIX_HOLDS` numbers, then characters drawn one per equal stratum of the remaining space
and dealt to positions in random order. So two numbers never collide, a unique index is
filled in one place, and the chance of guessing is numbers / space, whatever else of the
lot is known. (Sorted plain random numbers would let someone who holds two neighbours
guess the one between.)

Alphabet: digits and capitals without I, O, Y, Z. Source: European Commission, questions
and answers on safety features, 2.23.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused

Chance = Callable[[int], bytes]
"""Gives that many random bytes: `secrets.token_bytes`, or a seeded source in practice."""

ALPHABET = "0123456789ABCDEFGHJKLMNPQRSTUVWX"
PREFIX_LENGTH = 4
PREFIX_HOLDS = 10_000
PREFIXES = len(ALPHABET) ** PREFIX_LENGTH
DEFAULT_LENGTH = 12
SHORTEST, LONGEST = 8, 20
GUESS_LIMIT = 1e-4
"""Delegated Regulation (EU) 2016/161, Article 4(c): below one in ten thousand."""

EXPECTED_REJECTS = 0.02
"""Reject rate behind the count advice (common practice, no source)."""

_SIGNS = np.frombuffer(ALPHABET.encode(), dtype=np.uint8)
_STRATIFIED = 8  # characters that the strata divide: 32^8 = 2^40 fits a machine word
_E, _NINE = ord("E"), ord("9")


def advised(target: int) -> int:
    """How many numbers to allocate for so many good labels, as long as nobody knows better."""
    return needed(target, reject_rate=EXPECTED_REJECTS)


def prefix_text(start: int, step: int, index: int) -> str:
    """The product's prefix number `index`, 0-based.

    `start` and an odd `step` are drawn once per product, so that prefixes do not tell how
    many were used; as `step` is odd, `PREFIXES` prefixes follow without a repeat.
    """
    if not 0 <= index < PREFIXES:
        raise Refused(
            "numbers_exhausted",
            f"The product has used all its {PREFIXES:,} number prefixes.",
            expected=f"a prefix index below {PREFIXES:,}",
            came=str(index),
            remedy="Give the product longer serial numbers under a new GTIN.",
        )
    value = (start + step * index) % PREFIXES
    return "".join(ALPHABET[(value >> shift) & 31] for shift in (15, 10, 5, 0))


def draw_prefix_order(chance: Chance) -> tuple[int, int]:
    """A product's (start, step) for `prefix_text`."""
    start = int.from_bytes(chance(4), "big") % PREFIXES
    step = int.from_bytes(chance(4), "big") % PREFIXES | 1
    return start, step


def draw(count: int, prefix: str, chance: Chance, *, length: int = DEFAULT_LENGTH) -> bytes:
    """`count` numbers of `length` characters under one prefix, in random order.

    Args:
        count: 1 to `PREFIX_HOLDS`.
        prefix: four characters, not used before for this product.
        chance: source of random bytes; cryptographic but in practice records.

    Returns:
        The numbers in dealt order as one ASCII text, a line feed after each.
    """
    if not 1 <= count <= PREFIX_HOLDS:
        raise ValueError(f"a prefix holds 1 to {PREFIX_HOLDS} numbers, not {count}")
    head = min(length - PREFIX_LENGTH, _STRATIFIED)
    tail = length - PREFIX_LENGTH - head
    table = np.empty((count, length + 1), dtype=np.uint8)
    table[:, :PREFIX_LENGTH] = np.frombuffer(prefix.encode(), dtype=np.uint8)
    table[:, length] = ord("\n")
    numeric = all(sign in "0123456789E" for sign in prefix)  # else no number of it looks so
    strata = np.arange(count)
    while len(strata):
        drawn = _in_strata(strata, count, 5 * head, chance)
        signs = [_SIGNS[(drawn >> np.uint64(5 * place)) & 31] for place in reversed(range(head))]
        if tail:
            loose = np.frombuffer(chance(len(strata) * tail), dtype=np.uint8) & 31
            signs += [*_SIGNS[loose.reshape(-1, tail).T]]
        table[strata, PREFIX_LENGTH:length] = np.stack(signs, axis=1)
        strata = strata[_looks_numeric(table[strata, :length])] if numeric else strata[:0]
    order = np.argsort(np.frombuffer(chance(8 * count), dtype=np.uint64), kind="stable")
    return table[order].tobytes()


def _in_strata(
    strata: NDArray[np.int64], count: int, bits: int, chance: Chance
) -> NDArray[np.uint64]:
    """One even draw from each named stratum of 2**bits values cut into `count` strata."""
    # strata < 2^14 and bits <= 40, so the products stay below 2^54.
    low = ((strata << bits) // count).astype(np.uint64)
    width = (((strata + 1) << bits) // count).astype(np.uint64) - low
    # Rejection keeps the draw even: values above the largest multiple of the width are redrawn.
    fair = np.uint64(0xFFFF_FFFF_FFFF_FFFF) // width * width
    raw = np.frombuffer(chance(8 * len(strata)), dtype=np.uint64).copy()
    while True:
        unfair = np.flatnonzero(raw >= fair)
        if not len(unfair):
            return low + raw % width
        raw[unfair] = np.frombuffer(chance(8 * len(unfair)), dtype=np.uint64)


def _looks_numeric(signs: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which numbers a spreadsheet would read as one: digits only, or digits around one E."""
    digits = (signs <= _NINE).sum(axis=1)
    exponents = (signs[:, 1:-1] == _E).sum(axis=1)
    length = signs.shape[1]
    numeric: NDArray[np.bool_] = (digits == length) | ((digits == length - 1) & (exponents == 1))
    return numeric


@dataclass(frozen=True, slots=True)
class Odds:
    """The chance that one guess hits a number of the product, prefix counted as known.

    Attributes:
        length: characters of a number.
        numbers: numbers under the fullest prefix.
        space: values that the characters after the prefix can take.
        chance: numbers / space.
        bearable: numbers that one prefix may hold while the chance stays below the limit.
        left: numbers that the product can still be given.
    """

    length: int
    numbers: int
    space: int
    chance: float
    bearable: int
    left: int

    @property
    def allowed(self) -> bool:
        """Whether the chance is below the limit."""
        return self.numbers <= self.bearable

    def check(self, where: str) -> None:
        """Refuses `guessing_odds`."""
        if not self.allowed:
            raise Refused(
                "guessing_odds",
                "The numbers could be guessed too easily.",
                where=f"{where}, numbers of {self.length} characters",
                expected=f"at most {self.bearable:,} numbers at a time",
                came=self.arithmetic(),
                remedy="Allocate fewer at a time, or give the product longer numbers.",
            )

    def arithmetic(self) -> str:
        """The figures behind the chance, in one line."""
        one_in = f"1 in {self.space // self.numbers:,}" if self.numbers else "none yet"
        return (
            f"{self.numbers:,} numbers share a prefix; the other {self.length - PREFIX_LENGTH} "
            f"characters take 32^{self.length - PREFIX_LENGTH} = {self.space:,} values; "
            f"one guess hits with {self.numbers:,} / {self.space:,} = {one_in} "
            f"(limit 1 in 10,000)"
        )


def odds(numbers: int, *, length: int, prefixes_used: int) -> Odds:
    """The odds after allocating `numbers` more.

    Args:
        numbers: count of an allocation; at most `PREFIX_HOLDS` of them share a prefix.
        length: characters of a number, `SHORTEST` to `LONGEST`.
        prefixes_used: prefixes the product has used before.
    """
    space = len(ALPHABET) ** (length - PREFIX_LENGTH)
    densest = min(numbers, PREFIX_HOLDS)
    bearable = min(PREFIX_HOLDS, (space - 1) // round(1 / GUESS_LIMIT))
    left = (PREFIXES - prefixes_used) * bearable
    return Odds(length, densest, space, densest / space, bearable, left)


def needed(good: int, *, reject_rate: float, specimens: int = 0, confidence: float = 0.95) -> int:
    """How many labels to allocate so that `good` of them turn out good.

    The smallest n for which a binomial count of rejects among n stays at or below
    n - good with the stated confidence (the negative binomial question), plus specimens.

    >>> needed(2000, reject_rate=0.02)
    2052
    """
    if not (good >= 1 and 0 <= reject_rate < 1 and 0 < confidence < 1 and specimens >= 0):
        raise Refused(
            "bad_value",
            "The count advice needs sensible figures.",
            expected="good >= 1, 0 <= reject rate < 1, 0 < confidence < 1, specimens >= 0",
            came=f"{good}, {reject_rate}, {confidence}, {specimens}",
            remedy="Correct the figures.",
        )
    low, high = good, good + 1
    while _enough(high, good, reject_rate) < confidence:
        low, high = high, good + 2 * (high - good)
    if _enough(low, good, reject_rate) >= confidence:
        return low + specimens
    while high - low > 1:
        middle = (low + high) // 2
        if _enough(middle, good, reject_rate) >= confidence:
            high = middle
        else:
            low = middle
    return high + specimens


def _enough(labels: int, good: int, rate: float) -> float:
    """P(at most labels - good rejects among `labels`)."""
    if rate == 0:
        return 1.0
    k = np.arange(0, labels - good + 1, dtype=np.float64)
    steps = np.log(labels - k[:-1]) - np.log(k[1:]) + math.log(rate) - math.log1p(-rate)
    logs = np.concatenate(([labels * math.log1p(-rate)], steps)).cumsum()
    return float(min(1.0, np.exp(logs).sum()))
