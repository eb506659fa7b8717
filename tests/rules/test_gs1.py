"""GTINs and the three written forms of a code, against four independent libraries.

python-stdnum knows the check digit, zint lints element values, biip parses element strings,
zxing-cpp writes the symbol and reads it back. None of them is used by `rules.gs1` to build.
"""

from __future__ import annotations

import itertools
import re
from datetime import date

import pytest
import zint
import zxingcpp
from biip.gs1_messages import GS1Message
from hypothesis import example, given, settings
from hypothesis import strategies as st
from stdnum import ean

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1
from serialkeeper.rules.gs1 import GS, LabelCode

THIS_YEAR = 2026
GTIN = "09521234543213"
SET_82 = "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
"""Written out once more: GS1 General Specifications 7.11, 82 signs (FACTS: counted)."""
ORDERS = tuple(itertools.permutations(("01", "21", "17", "10")))

texts = st.text(SET_82, min_size=1, max_size=20)
gtins = st.text("0123456789", min_size=9, max_size=9).map(
    lambda rest: (body := "0952" + rest) + ean.calc_check_digit(body)
)
# Years that are in biip's window whatever the clock of the machine says in our lifetime.
days = st.dates(date(2026, 1, 1), date(2060, 12, 31))
codes = st.builds(LabelCode, gtin=gtins, serial=texts, expiry=days, lot=texts)
orders = st.sampled_from(ORDERS)


def lint(text: str) -> None:
    """Raise RuntimeError unless zint's strict GS1 linter accepts `[01]..[21]..`."""
    symbol = zint.Symbol()
    symbol.symbology = zint.Symbology.DATAMATRIX
    symbol.input_mode = zint.InputMode.GS1
    symbol.warn_level = zint.WarningLevel.FAIL_ALL
    symbol.encode(text)


def label_of(bracketed: str) -> LabelCode:
    """The four facts of a bracketed text."""
    string = gs1.write_elements(gs1.read_bracketed(bracketed))
    return gs1.parse_elements(string, this_year=THIS_YEAR)


def square_brackets(bracketed: str) -> str:
    r"""`(01)` as `[01]`, and `\(` as `(`: zint's form in which a value may hold a bracket."""
    return re.sub(r"(?<!\\)\(([0-9]{2})\)", r"[\1]", bracketed).replace("\\(", "(")


@given(st.text("0123456789", min_size=7, max_size=17))
def test_check_digit_is_that_of_stdnum(body: str) -> None:
    """Every body of a GTIN, GLN or SSCC gets the digit that python-stdnum gives it."""
    assert gs1.check_digit(body) == ean.calc_check_digit(body)


@given(
    st.sampled_from((7, 11, 12, 13)).flatmap(
        lambda n: st.text("0123456789", min_size=n, max_size=n)
    ),
    st.sampled_from("0123456789"),
)
def test_gtin_is_taken_with_the_right_digit_only(body: str, last: str) -> None:
    """A GTIN of each length is read as 14 digits; each other last digit refuses it."""
    right = last == ean.calc_check_digit(body)
    if right and body.strip("0"):
        assert gs1.parse_gtin(body + last) == (body + last).zfill(14)
    else:
        with pytest.raises(Refused) as refusal:
            gs1.parse_gtin(body + last)
        assert refusal.value.word == "bad_gtin"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "9521234000006 ",
        " 9521234000006",
        "952123400001",
        "95212340000060",
        "９521234000006",
        "952123400000x",
        "00000000",
        "00000000000000",
        "952123454321",
    ],
)
def test_what_is_no_gtin_is_refused(text: str) -> None:
    """Spaces, foreign digits, odd lengths and all zeros name no product."""
    with pytest.raises(Refused) as refusal:
        gs1.parse_gtin(text)
    assert refusal.value.word == "bad_gtin"


def test_set_82_is_the_published_one() -> None:
    """The signs allowed in a value are the 82 of the General Specifications, no more."""
    assert set(SET_82) == gs1.SET_82
    assert len(SET_82) == 82


@pytest.mark.parametrize("number", range(0x20, 0x7F))
def test_each_printable_sign_is_judged_as_zint_judges_it(number: int) -> None:
    """zint's linter and ours allow the same printable signs in a serial (zint, set 82)."""
    sign = chr(number)
    try:
        lint(f"[01]{GTIN}[21]A{sign}B")
        allowed = True
    except RuntimeError:
        allowed = False
    if sign == "[":  # zint takes it for an identifier's bracket, so its verdict says nothing
        allowed = False
    try:
        gs1.check_text("serial", f"A{sign}B")
        ours = True
    except Refused:
        ours = False
    assert ours == allowed


