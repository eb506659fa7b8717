"""Element strings of every identifier we know, in bulk and by property, against biip and zint."""

from __future__ import annotations

import random

import pytest
from bench import element_strings
from hypothesis import example, given
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1, identifiers
from serialkeeper.rules.gs1 import GS, ElementString
from serialkeeper.rules.identifiers import TABLE


def test_random_element_strings_agree_with_biip_zint_and_zxing() -> None:
    """12,000 strings, half of them spoilt in one place: no difference in any verdict or value.

    The program `tests/bench/element_strings.py` holds 100,000 (about a minute).
    """
    counted = element_strings.compare(12_000, seed=20)
    assert counted["well formed"] == 6_000
    assert counted["through a symbol"] > 500
    assert counted["spoilt"] > 2_000
    assert counted["spoilt, but right"] > 2_000


@pytest.mark.parametrize("spoil", ["we_accept", "zint_accepts"])
def test_the_comparison_can_fail(spoil: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A judge that accepts everything is noticed at once."""
    monkeypatch.setattr(element_strings, spoil, lambda _: True)
    with pytest.raises(AssertionError):
        element_strings.compare(200, seed=1)


@given(st.integers(0, 2**32))
def test_what_is_written_is_read(seed: int) -> None:
    """Any elements in any order come back from element string and brackets, in that order."""
    pairs = element_strings.elements(random.Random(seed))
    assert gs1.read_elements(gs1.write_elements(pairs)) == pairs
    assert gs1.read_bracketed(gs1.write_bracketed(pairs)) == pairs


@given(st.text(st.sampled_from("012349AB(\x1d"), max_size=40))
@example("10")
@example("\x1d")
@example("01095212345432132110\x1d")
def test_what_is_read_is_written_the_same(text: str) -> None:
    """A text that is read is, but for separators that say nothing, the one that we would write."""
    try:
        pairs = gs1.read_elements(ElementString(text))
    except Refused as refusal:
        assert refusal.word == "bad_value"
        return
    assert gs1.write_elements(pairs).replace(GS, "") == text.replace(GS, "")
    assert gs1.read_elements(gs1.write_elements(pairs)) == pairs


@pytest.mark.parametrize("ai", sorted(TABLE))
def test_one_character_too_many_or_too_few_is_refused(ai: str) -> None:
    """The longest value is taken, a longer one is not, nor one below the least.

    Source of the lengths: GS1 Barcode Syntax Dictionary (`test_vectors_in_full`).
    """
    one = TABLE[ai]
    identifiers.check_form(ai, "1" * one.longest)
    identifiers.check_form(ai, "1" * one.least)
    for wrong in ("1" * (one.longest + 1), "1" * (one.least - 1)):
        with pytest.raises(Refused) as refusal:
            identifiers.check_form(ai, wrong)
        assert refusal.value.where == f"({ai}) {one.title}"


@pytest.mark.parametrize(
    ("text", "companions"),
    [
        ("(21)A", ["(21) SERIAL"]),
        ("(01)09521234543213(21)A", []),
        ("(02)09521234543213(37)5", ["(37) COUNT"]),
        ("(00)095212340000000013(02)09521234543213(37)5", []),
        ("(01)09521234543213(37)5", ["(01) GTIN", "(37) COUNT"]),
        ("(250)B(01)09521234543213", ["(250) SECONDARY SERIAL"]),
        ("(250)B(01)09521234543213(21)A", []),
        ("(710)X", ["(710) NHRN PZN"]),
        ("(254)X", ["(254) GLN EXTENSION COMPONENT"]),
        ("(99)X", []),
    ],
)
def test_companions_and_exclusions(text: str, companions: list[str]) -> None:
    """What an identifier needs or excludes is told under its name.

    Source: GS1 General Specifications 4.13; the engine's verdicts in element_strings.json.
    """
    found = list(identifiers.pair_faults(gs1.read_bracketed(text)))
    assert [fault.where for fault in found] == companions
    for fault in found:
        assert fault.word == "bad_value" and fault.expected and fault.remedy


def test_a_value_that_cannot_be_written_is_refused() -> None:
    """A separator, a foreign sign or an unknown identifier never gets into an element string."""
    for pair in (("21", "A\x1dB"), ("21", "A$"), ("21", ""), ("89", "A"), ("10", "A" * 21)):
        with pytest.raises(Refused):
            gs1.write_elements([pair])
