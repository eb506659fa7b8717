"""Our DataMatrix symbols against other code bases: libdmtx, zint (inside zxing-cpp), zxing-cpp.

Sizes: ISO/IEC 16022 table 7, as libdmtx knows it and as the check vectors list it.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st
from symbols import (
    GS,
    attributes,
    dmtx_modules,
    dmtx_read,
    picture,
    zxing_modules,
    zxing_read,
)

from serialkeeper.errors import Refused
from serialkeeper.rules import datamatrix
from serialkeeper.rules.datamatrix import FNC1, SIZES, Size
from serialkeeper.rules.gs1 import SET_82, ElementString

NAMES = [size.name for size in SIZES]
VALUES = st.text(sorted(SET_82), min_size=1, max_size=20)


@pytest.mark.parametrize("size", SIZES, ids=NAMES)
def test_the_table_of_sizes_is_that_of_libdmtx(size: Size) -> None:
    """Every number of a size is the same in libdmtx's own table, in the same order."""
    theirs = attributes(SIZES.index(size))
    assert {name: getattr(size, name) for name in theirs} == theirs


def test_the_table_of_sizes_is_that_of_the_vectors(standards: Path) -> None:
    """All 30 sizes of the check vectors, and no other."""
    vectors = json.loads((standards / "vectors" / "datamatrix_sizes.json").read_text())
    theirs = {
        (
            one["input"]["rows"],
            one["input"]["cols"],
            one["expect"]["data_codewords"],
            one["expect"]["ec_codewords"],
            one["expect"]["interleaved_blocks"],
            *one["expect"]["data_regions"],
        )
        for one in vectors
    }
    ours = {(s.rows, s.columns, s.data, s.check, s.blocks, s.down, s.across) for s in SIZES}
    assert ours == theirs
    assert len(SIZES) == len(vectors) == 30


@pytest.mark.parametrize("size", SIZES, ids=NAMES)
def test_every_size_is_drawn_as_libdmtx_draws_it(size: Size) -> None:
    """Filled to the last codeword: module by module the same; one codeword more is refused."""
    code = ElementString("Q" * (size.data - 1))
    ours = datamatrix.draw([code], size)[0]
    assert (ours == dmtx_modules((GS + code).encode(), size)).all()
    with pytest.raises(Refused) as refused:
        datamatrix.draw([ElementString(code + "Q")], size)
    assert refused.value.word == "symbol_too_small"
    assert f"{size.data + 1} codewords" in refused.value.message