def test_values_have_one_to_twenty_signs() -> None:
    """Twenty signs are the most and one the least (GS1 General Specifications 3, X..20)."""
    assert gs1.check_text("lot", "A" * 20) == "A" * 20
    for text in ("", "A" * 21):
        with pytest.raises(Refused) as refusal:
            gs1.check_text("lot", text)
        assert refusal.value.word == "bad_value"


@given(codes, orders)
@settings(deadline=None)
@example(LabelCode(GTIN, "(10)LOT(17)", date(2028, 6, 30), "(01)"), ("10", "21", "01", "17"))
def test_zint_accepts_what_we_build(code: LabelCode, order: tuple[str, ...]) -> None:
    """The strict GS1 linter of zint finds nothing wrong with any code that we write."""
    lint(square_brackets(gs1.bracketed(code, order)))


@pytest.mark.parametrize(
    "wrong",
    [f"[01]{GTIN[:-1]}4[21]A", f"[01]{GTIN}[17]280631", f"[01]{GTIN}[21]A$", f"[01]{GTIN}[10]"],
)
def test_the_linter_can_say_no(wrong: str) -> None:
    """The check above is worth something: zint refuses what is wrong."""
    with pytest.raises(RuntimeError):
        lint(wrong)


@given(codes, orders)
@settings(deadline=None)
def test_biip_reads_what_we_build(code: LabelCode, order: tuple[str, ...]) -> None:
    """biip finds the same four elements in the same order, and no fault in the GTIN."""
    message = GS1Message.parse(gs1.element_string(code, order))
    values = {"01": code.gtin, "21": code.serial, "10": code.lot, "17": f"{code.expiry:%y%m%d}"}
    found = [(element.ai.ai, element.value) for element in message.element_strings]
    assert found == [(ai, values[ai]) for ai in order]
    gtin, expiry = (
        next(e for e in message.element_strings if e.ai.ai == ai) for ai in ("01", "17")
    )
    assert gtin.gtin_error is None
    assert expiry.date == code.expiry


@given(codes, orders)
@settings(deadline=None, max_examples=150)
@example(LabelCode(GTIN, SET_82[:20], date(2028, 6, 30), SET_82[20:40]), ORDERS[0])
@example(LabelCode(GTIN, SET_82[40:60], date(2028, 6, 30), SET_82[60:80]), ORDERS[-1])
@example(LabelCode(GTIN, SET_82[-20:], date(2028, 6, 30), "0012"), ORDERS[7])
def test_a_symbol_reads_back_as_we_say(code: LabelCode, order: tuple[str, ...]) -> None:
    """zxing-cpp writes the bracketed form as a GS1 DataMatrix and its reader gives our text."""
    symbol = zxingcpp.create_barcode(
        gs1.bracketed(code, order), zxingcpp.BarcodeFormat.DataMatrix, gs1=True, forceSquare=True
    )
    read = zxingcpp.read_barcodes(
        symbol.to_image(scale=3), formats=zxingcpp.BarcodeFormat.DataMatrix
    )
    assert [one.symbology_identifier for one in read] == ["]d2"]
    assert read[0].bytes == gs1.element_string(code, order).encode()
    came = read[0].symbology_identifier + read[0].bytes.decode()
    assert came == gs1.scanned(code, order)
    assert gs1.parse_scanned(came, this_year=THIS_YEAR) == code


@given(codes, orders)
@settings(deadline=None)
def test_all_forms_round_trip(code: LabelCode, order: tuple[str, ...]) -> None:
    """What was written is read back: scanned, bracketed, and scanned as it stands in files."""
    scanned, bracketed = gs1.scanned(code, order), gs1.bracketed(code, order)
    assert gs1.parse_scanned(scanned, this_year=THIS_YEAR) == code
    assert label_of(bracketed) == code
    filed = gs1.to_file(scanned)
    assert GS not in filed
    assert filed.isprintable()
    assert gs1.from_file(filed) == scanned


@given(st.text(SET_82 + GS))
def test_separators_survive_files(text: str) -> None:
    """Any run of allowed signs and separators comes back from a file as it was."""
    assert gs1.from_file(gs1.to_file(text)) == text


OUTSIDE = sorted({chr(n) for n in range(0x20, 0x7F)} - set(SET_82)) + list(
    "\t\n\r\x1c\x1eé\u00a0１"
)


