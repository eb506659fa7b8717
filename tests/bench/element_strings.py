"""Random element strings: ours = biip = zint's strict linter, in bulk.

    python tests/bench/element_strings.py [COUNT] [SEED]

The test run holds 12,000 of them (`tests/rules/test_element_strings.py`); this program 100,000.
Each string has one to six elements of the table, well formed or spoilt in one place:

- well formed: we write it, we and biip read the same pairs back, and zint's linter accepts it;
  every tenth is written as a symbol and read back by zxing-cpp, byte for byte;
- spoilt (a sign, a length, a check digit, a day): we find a fault if, and only if, zint does.

zint judges values only, so what identifiers need or exclude is left out on both sides (the check
vectors hold that). Keys of zeros only are left out: zint takes them, we do not.
"""

from __future__ import annotations

import calendar
import random
import sys
import time
from collections import Counter

import zint
import zxingcpp
from biip.gs1_messages import GS1Message
from stdnum import ean

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1, identifiers
from serialkeeper.rules.identifiers import SET_39, SET_82, TABLE, Elements, Identifier

THIS_YEAR = 2026
SIGNS = {"text": sorted(SET_82), "part": sorted(SET_39)}
AIS = sorted(set(TABLE) - {"717"})
"""zint's list of identifiers is older than (717)."""


def value_of(one: Identifier, chance: random.Random) -> str:
    """A value that the identifier allows, every length and sign as likely as any other."""
    if one.holds in ("gtin", "sscc", "gln"):
        body = "".join(chance.choices("0123456789", k=one.longest - 1))
        return body + str(ean.calc_check_digit(body)) if body.strip("0") else value_of(one, chance)
    if one.holds == "date":
        year, month = chance.randrange(100), chance.randrange(1, 13)
        last = calendar.monthrange(2000 + year, month)[1]
        return f"{year:02d}{month:02d}{chance.randrange(last + 1):02d}"
    if one.holds == "part":  # a company prefix leads it
        return f"{chance.randrange(10_000):04d}" + "".join(chance.choices(SIGNS["part"], k=5))
    length = chance.randint(one.least, one.longest)
    return "".join(chance.choices(SIGNS.get(one.holds, list("0123456789")), k=length))


def spoil(value: str, chance: random.Random) -> str:
    """The value with one thing changed; it may be right all the same."""
    at = chance.randrange(len(value))
    put = chance.choice([*map(chr, range(0x21, 0x7F))])
    while put in "[]\\":  # zint's own brackets and escapes
        put = chr(chance.randrange(0x21, 0x7F))
    return chance.choice(
        [
            value[:at] + put + value[at + 1 :],
            value[:at] + value[at + 1 :],
            value[:at] + put + value[at:],
            value[:at] + str(chance.randrange(10)) + value[at + 1 :],
            value + "0" * chance.randrange(1, 30),
        ]
    )


def elements(chance: random.Random) -> Elements:
    """One to six different identifiers with right values."""
    ais = chance.sample(AIS, chance.randint(1, 6))
    return tuple((ai, value_of(TABLE[ai], chance)) for ai in ais)


def zint_accepts(pairs: Elements) -> bool:
    """The verdict of zint's linter, its warnings counted as errors."""
    symbol = zint.Symbol()
    symbol.symbology = zint.Symbology.DATAMATRIX
    symbol.input_mode = zint.InputMode.GS1
    symbol.warn_level = zint.WarningLevel.FAIL_ALL
    try:
        symbol.encode("".join(f"[{ai}]{value}" for ai, value in pairs))
    except RuntimeError:
        return False
    return True


def through_a_symbol(pairs: Elements) -> str:
    """What zxing-cpp reads from the symbol that it wrote for our bracketed text."""
    symbol = zxingcpp.create_barcode(
        gs1.write_bracketed(pairs), zxingcpp.BarcodeFormat.DataMatrix, gs1=True, forceSquare=True
    )
    (read,) = zxingcpp.read_barcodes(
        symbol.to_image(scale=3), formats=zxingcpp.BarcodeFormat.DataMatrix
    )
    return str(read.symbology_identifier + read.bytes.decode())


def we_accept(pairs: Elements) -> bool:
    """Our verdict on forms and meanings, pairs left out."""
    try:
        for ai, value in pairs:
            identifiers.check_form(ai, value)
            identifiers.check_meaning(ai, value, this_year=THIS_YEAR)
    except Refused:
        return False
    return True


def compare(count: int, seed: int) -> Counter[str]:
    """How many strings were held against the others; raises AssertionError at a difference."""
    chance = random.Random(seed)
    counted: Counter[str] = Counter()
    for number in range(count):
        pairs = elements(chance)
        if number % 2:
            ai, value = pairs[0]
            spoilt = ((ai, spoil(value, chance)), *pairs[1:])
            if not spoilt[0][1].strip("0"):
                continue
            ours = we_accept(spoilt)
            assert ours == zint_accepts(spoilt), spoilt
            counted["spoilt, but right" if ours else "spoilt"] += 1
            continue
        text = gs1.write_elements(pairs)
        assert gs1.read_elements(text) == pairs, text
        assert gs1.read_bracketed(gs1.write_bracketed(pairs)) == pairs
        by_biip = GS1Message.parse(text)
        assert tuple((e.ai.ai, e.value) for e in by_biip.element_strings) == pairs, text
        assert we_accept(pairs), pairs
        assert zint_accepts(pairs), pairs
        counted["well formed"] += 1
        # zint writes no separator after (235), so its symbol says something else
        if number % 20 == 0 and "235" not in dict(pairs[:-1]):
            assert through_a_symbol(pairs) == "]d2" + text
            counted["through a symbol"] += 1
    return counted


def main() -> None:
    """Compare and print how many and how long."""
    count, seed = (int(word) for word in [*sys.argv[1:], "100000", "1"][:2])
    start = time.perf_counter()
    counted = compare(count, seed)
    told = ", ".join(f"{word} {number:,}" for word, number in counted.items())
    print(f"{told}: no difference, {time.perf_counter() - start:.1f} s")


if __name__ == "__main__":
    main()
