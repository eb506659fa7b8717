"""Check vectors of the GS1 engine and the standards, as far as they speak of our elements."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from test_gs1 import label_of

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1
from serialkeeper.rules.gs1 import GS, ElementString

OURS = {"01", "10", "11", "17", "21"}
THIS_YEAR = 2026
FILL = {"01": "09521234567882", "21": "A7", "17": "271130", "10": "LOT24A"}


def rows(standards: Path, name: str) -> list[dict[str, Any]]:
    """The vectors of one file: source, input and expect."""
    read: list[dict[str, Any]] = json.loads(
        (standards / "vectors" / f"{name}.json").read_text("utf-8")
    )
    return read


def pairs(bracketed: str) -> list[tuple[str, str]]:
    """The (identifier, value) pairs of a bracketed text, as the test reads them."""
    found = re.findall(r"(?<!\\)\(([0-9]*)\)((?:\\\(|[^(\\])*)", bracketed)
    return [(ai, value.replace("\\(", "(")) for ai, value in found]


def completed(bracketed: str) -> str:
    """The text with harmless elements for those of a label's four that it lacks."""
    there = {ai for ai, _ in pairs(bracketed)}
    return bracketed + "".join(f"({ai}){v}" for ai, v in FILL.items() if ai not in there)


def test_check_digit_vectors(standards: Path) -> None:
    """Each published key gets its published digit; GTINs go through `parse_gtin`.

    Source: check_digits.json (GS1 TDS, GS1 engine, GS1 EPCIS examples).
    """
    used = gtins = 0
    for row in rows(standards, "check_digits"):
        given, expect = row["input"], row["expect"]
        used += 1
        if "body" in given:
            assert given["body"] + gs1.check_digit(given["body"]) == expect["full"]
            if given["kind"].startswith("GTIN"):
                gtins += 1
                assert gs1.parse_gtin(expect["full"]) == expect["full"].zfill(14)
        else:
            gtins += 1
            assert gs1.check_digit(given["number"][:-1]) == expect["right_digit"]
            with pytest.raises(Refused) as refusal:
                gs1.parse_gtin(given["number"])
            assert refusal.value.word == "bad_gtin"
    assert used >= 14
    assert gtins >= 9


NEEDS_ALL_FOUR = {
    "(10)12345(11)991225",
    "(10)12345\\(11)991225",
    "(10)12345\\(",
    "(21)A7",
    "(10)LOT",
    "(17)271130",
}
"""The engine refuses these because (01) is missing. Our rule is stricter, a label needs all
four, so the text as it stands is refused; with the other three added it is a label."""

DISAGREE: dict[str, str] = {}
"""Bracketed rows where ours differs from the engine, and why: there is none."""


def test_bracketed_vectors(standards: Path) -> None:
    """We take the values that the engine takes, and refuse what it refuses.

    Source: element_strings.json, verdicts of the GS1 Barcode Syntax Engine 1.4.1. Rows with
    other identifiers than 01, 10, 11, 17, 21 are left out; texts that lack one of a label's
    four elements are completed first.
    """
    used = 0
    for row in rows(standards, "element_strings"):
        text = row["input"].get("bracketed", "")
        found = pairs(text)
        if not found or not {ai for ai, _ in found} <= OURS:
            continue
        used += 1
        whole = completed(text)
        try:
            code = label_of(whole)
        except Refused:
            code = None
        if text in NEEDS_ALL_FOUR:
            assert not row["expect"]["full_api_ok"]
            assert code is not None
            with pytest.raises(Refused):
                label_of(text)
        elif text in DISAGREE:
            assert (code is not None) != row["expect"]["full_api_ok"]
        else:
            assert (code is not None) == row["expect"]["full_api_ok"], text
        if code is not None:
            values = code.values()
            assert all(values[ai] == value for ai, value in found if ai in values), text
    assert used >= 26


def test_bracketed_text_without_identifiers_is_refused(standards: Path) -> None:
    """What the engine cannot parse as brackets at all is refused by us, too.

    Source: element_strings.json, rows whose text has no identifier in brackets.
    """
    used = 0
    for row in rows(standards, "element_strings"):
        text = row["input"].get("bracketed")
        if text is None or pairs(text):
            continue
        used += 1
        assert not row["expect"]["full_api_ok"]
        with pytest.raises(Refused):
            label_of(text)
    assert used >= 5


