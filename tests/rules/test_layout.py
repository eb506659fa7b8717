"""Layouts: lines that come from the code, one size of symbol a lot, and whether it fits."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules import datamatrix, fit, gs1, layout, readable
from serialkeeper.rules.chain import HOUSE, Entry, LotKey
from serialkeeper.rules.layout import Layout
from serialkeeper.rules.replay import changes

CODE = gs1.LabelCode("09521234543213", "A7K2", date(2028, 6, 30), "L/24")
VALUES = st.text(sorted(gs1.SET_82), min_size=1, max_size=20)

SHOWN = [
    # template, what stands on the label (word and date forms: common practice, no source)
    ("GTIN {gtin}", "GTIN 09521234543213"),
    ("NDC {national}", "NDC 5212-343-21"),
    ("PC {gtin} SN {serial}", "PC 09521234543213 SN A7K2"),
    ("LOT {lot}", "LOT L/24"),
    ("EXP {expiry}", "EXP 2028-06-30"),
    ("EXP {expiry:YYYY-MM-DD}", "EXP 2028-06-30"),
    ("EXP {expiry:YYYY-MMM-DD}", "EXP 2028-JUN-30"),
    ("EXP {expiry:YYYY-MMM}", "EXP 2028-JUN"),
    ("EXP {expiry:MM/YYYY}", "EXP 06/2028"),
    ("EXP {expiry:DD.MM.YY}", "EXP 30.06.28"),
    ("EXP {expiry:YYMMDD}", "EXP 280630"),
]


@pytest.mark.parametrize(("template", "text"), SHOWN, ids=[one for one, _ in SHOWN])
def test_a_line_shows_the_codes_own_values(template: str, text: str) -> None:
    """Each field becomes its value, whatever stands around it."""
    lines = [template] if "{serial}" in template else [template, "{serial}"]
    assert readable.check_lines(lines, "5212-343-21") == tuple(lines)
    assert readable.shown(CODE, [template], "5212-343-21") == (text,)


def test_the_usual_lines_are_those_of_before() -> None:
    """Without a layout the four lines are GTIN, SN, LOT and EXP with the full date."""
    assert layout.DEFAULT.shown(CODE) == (
        "GTIN 09521234543213",
        "SN A7K2",
        "LOT L/24",
        "EXP 2028-06-30",
    )
    assert readable.not_shown(layout.DEFAULT.lines) == ()
    assert readable.not_shown(("NDC {national}", "{serial}")) == ("lot", "expiry")


BAD_LINES = [
    ([], "There are 0 lines"),
    (["{serial}"] * 5, "There are 5 lines"),
    (["SN {serial}", "Keep dry"], "shows nothing of the code"),
    (["SN {serial}", "LOT 24A {lot}"], "digit"),
    (["SN {serial}", "{lot} ٣"], "digit"),
    (["SN {serial}", "{lot} }"], "brace"),
    (["SN {serial}", "{price}"], "does not carry"),
    (["SN {serial}", "AGAIN {serial}"], "twice"),
    (["GTIN {gtin}"], "No line shows the number"),
    (["SN {serial}", "NDC {national}"], "no national number"),
    (["SN {serial:YYYY}"], "Only a date has a form"),
    (["SN {serial}", "EXP {expiry:YYYY}"], "form of a date"),
    (["SN {serial}", "EXP {expiry:MM-MM}"], "form of a date"),
    (["SN {serial}", "EXP {expiry:YYYY-MM-DD-DD}"], "form of a date"),
    (["SN {serial}", "EXP {expiry:YYYYxMM}"], "form of a date"),
    (["SN {serial}|{lot}"], "no line may hold"),
    (["SN {serial}\n"], "no line may hold"),
    (["SN {serial}" + " " * 60], "too long"),
    ([""], "empty"),
    (["SN {serial}", "EXP {lot}"], "says EXP"),
    (["SN {serial}", "Lot {expiry}"], "says Lot"),
    (["SN {serial}{lot}"], "side by side"),
    (["SN {serial}", "½ {lot}"], "digit"),
    (["SN {serial}", "一 {lot}"], "digit"),
]


@pytest.mark.parametrize(("lines", "why"), BAD_LINES, ids=[str(one)[:40] for one, _ in BAD_LINES])
def test_a_line_that_does_not_come_from_the_code_is_refused(lines: list[str], why: str) -> None:
    """Free digits, unknown fields, lines without a value and unclear dates have no place."""
    with pytest.raises(Refused) as refused:
        readable.check_lines(lines, "")
    assert refused.value.word == "layout_invalid"
    assert why in refused.value.message


def test_a_date_without_its_day_has_to_mean_the_last_of_the_month() -> None:
    """A month alone is read as its last day, so another expiry would be told wrong."""
    lines = ("{serial}", "EXP {expiry:MM/YYYY}")
    readable.check_day(lines, date(2028, 2, 29))
    for day in (date(2028, 2, 28), date(2028, 6, 29), date(2028, 7, 1)):
        with pytest.raises(Refused) as refused:
            readable.check_day(lines, day)
        assert refused.value.word == "layout_invalid"
        readable.check_day(("{expiry:DD/MM/YYYY}",), day)


BAD_FILES = [
    ("lines = [", "TOML"),
    ("line = ['{serial}']", "nobody reads"),
    ("[symbol]\nwidth = 3", "nobody reads"),
    ("symbol = 3", "no table"),
    ("lines = 'SN {serial}'", "no list"),
    ("national = 5212", "national number"),
    ("national = '5212|3'", "national number"),
    ("[symbol]\nshape = 'round'", "no such shape"),
    ("[symbol]\nsize = '8x64'", "no such size"),
    ("[symbol]\nsize = 26", "no text"),
    ("[symbol]\nsize = '16x48'\nshape = 'square'", "contradict"),
    ("[symbol]\nx = 0", "out of its range"),
    ("[symbol]\nx = true", "out of its range"),
    ("[symbol]\nx = nan", "out of its range"),
    ("[symbol]\nspace = [1]", "width and height"),
    ("[symbol]\nspace = [1, 'a']", "out of its range"),
    ("[symbol]\nlongest = 21", "no length"),
]


@pytest.mark.parametrize(("text", "why"), BAD_FILES, ids=[one for one, _ in BAD_FILES])
def test_a_layout_file_that_is_not_understood_is_refused(text: str, why: str) -> None:
    """Every key that cannot be used is named; nothing is ignored silently."""
    with pytest.raises(Refused) as refused:
        layout.read_layout(text, "label.toml")
    assert refused.value.word in ("layout_invalid", "bad_value")
    assert why in str(refused.value)


def test_a_layout_is_the_same_after_the_journal() -> None:
    """What is read from the file comes back from the tables unchanged."""
    made = layout.read_layout(
        'lines = ["É {serial}", "EXP {expiry:MM.YYYY}"]\nnational = "5212-343-21"\n'
        '[symbol]\nsize = "16x48"\nx = 0.3\nspace = [16, 8.5]\nlongest = 20\n',
        "label.toml",
    )
    assert (made.shape, made.module, made.space) == ("rectangle", 300, (16_000, 8_500))
    entry = Entry(
        chain=0,
        seq=1,
        verb="layout set",
        at="2026-06-01T08:00:00.000Z",
        offset=0,
        person="L",
        role="administrator",
        second="",
        station="s",
        reason="",
        data={"product_id": 1, "gtin": CODE.gtin, "layout": made.data()},
        parts=(),
    )
    update = changes(entry, HOUSE)[0]
    assert layout.layout_of(update.values["layout"]) == made  # type: ignore[union-attr]
    assert layout.layout_of("") == Layout()


def test_entries_from_before_layouts_replay_with_an_empty_one() -> None:
    """A lot of an older record has no layout in its entries, and is read as the default."""
    common = {
        "at": "2026-06-01T08:00:00.000Z",
        "offset": 0,
        "person": "L",
        "role": "administrator",
        "second": "",
        "station": "s",
        "reason": "",
        "parts": (),
    }
    opened = Entry(chain=2, seq=1, verb="lot opened", data={"number": "L1"}, **common)
    assert changes(opened, LotKey(1, 2))[0].row["layout"] == ""  # type: ignore[union-attr]
    approved = Entry(chain=2, seq=2, verb="lot approved", data={"ai_order": "01"}, **common)
    assert "layout" not in changes(approved, LotKey(1, 2))[0].values  # type: ignore[union-attr]


COUNTED = [
    # lot, longest number, codewords (computed by hand: 1 FNC1, 2 digits a codeword, GS 1), size
    ("1234567", "123456789012", 26, "22x22"),
    ("123456", "1" * 20, 29, "22x22"),
    ("L" * 10, "A" * 20, 46, "32x32"),
    ("L" * 20, "A" * 20, 56, "32x32"),
]


@pytest.mark.parametrize(("lot", "serial", "codewords", "size"), COUNTED)
def test_codewords_are_counted_as_by_hand(lot: str, serial: str, codewords: int, size: str) -> None:
    """(01)(17)(10)(21) in ASCII encodation: 1 + 8 + 4 + 1 + lot + 1 + 1 + number."""
    code = gs1.LabelCode(CODE.gtin, serial, CODE.expiry, lot)
    text = gs1.element_string(code, ("01", "17", "10", "21"))
    assert int(datamatrix.encode([text])[1][0]) == codewords
    found = datamatrix.smallest(codewords, datamatrix.SQUARE)
    assert found is not None and found.name == size


@given(VALUES, VALUES, st.permutations(("01", "21", "17", "10")), st.integers(1, 20))
def test_no_number_needs_more_than_the_longest_code(
    serial: str, lot: str, order: list[str], longest: int
) -> None:
    """The size fixed from the worst case holds every number of so many characters or fewer."""
    most = layout.longest_code(
        Layout(longest=longest), CODE.gtin, lot, CODE.expiry, tuple(order), 12
    )
    code = gs1.LabelCode(CODE.gtin, serial[:longest], CODE.expiry, lot)
    needed = int(datamatrix.encode([gs1.element_string(code, order)])[1][0])
    assert needed <= most
    size = layout.size_of(Layout(), most)
    smaller = [one for one in datamatrix.SIZES if one.shape == "square" and one.data < size.data]
    assert needed <= size.data and all(one.data < most for one in smaller)


def test_a_size_that_is_too_small_for_the_longest_code_is_refused() -> None:
    """A named size and the largest rectangle both have an end."""
    with pytest.raises(Refused) as refused:
        layout.size_of(Layout(size="20x20"), 23)
    assert refused.value.word == "symbol_too_small" and "22x22" in refused.value.remedy
    with pytest.raises(Refused):
        layout.size_of(Layout(shape="rectangle"), 50)
    assert layout.size_of(Layout(shape="rectangle"), 49).name == "16x48"


FITS = [
    # size, X in micrometres, space, fits, in range (arithmetic by hand; table 6: 254 to 495)
    ("22x22", 380, (9_120, 9_120), True, True),  # 24 x 0.38 = 9.12
    ("22x22", 380, (9_119, 9_120), False, True),
    ("22x22", 380, (9_120, 9_119), False, True),
    ("16x48", 254, (12_700, 4_572), True, True),  # 50 x 0.254 = 12.7, 18 x 0.254 = 4.572
    ("26x26", 253, (20_000, 20_000), True, False),
    ("26x26", 496, (20_000, 20_000), True, False),
    ("26x26", 495, (20_000, 20_000), True, True),
    ("26x26", 380, (0, 0), None, True),
]


@pytest.mark.parametrize(("size", "module", "space", "fits", "in_range"), FITS)
def test_the_fit_is_the_arithmetic(
    size: str, module: int, space: tuple[int, int], fits: bool | None, in_range: bool
) -> None:
    """Symbol plus a quiet zone of 1 X on each side against the space; X against table 6."""
    found = fit.check_fit(datamatrix.size_named(size), module, space, 20)
    assert (found["fits"], found["in_range"]) == (fits, in_range)


@given(
    st.integers(5, 60),
    st.integers(2_000, 40_000),
    st.integers(2_000, 40_000),
    st.sampled_from(sorted(fit.SPECIFICATIONS)),
)
def test_what_would_fit_fits(codewords: int, wide: int, high: int, use: str) -> None:
    """Every way that is offered holds the code, fits the space and is allowed."""
    for way in fit.ways(codewords, (wide, high), use):
        size = datamatrix.size_named(way["size"])
        found = fit.check_fit(size, round(way["x_up_to"] * 1000), (wide, high), codewords, use)
        assert found["fits"] and found["in_range"] and size.data >= codewords


def test_the_verifiers_minimum_is_told_in_full() -> None:
    """Grade, aperture, light: 1.5/08/660 in healthcare (GS1 General Specifications, table 6)."""
    assert fit.verifier_minimum(15) == "1.5/08/660"
    assert fit.verifier_minimum(25, "distribution") == "2.5/20/660"
