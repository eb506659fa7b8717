"""What scanners send, in every way they send it: understood, never mended, faults with a remedy."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from serialkeeper.rules import digital_link, epc, garbled, gs1, scans
from serialkeeper.rules.garbled import CAPS_LOCK, FRENCH, GERMAN, LOST, LotFacts
from serialkeeper.rules.gs1 import GS, LabelCode
from serialkeeper.rules.scans import Reading

THIS_YEAR = 2026
GTIN = "09521234543213"
CODE = LabelCode(GTIN, "A7K2M9Q4XZ", date(2028, 6, 30), "LOT24A")
ELEMENTS = (("01", GTIN), ("21", CODE.serial), ("17", "280630"), ("10", CODE.lot))
PLAIN = gs1.element_string(CODE)
FACTS = LotFacts(GTIN, CODE.lot, CODE.expiry, ("01", "21", "17", "10"))

SET_82 = "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
texts = st.text(SET_82, min_size=1, max_size=20)


def read(text: str) -> Reading:
    return scans.read(text, this_year=THIS_YEAR)


@pytest.mark.parametrize("start", ["]d2", "", "]Q3", "]C1"])
@pytest.mark.parametrize("separator", [GS, *scans.SPELLINGS])
@pytest.mark.parametrize("end", ["", "\r", "\r\n", "\t"])
def test_every_spelling_of_a_whole_code_is_the_same_code(
    start: str, separator: str, end: str
) -> None:
    """Identifier or none, any spelling of the separator, any line end: the same four elements.

    How scanners spell separators: common practice, no source.
    """
    reading = read(start + PLAIN.replace(GS, separator) + end)
    assert reading.form == "element string"
    assert reading.elements == ELEMENTS
    assert reading.faults == ()
    assert reading.symbology == start
    assert [doubt.word for doubt in reading.doubts] == (
        ["scan_doubtful"] if separator == "<GS>" else []
    )


@pytest.mark.parametrize(
    ("text", "form", "elements", "number"),
    [
        (gs1.bracketed(CODE), "bracketed", ELEMENTS, ""),
        (digital_link.write(ELEMENTS), "Digital Link", None, ""),
        (f"https://example.com/x/01/{GTIN}/21/A%2F7?17=280630", "Digital Link", None, ""),
        (epc.sgtin_urn(GTIN, 7, "A/7"), "EPC URN", (("01", GTIN), ("21", "A/7")), ""),
        ("urn:epc:id:sscc:9521234.0000000001", "EPC URN", (("00", "095212340000000013"),), ""),
        ("095212340000000013", "SSCC", (("00", "095212340000000013"),), ""),
        ("00095212340000000013", "element string", (("00", "095212340000000013"),), ""),
        (GTIN, "GTIN", (("01", GTIN),), ""),
        (GTIN[1:], "GTIN", (("01", GTIN),), ""),
        ("]E09521234000006", "GTIN", (("01", "09521234000006"),), ""),
        ("95212340", "GTIN", (("01", "00000095212340"),), ""),
        ("A7K2M9Q4XZ", "number", (), "A7K2M9Q4XZ"),
        ("21A7", "number", (), "21A7"),
        ("A7<GS>", "number", (), "A7<GS>"),
        ("<GS>", "number", (), "<GS>"),
        ("9521234000007", "number", (), "9521234000007"),
        (f"^{PLAIN.replace(GS, '^')}", "element string", ELEMENTS, ""),
        (f"{GS}{PLAIN}", "element string", ELEMENTS, ""),
        (f"]d2{PLAIN}{GS}", "element string", ELEMENTS, ""),
    ],
)
def test_every_form_is_recognised(text: str, form: str, elements: Any, number: str) -> None:
    """Brackets, links, URNs, keys and numbers are told apart, and nothing is wrong with them."""
    reading = read(text)
    assert (reading.form, reading.number, reading.faults) == (form, number, ())
    if elements is not None:
        assert reading.elements == elements


@pytest.mark.parametrize(
    ("text", "word", "where"),
    [
        ("", "bad_value", ""),
        ("\r\n", "bad_value", ""),
        (f"]d201{GTIN[:-1]}421A7", "bad_gtin", "(01) GTIN"),
        (f"]d201{GTIN}21A7{GS}1728063110L1", "bad_value", "(17) USE BY or EXPIRY"),
        (f"]d201{GTIN}21{'A' * 21}", "bad_value", "(21) SERIAL"),
        (f"]d201{GTIN}21A$7", "bad_value", "(21) SERIAL, character 2"),
        (f"]d201{GTIN}1728", "bad_value", "(17) USE BY or EXPIRY"),
        (f"]d201{GTIN}88X", "bad_value", "character 17"),
        ("]d2", "bad_value", ""),
        ("]d221A7", "bad_value", "(21) SERIAL"),
        ("]d210L1", "bad_value", "(10) BATCH/LOT"),
        (f"]d201{GTIN}3712", "bad_value", "(01) GTIN"),
        (f"]d202{GTIN}", "bad_value", "(02) CONTENT"),
        (f"]d201{GTIN}21A{GS}21B", "bad_value", "(21) SERIAL"),
        (f"]d201{GTIN}21A{GS}235B", "bad_value", "(21) SERIAL"),
        ("]d200095212340000000014", "bad_key", "(00) SSCC"),
        ("]d24149521234567890", "bad_key", "(414) LOC No."),
        (f"]d101{GTIN}21A7", "scan_symbology", "symbology identifier"),
        (f"]D201{GTIN}21A7", "scan_symbology", "symbology identifier"),
        (f"(01){GTIN}(21)A(7", "bad_value", "character 24"),
        (f"(01){GTIN}(21)", "bad_value", "(21) SERIAL"),
        (f"(01){GTIN}(1234)5", "bad_value", "(1234)"),
        (f"https://id.gs1.org/01/{GTIN}/21/A/10/B", "bad_value", "path"),
        (f"https://id.gs1.org/01/{GTIN}?21=A", "bad_value", "query, 21"),
        (f"https://id.gs1.org/01/{GTIN}?999=A", "bad_value", "query, 999"),
        (f"https://id.gs1.org/01/{GTIN}/21/%4", "bad_value", "character 41"),
        ("https://id.gs1.org/AQnYUc1gmiERBhQ0ERMhC", "bad_value", "path"),
        ("https://id.gs1.org", "bad_value", ""),
        ("urn:epc:id:sgtin:9521234.054321.A/7", "bad_value", ""),
        ("urn:epc:id:grai:9521234.12345.1", "bad_value", ""),
        ("A7 K2", "bad_value", "character 3"),
        ("A7K2\x00", "bad_value", "character 5"),
        ("A" * 21, "bad_value", ""),
        ("été", "bad_value", "character 1"),
    ],
)
def test_what_is_wrong_has_a_word_a_place_and_a_remedy(text: str, word: str, where: str) -> None:
    """Each kind of bad input is named by what it is and where, with what to do."""
    faults = read(text).faults
    assert faults
    assert (faults[0].word, faults[0].where) == (word, where)
    for fault in faults:
        assert fault.message and fault.expected and fault.remedy


def test_all_faults_are_told_at_once() -> None:
    """A wrong check digit, a day that does not exist and a forbidden sign stand side by side."""
    reading = read(f"]d201{GTIN[:-1]}421A$7{GS}1728063110L1")
    assert [fault.where for fault in reading.faults] == [
        "(21) SERIAL, character 2",
        "(01) GTIN",
        "(17) USE BY or EXPIRY",
    ]
    assert [ai for ai, _ in reading.elements] == ["01", "17", "10"]


def test_a_compressed_link_is_refused_by_name() -> None:
    """It says that it may be a compressed link, and who expands it."""
    fault = read("https://id.gs1.org/AQnYUc1gmiERBhQ0ERMhC").faults[0]
    assert "compressed" in fault.message
    assert "resolver" in fault.remedy


def test_a_lost_separator_that_stays_short_is_a_doubt() -> None:
    """Well formed, but a date and a lot seem to stand in the number."""
    reading = read(f"01{GTIN}21A71728063010L1")
    assert reading.faults == ()
    assert [doubt.word for doubt in reading.doubts] == ["scan_doubtful"]
    assert reading.doubts[0].where == "(21) SERIAL, character 3"


@given(st.text(max_size=60))
@example("](01)")
@example("]d2\x1d\x1d")
@example("urn:epc:id:sscc:952123400000000001.")
@example("https://a/01/" + GTIN + "/21/%FF")
@example("((((01)")
@example("٠١٢٣٤٥٦٧")
@example("²²²²²²²²")
def test_any_text_gets_an_answer(text: str) -> None:
    """Whatever arrives is understood or has faults in our own words; nothing is raised."""
    reading = read(text)
    assert reading.faults or reading.elements or reading.number
    for fault in (*reading.faults, *reading.doubts):
        assert fault.remedy


codes = st.builds(
    LabelCode,
    gtin=st.just(GTIN),
    serial=texts,
    expiry=st.dates(date(2026, 1, 1), date(2060, 12, 31)),
    lot=texts,
)


@given(codes)
@example(LabelCode(GTIN, "A<GS>7", date(2028, 6, 30), "<GS>"))
@example(LabelCode(GTIN, "(10)%2F/", date(2028, 6, 30), "%1D(21)"))
@example(LabelCode(GTIN, SET_82[:20], date(2028, 6, 30), SET_82[20:40]))
@example(LabelCode(GTIN, SET_82[40:60], date(2028, 6, 30), SET_82[62:]))
def test_every_sign_survives_every_form(code: LabelCode) -> None:
    """All 82 signs, brackets, `%`, `/` and the text `<GS>`, in lots and numbers, through element
    string, file form, brackets, Digital Link and URNs, come back as they were."""
    values = code.values()
    elements = tuple((ai, values[ai]) for ai in ("01", "21", "17", "10"))
    for text in (
        gs1.scanned(code),
        gs1.to_file(gs1.scanned(code)),
        gs1.bracketed(code),
    ):
        reading = read(text)
        assert (reading.elements, reading.faults) == (elements, ())
    linked = read(digital_link.write(elements))
    assert dict(linked.elements) == values
    assert epc.read(epc.write(elements, 7)).elements == elements[:2]
    by_lot = (elements[0], elements[3])
    assert epc.read(epc.write(by_lot, 7)).elements == by_lot


@given(codes, st.sampled_from(["^", "␝", "{GS}", "\\x1d", "^]"]))
def test_spelt_separators_change_no_value(code: LabelCode, separator: str) -> None:
    """Every spelling but `<GS>` is made of signs that no value may hold, so none is mistaken."""
    values = code.values()
    reading = read(gs1.scanned(code).replace(GS, separator))
    assert dict(reading.elements) == values
    assert reading.separator == separator
    assert reading.doubts == ()


@given(codes)
def test_lost_separators_are_recognised_by_the_lots_facts(code: LabelCode) -> None:
    """Among the guesses for a code without separators is always the code itself."""
    facts = LotFacts(code.gtin, code.lot, code.expiry, ("01", "21", "17", "10"))
    lost = "]d2" + gs1.element_string(code).replace(GS, "")
    found = [guess.elements for guess in garbled.guesses(lost, [facts], this_year=THIS_YEAR)]
    assert tuple(code.values().items()) in found


def typed(text: str, layout: str) -> str:
    """What a computer with that layout makes of a reader that types as a US keyboard.

    The rows of keys, written out a second time: common practice, no source.
    """
    us = "1234567890-=qwertyuiop[]asdfghjkl;'zxcvbnm,./"
    there = {
        GERMAN: "1234567890ß´qwertzuiopü+asdfghjklöäyxcvbnm,.-",
        FRENCH: "&é\"'(-è_çà)=azertyuiop^$qsdfghjklmùwxcvbn,;:!",
    }[layout]
    upper = {
        GERMAN: dict(zip("QWERTYUIOPASDFGHJKLZXCVBNM", "QWERTZUIOPASDFGHJKLYXCVBNM", strict=True)),
        FRENCH: dict(zip("QWERTYUIOPASDFGHJKLZXCVBNM", "AZERTYUIOPQSDFGHJKLWXCVBN?", strict=True)),
    }[layout]
    keys = dict(zip(us, there, strict=True)) | upper
    return "".join(keys[sign] for sign in text)


@pytest.mark.parametrize("layout", [GERMAN, FRENCH])
def test_other_keyboards_are_recognised(layout: str) -> None:
    """A code typed through another layout, its separators lost on the way, is among the guesses."""
    sent = typed(f"]d2{PLAIN.replace(GS, '')}", layout)
    found = {
        guess.how: guess.elements for guess in garbled.guesses(sent, [FACTS], this_year=THIS_YEAR)
    }
    assert found[(layout, LOST)] == ELEMENTS


def test_caps_lock_is_recognised() -> None:
    """Flipped letters, the identifier's own among them, are turned back in a guess."""
    flipped = gs1.to_file(gs1.scanned(CODE)).swapcase()
    guess = next(garbled.guesses(flipped, [FACTS], this_year=THIS_YEAR))
    assert (guess.how, guess.elements) == ((CAPS_LOCK,), ELEMENTS)
    assert read(flipped).faults