def accepts(text: str) -> dict[str, str] | None:
    """The elements of an element string whose GTIN and dates are right, or None."""
    try:
        found = gs1.elements(ElementString(text))
        if "01" in found:
            gs1.parse_gtin(found["01"])
        for ai in ("11", "17"):
            if ai in found:
                gs1.read_date(found[ai], this_year=THIS_YEAR)
    except Refused:
        return None
    return found


def test_unbracketed_vectors(standards: Path) -> None:
    """Element strings that start with (01), and what is none, get the engine's verdict.

    Source: element_strings.json, rows `^01...` (`^` stands for FNC1) and rows without FNC1.
    """
    used = 0
    for row in rows(standards, "element_strings"):
        text = row["input"].get("unbracketed")
        if text is None or not (text.startswith("^01") or text == ""):
            continue
        used += 1
        found = accepts(text.removeprefix("^").replace("^", GS))
        assert (found is not None) == row["expect"]["full_api_ok"], text
        if found is not None:
            assert list(found.items()) == pairs(row["expect"]["bracketed"]), text
    assert used >= 9


def test_scan_data_of_the_engine_is_what_our_reader_text_is(standards: Path) -> None:
    """Where the engine says what a reader sends, our element string is that text.

    Source: element_strings.json, `scan_data` of accepted rows with our identifiers.
    """
    used = 0
    for row in rows(standards, "element_strings"):
        sent = row["expect"].get("scan_data", "")
        found = pairs(row["input"].get("bracketed", ""))
        if not sent or not {ai for ai, _ in found} <= OURS:
            continue
        used += 1
        assert sent.startswith(gs1.DATAMATRIX_ID)
        read = gs1.elements(ElementString(sent.removeprefix("]d2")))
        assert list(read.items()) == list(dict(found).items())
        four = dict(found)
        if set(four) == set(FILL):
            code = gs1.parse_scanned(sent, this_year=THIS_YEAR)
            assert gs1.scanned(code, tuple(four)) == sent
    assert used >= 8


ANOTHER_SYMBOL = ("]Q1", "]d1", "]C1")
"""The engine reads symbols of every kind; a label of ours is a GS1 DataMatrix only."""


def test_scan_data_vectors(standards: Path) -> None:
    """A reader's texts are taken if, and only if, they come from a GS1 DataMatrix.

    Source: scan_data.json, test_testProcessScanData of the GS1 Barcode Syntax Engine 1.4.1.
    """
    used = datamatrix = 0
    for row in rows(standards, "scan_data"):
        sent, expect = row["input"].get("scan_data"), row["expect"]
        if sent is None:
            continue
        used += 1
        if expect["ok"] and not sent.startswith(ANOTHER_SYMBOL):
            datamatrix += 1
            read = accepts(sent.removeprefix(gs1.DATAMATRIX_ID))
            assert read is not None
            built = "^" + "^".join(ai + value for ai, value in read.items())
            # no separator follows the GTIN, whose length is predefined
            assert built.replace(f"01{read['01']}^", f"01{read['01']}") == expect["message"]
            continue
        with pytest.raises(Refused):
            gs1.parse_scanned(sent, this_year=THIS_YEAR)
    assert used >= 20
    assert datamatrix >= 1


def test_what_the_engine_sends_for_datamatrix(standards: Path) -> None:
    """Messages that the engine turns into reader texts are split as they were put together.

    Source: scan_data.json, test_testGenerateScanData, rows for DataMatrix with FNC1.
    """
    used = 0
    for row in rows(standards, "scan_data"):
        message = row["input"].get("message", "")
        if row["input"].get("symbology") != "DM" or not message.startswith("^"):
            continue
        used += 1
        sent = row["expect"]["scan_data"]
        read = gs1.elements(ElementString(sent.removeprefix("]d2")))
        assert read == {"01": "12312312312333", "10": "ABC123", "99": "TESTING"}
    assert used >= 2
