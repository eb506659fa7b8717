"""Texts that people type: nothing unseen in them, and no two names that look alike.

The hostile ones are those of OWASP's lists and of Unicode's security reports (UTS 39, UTR 36),
from memory; the table of look-alikes is a part of theirs, not all of it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from typing import Any

from serialkeeper.errors import Refused

LONGEST = {"station": 120, "reason": 1_000, "note": 1_000}
"""Characters of these texts in an entry."""

MOST_MARKS = 2
"""Marks on one letter, at most; more of them draw over the lines above."""

_RAW = {"text", "scan"}
"""Fields of entries that keep what a device or a file said, byte for byte."""

_UNSEEN = {
    0x34F,
    0x115F,
    0x1160,
    0x17B4,
    0x17B5,
    0x2800,
    0x3164,
    0xFFA0,
    0x180B,
    0x180C,
    0x180D,
    0x180F,
}
_UNSEEN |= {*range(0xFE00, 0xFE10), *range(0xE0100, 0xE01F0)}
"""Signs without a shape that Python calls printable: fillers, joiners, variants, empty braille."""

_ALPHABETS = ("LATIN", "CYRILLIC", "GREEK")
_LOOKS = {
    sign: latin
    for latin, signs in {
        "A": "АΑ", "B": "ВΒ", "C": "СϹ", "E": "ЕΕ", "H": "НΗ", "K": "КΚ", "M": "МΜ", "N": "Ν",
         "P": "РΡ", "S": "Ѕ", "T": "ТΤ", "X": "ХΧ", "Y": "УΥҮ", "Z": "Ζ", "J": "Ј",
        "l": "1I|ІΙӀ", "a": "а", "c": "сϲ", "e": "е", "i": "і", "j": "ј", "k": "кκ", "o": "OОΟ0оοσ",
        "p": "рρ", "s": "ѕ", "v": "νѵ", "u": "υ", "x": "хχ", "y": "уγ", "n": "п", "h": "һ",
        "d": "ԁ", "q": "ԛ", "w": "ԝѡ", "-": "‐‑‒–—−", "'": "’‘ʼ`´",
    }.items()
    for sign in signs
}  # fmt: skip


def unseen(text: str) -> str:
    """The first sign of a text that steers what shows it, or that nobody sees; empty for none.

    >>> unseen("Ada\\u202eAdmin"), unseen("Ada Admin")
    ('U+202E', '')
    """
    if text.isascii() and text.isprintable():
        return ""
    found = (sign for sign in text if not sign.isprintable() or ord(sign) in _UNSEEN)
    return next((f"U+{ord(sign):04X}" for sign in found), "")


def check_entry(said: Mapping[str, Any], station: str, reason: str) -> None:
    """Refuses `bad_value` for an entry in which a text holds what nobody sees.

    Args:
        said: what the entry says; what a device sent is kept as it came.
    """
    for where, text in (("station", station), ("reason", reason)):
        _check(where, text)
    waiting: list[tuple[str, Any]] = list(said.items())
    while waiting:
        where, value = waiting.pop()
        if isinstance(value, str):
            if where not in _RAW:
                _check(where, value)
        elif isinstance(value, Mapping):
            waiting += value.items()
        elif isinstance(value, list | tuple):
            waiting += [(where, one) for one in value if not isinstance(one, int)]


def _check(where: str, text: str) -> None:
    if len(text) > LONGEST.get(where, len(text)):
        raise Refused(
            "bad_value",
            "That is too long to be read.",
            where=where,
            expected=f"{LONGEST[where]:,} characters at most",
            came=f"{len(text):,}",
            remedy="Say it in short, and name the paper that says more.",
        )
    if sign := unseen(text):
        raise Refused(
            "bad_value",
            "A text holds a sign that nobody sees, or that steers a terminal or a page.",
            where=where,
            expected="printable text on one line",
            came=f"{sign} in {text[:80]!a}",
            remedy="Type it again; a file of such a name has to be renamed.",
        )


def fault_of_name(name: str, longest: int) -> str:
    """What is wrong with a name for people and places; empty for nothing."""
    if not 1 <= len(name) <= longest:
        return f"1 to {longest} printable characters"
    if name != " ".join(name.split(" ")).strip() or "  " in name:
        return "single spaces, none around it"
    if sign := unseen(name):
        return f"no {sign}, which nobody sees"
    if name != unicodedata.normalize("NFC", name):
        return "Unicode's composed form (NFC)"
    if any(_marks(name, at) > MOST_MARKS for at in range(len(name))):
        return f"{MOST_MARKS} marks on a letter at most"
    if word := next((one for one in re.split("[ /-]", name) if len(_alphabets(one)) > 1), ""):
        return f"one alphabet in a word, not {' and '.join(sorted(_alphabets(word)))} in {word!a}"
    return ""


def alike(one: str, other: str) -> bool:
    """Whether two names look the same to a hurried reader.

    >>> alike("Ada Admin", "ADA ADMIN"), alike("Al Lead", "AI Lead"), alike("Al Lead", "Ali Lead")
    (True, True, False)
    """
    return one.casefold() == other.casefold() or _shape(one) == _shape(other)


def _shape(name: str) -> str:
    plain = unicodedata.normalize("NFKC", name)
    seen = "".join(_LOOKS.get(sign, sign) for sign in plain)
    return " ".join(seen.split()).replace("rn", "m").replace("vv", "w")


def _marks(name: str, at: int) -> int:
    """How many marks stand in a row from there."""
    count = 0
    while at + count < len(name) and unicodedata.combining(name[at + count]):
        count += 1
    return count


def _alphabets(word: str) -> set[str]:
    first = {unicodedata.name(sign, "").partition(" ")[0] for sign in word if sign.isalpha()}
    return first & set(_ALPHABETS)