@given(codes)
def test_a_guess_is_never_what_was_read(code: LabelCode) -> None:
    """Reading a spoilt text gives its own parts, never those of the label it came from."""
    lost = gs1.element_string(code).replace(GS, "")
    reading = read(lost)
    assert dict(reading.elements) != code.values()


@given(codes)
def test_evidence_keeps_what_could_be_misprinted(code: LabelCode) -> None:
    """`<GS>`, carets and a missing identifier stay as they are: a symbol may hold them as text."""
    right = gs1.scanned(code)
    assert scans.as_evidence(gs1.to_file(right) + "\r\n") == right
    for wrong in (right.replace(GS, "<GS>"), right.replace(GS, "^"), right[3:]):
        assert scans.as_evidence(wrong) == wrong != right


DIFFER = {
    "]Q1^TESTING": "a caret is a separator to us, and no value is left over",
    "]Q1\\^TESTING": "the same",
    "]d1^TESTING": "the same",
    "]d1\\^TESTING": "the same",
    "]Q1HtTps://example.com/01/12312312312333?99=TEST": "the engine takes it as plain text; its "
    "own link reader refuses a scheme in mixed case, as we do (digital_link.json)",
    "ABC": "the engine needs a symbology identifier; without one it may be a number",
}
"""Where our verdict is another than the engine's, and why."""


def test_scan_data_in_full(standards: Path) -> None:
    """What the engine says a reader sends, we read; where we differ, the reason stands above.

    Source: scan_data.json (GS1 Barcode Syntax Engine 1.4.1).
    """
    rows = json.loads((standards / "vectors" / "scan_data.json").read_text("utf-8"))
    assert len(rows) == 29
    differ = []
    for row in rows:
        given, expect = row["input"], row["expect"]
        sent = given.get("scan_data", expect.get("scan_data"))
        ok = expect.get("ok", True)
        reading = read(sent)
        if reading.well_formed != ok:
            differ.append(sent)
        message = given.get("message") or expect.get("message") or ""
        if message.startswith("^"):
            built = "^" + gs1.write_elements(reading.elements).replace(GS, "^")
            assert built == message.rstrip("^")
    assert set(differ) == set(DIFFER)