@given(codes, orders, st.sampled_from(OUTSIDE), st.sampled_from(("21", "10")), st.integers(0, 19))
@settings(deadline=None, max_examples=300)
@example(LabelCode(GTIN, "A7", date(2028, 6, 30), "L1"), ("01", "10", "17", "21"), " ", "21", 2)
@example(LabelCode(GTIN, "A7", date(2028, 6, 30), "L1"), ("01", "17", "21", "10"), "\n", "10", 2)
def test_a_sign_outside_set_82_is_never_read_over(
    code: LabelCode, order: tuple[str, ...], sign: str, ai: str, at: int
) -> None:
    """A reader's text with a stray sign in a value, also at its very end, is refused.

    Leading zeros and every other sign of a key are significant, so `A7` and `A7 ` are two
    texts, and the second is no GS1 value (General Specifications 7.11).
    """
    values = {"01": code.gtin, "21": code.serial, "17": f"{code.expiry:%y%m%d}", "10": code.lot}
    values[ai] = (values[ai][:at] + sign + values[ai][at:])[:20]
    if sign not in values[ai]:
        values[ai] = values[ai][:-1] + sign
    text = "]d2" + "".join(ai + values[ai] + GS for ai in order).removesuffix(GS)
    with pytest.raises(Refused):
        gs1.parse_scanned(text, this_year=THIS_YEAR)


@pytest.mark.parametrize("lead", [" ", "\t", "\n"])
def test_signs_before_the_first_identifier_are_refused(lead: str) -> None:
    """White space between the symbology identifier and (01) is no part of a GS1 message."""
    text = "]d2" + lead + f"01{GTIN}21A7{GS}1728063010L1"
    with pytest.raises(Refused):
        gs1.parse_scanned(text, this_year=THIS_YEAR)


@pytest.mark.parametrize(
    "text",
    [
        f"01{GTIN}21A7{GS}1728063010L1",  # no symbology identifier
        f"]d101{GTIN}21A7{GS}1728063010L1",  # plain ECC 200
        f"]Q301{GTIN}21A7{GS}1728063010L1",  # GS1 QR
        f"]d201{GTIN}21A71728063010L1",  # lost separator: (17) and (10) are in the serial
        f"]d201{GTIN}21A7{GS}17280630",  # no lot
        f"]d201{GTIN}21A7{GS}10L1",  # no expiry
        f"]d221A7{GS}1728063010L1",  # no GTIN
        f"]d201{GTIN[:-1]}421A7{GS}1728063010L1",  # check digit
        f"]d201{GTIN}21A7{GS}1728063110L1",  # 31 June
        f"]d201{GTIN}21A7{GS}21A8{GS}1728063010L1",  # two different serials
        f"]d201{GTIN}21{'A' * 21}{GS}1728063010L1",  # 21 signs
        "]d2",
        "",
    ],
)
def test_a_scan_that_is_not_the_label_is_refused(text: str) -> None:
    """Wrong symbology, lost separators, missing and doubled elements never make a label."""
    with pytest.raises(Refused) as refusal:
        gs1.parse_scanned(text, this_year=THIS_YEAR)
    assert refusal.value.word in ("bad_value", "bad_gtin")


@pytest.mark.parametrize(
    "text",
    [
        f"(01){GTIN}17280630(21)A7(10)L1",  # (01) holds more than 14 digits
        f"(01){GTIN}(21)A7{GS}17280630(10)L1",  # a raw separator
        f"(17)28063010L1{GS}01{GTIN}(21)A7",
    ],
)
def test_brackets_bound_each_value(text: str) -> None:
    """In the bracketed form an element without its own brackets is a fault, not an element.

    Source: the engine's verdicts `AI (..) value is too long` in element_strings.json.
    """
    with pytest.raises(Refused):
        label_of(text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        GTIN,
        f"(01){GTIN}(21)A(7(17)280630(10)L1",  # a bracket that is not escaped
        f"x(01){GTIN}(21)A7(17)280630(10)L1",
        f"(01){GTIN}(21)A7(17)280630(10)",
        f"(01){GTIN}(21)A7(17)2806(10)L1",
        f"(1){GTIN}(21)A7(17)280630(10)L1",
    ],
)
def test_broken_bracketed_text_is_refused(text: str) -> None:
    """Text that is not bracketed element by element is no code."""
    with pytest.raises(Refused):
        label_of(text)


def test_an_order_names_each_element_once() -> None:
    """A label's element order is one of the 24 permutations, nothing else."""
    assert [gs1.check_order(order) for order in ORDERS] == list(ORDERS)
    for wrong in (
        (),
        ("01", "21", "17"),
        ("01", "21", "17", "10", "10"),
        ("01", "01", "17", "10"),
        ("01", "21", "17", "11"),
    ):
        with pytest.raises(Refused):
            gs1.check_order(wrong)
