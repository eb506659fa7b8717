"""What a pack's label says: the elements that stand on it need each other as the standard says."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from bwipp import verdicts
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.rules.gs1 import write_bracketed
from serialkeeper.rules.keys import check_digit
from serialkeeper.rules.pack_labels import elements_of, in_bars

GTIN = "09521234543213"
CASE = "1952123454321" + check_digit("1952123454321")
LOT = {"lot": "LOT24A", "expiry": "2028-06-30", "units": 8}


def tree(key: str, lots: int, cases: bool) -> dict[str, Any]:
    """A pack with contents of so many lots, its children named cases or units."""
    children = [{"key": f"{CASE}/A"}, {"key": f"{CASE}/B"}] if cases else [{"serial": "A"}] * 8
    return {
        "key": key,
        "gtin": GTIN,
        "units": 8,
        "contents": [LOT] * lots,
        "children": children,
    }


trees = st.builds(
    tree, st.sampled_from(["095212340000000013", f"{CASE}/A7"]), st.integers(0, 2), st.booleans()
)


@given(trees)
def test_elements_stand_only_with_those_that_they_need(one: dict[str, Any]) -> None:
    """(37) only with (00) and (02), (02) only with (37), (10) and (17) only beside a trade item.

    Source: GS1 General Specifications, element string associations (from memory); the next test
    holds the same rules against the dictionary.
    """
    there = {ai for ai, _ in elements_of(one)}
    assert ("37" in there) == ("02" in there) <= ("00" in there)
    assert "10" not in there or there & {"01", "02"}
    assert not {"01", "02"} <= there


@given(trees)
def test_associations_are_those_of_the_dictionary(standards: Path, one: dict[str, Any]) -> None:
    """Every `req` and `ex` of the elements holds. Source: GS1 Barcode Syntax Dictionary."""
    rules = {}
    for line in (standards / "gs1-syntax-dictionary.txt").read_text().splitlines():
        if found := re.match(r"(\d\d)\s.*?((?:\s(?:req|ex)=\S+)*)\s*(?:dlpkey\S*)?\s*#", line):
            rules[found[1]] = re.findall(r"(req|ex)=(\S+)", line)
    there = {ai for ai, _ in elements_of(one)}
    for ai in there:
        for kind, told in rules[ai]:
            ways = [set(way.split("+")) for way in told.split(",")]
            if kind == "ex":
                assert not any(way <= there for way in ways), (ai, told)
            else:
                assert any(way <= there for way in ways), (ai, told)


@given(trees)
def test_bars_hold_every_element_once_and_no_more_than_a_symbol_may(one: dict[str, Any]) -> None:
    """All elements are in some symbol. GS1-128 holds 48 characters at most (ISO/IEC 15417 as GS1
    uses it; from memory)."""
    elements = elements_of(one)
    symbols = in_bars(elements)
    assert sorted(e for some in symbols for e in some) == sorted(elements)
    assert all(sum(len(ai + value) for ai, value in some) <= 48 for some in symbols)


@pytest.mark.parametrize(
    ("key", "lots", "cases", "wanted"),
    [
        ("095212340000000013", 1, False, "00 02 17 10 37"),
        ("095212340000000013", 2, False, "00"),
        (f"{CASE}/A7", 1, False, "01 21 17 10"),
    ],
)
def test_each_kind_of_label(key: str, lots: int, cases: bool, wanted: str) -> None:
    """Pure, mixed, and named by GTIN and number."""
    assert " ".join(ai for ai, _ in elements_of(tree(key, lots, cases))) == wanted


def test_a_pallet_of_named_cases_counts_cases() -> None:
    """(02) is the cases' GTIN and (37) their number, where the pack's children have one."""
    told = dict(elements_of(tree("095212340000000013", 1, True)))
    assert (told["02"], told["37"]) == (CASE, "2")


def test_another_encoder_finds_the_elements_complete() -> None:
    """BWIPP, which knows which elements need which others, takes every kind of label as one symbol
    and refuses each once an element that another one needs is left out, or a foreign one added."""
    kinds = [("095212340000000013", 1, False), ("095212340000000013", 1, True)]
    kinds += [("095212340000000013", 2, False), (f"{CASE}/A7", 1, False)]
    labels = [elements_of(tree(*kind)) for kind in kinds]
    assert verdicts([write_bracketed(label) for label in labels]) == ["fine"] * 4
    pure, named = labels[0], labels[3]
    broken = [tuple(one for one in pure if one[0] != ai) for ai in ("00", "02", "37")]
    broken += [(*named, ("37", "8")), tuple(one for one in named if one[0] != "01")]
    found = verdicts([write_bracketed(label) for label in broken])
    assert all(word.startswith("bwipp.GS1") for word in found), found