@pytest.mark.parametrize("size", SIZES, ids=NAMES)
def test_every_size_corrects_and_places_as_zint_does(size: Size) -> None:
    """The codewords of a symbol by zint (its denser encodation), drawn by us, give its modules."""
    value = "A7K2M9Q4XZaz"[: max(size.data // 3, 1)]
    text = f"(90){value}" if size.data < 18 else f"(01)09521234567882(21){value}"
    theirs = zxing_modules(text, size)
    read = dmtx_read(picture(theirs))
    assert read is not None
    words = np.array([read[0]], dtype=np.uint8)
    assert (datamatrix.modules(words, size)[0] == theirs).all()


def test_every_symbol_of_the_vectors_has_its_codewords(standards: Path) -> None:
    """datamatrix_symbols.json in full: encodation, sizes, pads and what is no GS1 DataMatrix."""
    vectors = json.loads((standards / "vectors" / "datamatrix_symbols.json").read_text())
    ascii_only, drawn, refused = 0, 0, 0
    for one in vectors:
        told, expect = one["input"], one["expect"]
        size = datamatrix.size_named(expect["size"])
        words = np.array([expect["data_codewords"]], dtype=np.uint8)
        image = picture(datamatrix.modules(words, size)[0])
        first, second = zxing_read(image), dmtx_read(image)
        assert first is not None and second is not None
        assert first.symbology_identifier == expect["symbology_identifier"]
        assert first.bytes == expect["bytes_latin1"].encode("latin-1")
        assert (second[0], second[1]) == (expect["data_codewords"], expect["size"])
        assert (second[0][0] == FNC1) == expect["first_codeword_232"]
        drawn += 1
        code = ElementString(expect["bytes_latin1"])
        if "bracketed" in told and "libdmtx" in told["encoder"]:
            filled = datamatrix.fill(*datamatrix.encode([code]), size)
            assert filled[0].tolist() == expect["data_codewords"]
            pads = size.data - int(datamatrix.encode([code])[1][0])
            assert max(pads - 1, 0) == expect["pad"]  # libdmtx does not count the first one
            ascii_only += 1
        if "raw_bytes_latin1" in told:  # neither is what we would have drawn
            ours = datamatrix.fill(*datamatrix.encode([ElementString(code.strip(GS))]), size)
            assert ours[0].tolist() != expect["data_codewords"]
            assert expect["data_codewords"][0] != FNC1 or 30 in expect["data_codewords"]
            refused += 1
    assert (drawn, ascii_only, refused) == (17, 7, 2)


@pytest.mark.parametrize("size", ["8x48", "8x64", "12x64", "26x40", "9x9", "22", "22x24", ""])
def test_a_size_that_is_no_size_is_refused(size: str) -> None:
    """Rectangular extensions (ISO/IEC 21471) and nonsense are not GS1 DataMatrix."""
    with pytest.raises(Refused) as refused:
        datamatrix.size_named(size)
    assert refused.value.word == "bad_value"


def codes(seed: int, count: int) -> list[str]:
    """Element strings of random lots and numbers, a quarter of them awkward signs only."""
    chance = np.random.default_rng(seed)
    signs = sorted(SET_82)
    awkward = [sign for sign in signs if not sign.isalnum()]
    made = []
    for number in range(count):
        pool = (signs, awkward, list("0123456789"), list("ABC789"))[number % 4]
        serial = "".join(chance.choice(pool, chance.integers(1, 21)))
        lot = "".join(chance.choice(signs, chance.integers(1, 21)))
        made.append(f"010952123454321321{serial}{GS}1728063010{lot}")
    return made


def test_three_thousand_symbols_read_back_in_both_readers() -> None:
    """Random lots and numbers, awkward signs of set 82 among them: each symbol has the size of
    the table, reads as written in zxing-cpp and libdmtx, and holds the codewords we meant: 232
    first and for each separator, no separator as a sign of its own."""
    written = 0
    for shape in datamatrix.SHAPES:
        for code in codes(20260601 + written, 2_700 if shape == datamatrix.SQUARE else 300):
            words, count = datamatrix.encode([ElementString(code)])
            size = datamatrix.smallest(int(count[0]), shape)
            if size is None:
                assert shape == datamatrix.RECTANGLE and count[0] > 49
                size = datamatrix.smallest(int(count[0]), datamatrix.SQUARE)
                assert size is not None
            image = picture(datamatrix.draw([ElementString(code)], size)[0], dots=3)
            first, second = zxing_read(image), dmtx_read(image)
            assert first is not None and second is not None
            assert first.format == zxingcpp.BarcodeFormat.DataMatrix
            assert (first.symbology_identifier, first.bytes.decode()) == ("]d2", code)
            filled = datamatrix.fill(words, count, size)[0].tolist()
            assert second == (filled, size.name, (GS + code).encode())
            assert filled[0] == FNC1 and filled.count(FNC1) >= 2
            assert GS.encode()[0] + 1 not in filled[: int(count[0])]
            written += 1
    assert written == 3_000


@settings(max_examples=200)
@given(st.lists(st.tuples(VALUES, VALUES), min_size=1, max_size=6))
def test_symbols_made_together_are_those_made_alone(values: list[tuple[str, str]]) -> None:
    """Codes of different lengths in one call do not touch each other, and agree with libdmtx."""
    texts = [
        ElementString(f"0109521234543213{'21'}{serial}{GS}1728063010{lot}")
        for serial, lot in values
    ]
    size = datamatrix.size_named("36x36")
    together = datamatrix.draw(texts, size)
    for text, ours in zip(texts, together, strict=True):
        assert (ours == dmtx_modules((GS + text).encode(), size)).all()


def test_an_empty_list_gives_no_symbols() -> None:
    """Nothing in, nothing out."""
    assert datamatrix.draw([], datamatrix.size_named("22x22")).shape == (0, 22, 22)
