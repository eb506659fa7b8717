"""Which signs nobody sees, and which names look alike.

The outside source is the Unicode Character Database as Python carries it; the signs that are
ignored by default (DerivedCoreProperties) and the look-alikes (UTS 39) are from memory.
"""

from __future__ import annotations

import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.rules.texts import alike, fault_of_name, unseen

IGNORABLE = (
    (0xAD, 0xAD), (0x34F, 0x34F), (0x61C, 0x61C), (0x115F, 0x1160), (0x17B4, 0x17B5),
    (0x180B, 0x180F), (0x200B, 0x200F), (0x202A, 0x202E), (0x2060, 0x206F), (0x3164, 0x3164),
    (0xFE00, 0xFE0F), (0xFEFF, 0xFEFF), (0xFFA0, 0xFFA0), (0xFFF0, 0xFFF8), (0x1BCA0, 0x1BCA3),
    (0x1D173, 0x1D17A), (0xE0000, 0xE0FFF),
)  # fmt: skip


def test_no_sign_that_nobody_sees_goes_through() -> None:
    """All of Unicode: controls, formats, surrogates, line ends, fillers; and no other letter."""
    ignorable = {sign for first, last in IGNORABLE for sign in range(first, last + 1)}
    for sign in range(sys.maxunicode + 1):
        kind = unicodedata.category(chr(sign))
        if kind in ("Cc", "Cf", "Cs", "Co", "Zl", "Zp") or sign in ignorable:
            assert unseen(f"A{chr(sign)}") == f"U+{sign:04X}"
        elif kind[0] in "LNP" and not unicodedata.decomposition(chr(sign)):
            assert unseen(chr(sign)) == "", hex(sign)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Ada Admin", "ADA ADMIN"),
        ("Al Lead", "AI Lead"),
        ("Line 1", "Line l"),
        ("Oscar", "0scar"),
        ("Modern", "Modem"),
        ("Line-7", "Line\u20137"),
        ("O'Hara", "O\u2019Hara"),
        ("Ada", "\uff21\uff44\uff41"),
        ("ACE", "\u0410\u0421\u0415"),
        ("cope", "\u0441\u043e\u0440\u0435"),
        ("TOP", "\u03a4\u039f\u03a1"),
    ],
)
def test_names_that_look_alike(one: str, other: str) -> None:
    """Each way round."""
    assert alike(one, other) and alike(other, one)


@pytest.mark.parametrize(
    ("one", "other"),
    [("Ada", "Ida"), ("Jos\u00e9", "Jose"), ("Line 1", "Line 7"), ("Al Lead", "Ali Lead")],
)
def test_names_that_do_not(one: str, other: str) -> None:
    """What a reader tells apart is two names."""
    assert not alike(one, other) and not alike(other, one)


@pytest.mark.parametrize(
    "name",
    [
        "Zo\u00eb M\u00fcller-O'Neill", "\u0410\u043d\u043d\u0430 \u041b\u0438\u043d\u0430",
        "\u674e\u5c0f\u660e", "\u03b2-Carotin 20 mg", "\u0905\u0928\u093f\u0924\u093e",
        "\u0639\u0644\u064a", "\ud55c\uae00", "Nguy\u1ec5n V\u0103n A", "Packer 3 (night)",
    ],
)  # fmt: skip
def test_names_of_the_world_are_names(name: str) -> None:
    """Invented names in many scripts."""
    assert fault_of_name(name, 80) == ""


@given(st.text(max_size=30))
def test_a_name_that_is_taken_is_composed_and_seen(name: str) -> None:
    """Whatever comes, what is taken has no second spelling in Unicode's eyes."""
    if not fault_of_name(name, 80):
        assert unicodedata.is_normalized("NFC", name) and name.strip() == name
        assert not unseen(name) and alike(name, name)
