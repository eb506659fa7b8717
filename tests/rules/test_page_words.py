"""The words of the pages: the same ones in every language, all of them used, none missing.

Source of language tags: BCP 47; of the order of an Accept header: RFC 9110, 12.4.2 and 12.5.4; of
the two forms: Unicode CLDR, plural rules of English and German (from memory: `one` is for the whole
number 1, `other` for all else); of thousands: ISO 80000-1, 7.3.1.
"""

from __future__ import annotations

import re
from pathlib import Path
from string import Formatter

import pytest

import serialkeeper
from serialkeeper.rules import counts, levels, moves, rights
from serialkeeper.web.saying import COMMANDS, OPTIONS
from serialkeeper.web.wording import FIRST, catalogue, chosen, first_place, grouped, preferred

WEB = Path(serialkeeper.__file__).parent / "web"


def places(text: str) -> set[str]:
    """The places in a text that are filled."""
    return {name for _, name, _, _ in Formatter().parse(text) if name}


def asked() -> tuple[set[str], set[str]]:
    """The keys that pages and code name, and the beginnings of those that they put together."""
    text = "\n".join(path.read_text() for path in sorted(WEB.rglob("*.html")))
    code = "\n".join(path.read_text() for path in sorted(WEB.glob("*.py")))
    keys = set(re.findall(r"\bt\(\s*[\"']([\w.]+)[\"']\s*[,)]", text))
    keys |= set(re.findall(r"\"(told\.\w+)\"", code))
    keys |= {*OPTIONS.values(), *filter(None, COMMANDS.values()), "refusal.named", "refusal.typed"}
    beginnings = set(re.findall(r"\bt\(\s*[\"']([\w.]+)[\"']\s*~", text))
    beginnings |= {f"{one}." for one in re.findall(r"t\.of\(\s*[\"'](\w+)[\"']", text)}
    beginnings |= {f"{one}." for one in re.findall(r"state_mark\(\s*[\"'](\w+)[\"']", text)}
    return keys, beginnings


def test_every_language_says_everything_and_nothing_else() -> None:
    """The same keys with the same places; a language that lacks a word would show its key."""
    first = catalogue()[FIRST].texts
    assert len(catalogue()) >= 2
    for tag, words in catalogue().items():
        own = {key for key in words.texts if key.startswith(OWN)} if words.foreign else set()
        assert set(words.texts) - own == set(first), tag
        assert set(words.ones) == set(catalogue()[FIRST].ones), tag
        for key, text in words.texts.items():
            assert text.strip() == text and text, f"{tag} {key}"
            if key.startswith(("sentence.", "own_reason.")):
                assert places(text) <= places(key), f"{tag} {key}"
            else:
                assert places(text) == places(first.get(key, "")), f"{tag} {key}"


OWN = ("refused.", "remedy.", "sentence.", "own_reason.")
"""Sections that English has no need of: there the record speaks for itself."""


def test_one_thing_is_told_otherwise_than_many() -> None:
    """Both forms in every language, chosen by the number that stands first in both; numbers come
    as numbers or as the page wrote them. All whole numbers have their thousands apart."""
    for tag, words in catalogue().items():
        assert words.ones, tag
        for key, one in words.ones.items():
            other = words.texts[key]
            assert one.strip() == one and one != other, f"{tag} {key}"
            assert places(one) == places(other), f"{tag} {key}"
            assert first_place(one) == first_place(other) != "", f"{tag} {key}"
            assert first_place(one) in COUNTING, f"{tag} {key}"
            assert first_place(one) == first_place(catalogue()[FIRST].texts[key]), f"{tag} {key}"
            rest = dict.fromkeys(places(one), "x")
            for number in (1, "1"):
                told = {**rest, first_place(one): number}
                assert words(key, **told) == one.format_map(told), f"{tag} {key}"
            for number in (0, 2, 11, "21", "1\N{NARROW NO-BREAK SPACE}001"):
                told = {**rest, first_place(one): number}
                assert words(key, **told) == other.format_map(told), f"{tag} {key}"
    english, german = catalogue()["en"], catalogue()["de"]
    assert english("lost.some", count=1) == "1 number is not accounted for"
    assert german("lost.some", count=12_345) == f"{grouped(12_345)} Nummern sind ungeklärt"
    assert grouped(1_234_567) == "1\N{NARROW NO-BREAK SPACE}234\N{NARROW NO-BREAK SPACE}567"


def test_every_line_with_a_number_and_a_noun_has_two_forms() -> None:
    """A place for a number with a noun after it is one of a few names: no `1 labels` is left."""
    numbers = r"\{(count|numbers|events|readings|documents|groups|labels|units|value)\} "
    for tag, words in catalogue().items():
        for key, text in words.texts.items():
            plain = key.startswith(("sentence.", "own_reason."))  # the English one says how many
            if re.search(numbers + r"\w", text) and key not in words.ones and not plain:
                assert key in ALIKE, f"{tag} {key}: {text}"


COUNTING = {"count", "documents", "value", "readings", "held"}
"""Places for numbers by which a text has one form or the other."""

ALIKE = {
    "review.critical_count": "an adjective",
    "review.sign": "groups are not named",
    "packs.doubtful": "an adjective",
    "packs.more": "more than 200",
    "told.pack_complete": "a participle",
    "check.more_heads": "more than 200",
    "find.more": "more than 200",
    "lost.more": "more than 100",
}
"""What is said in the same way of one and of many, or never of one."""


@pytest.mark.parametrize(
    ("section", "words"),
    [
        ("verb", set(rights.RIGHTS)),
        ("role", set(moves.ROLES)),
        ("state", set(moves.WORDS)),
        ("void_reason", set(moves.VOIDED)),
        ("gone_reason", set(moves.DECOMMISSION_REASONS)),
        ("level", set(levels.NAMES)),
        ("term", set(counts.TERMS) - set(counts.WITNESSED)),  # these have a form of their own
    ],
)
def test_every_word_of_the_record_has_one_on_the_pages(section: str, words: set[str]) -> None:
    """A word of the record that no section knew would be shown as it is, in English."""
    for tag, said in catalogue().items():
        there = {key.partition(".")[2] for key in said.texts if key.startswith(f"{section}.")}
        assert there == words, (tag, there ^ words)


def test_reasons_are_told_by_what_was_done() -> None:
    """The same word can be another thing: numbers go back to their giver, units come back."""
    german = catalogue()["de"]
    assert german.reason("voided", "waste") == "Ausschuss"
    assert german.reason("numbers returned", "returned").startswith("Dahin zurückgegeben")
    assert german.reason("packs decommissioned", "returned").startswith("Retoure")
    assert german.reason("decommissioned", "left on the lorry") == "left on the lorry"
    assert german.reason("run stopped", "waste") == "waste"


def test_every_word_is_used_and_none_is_missing() -> None:
    """What pages ask for is there; what nobody asks for goes."""
    there = set(catalogue()[FIRST].texts)
    keys, beginnings = asked()
    assert keys <= there, keys - there
    for one in beginnings:
        assert any(key.startswith(one) for key in there), one
    unused = {key for key in there - keys if not key.startswith(tuple(beginnings))}
    assert unused == set()


def test_no_page_says_anything_by_itself() -> None:
    """Between tags stand places and signs, no words: they belong into the catalogues."""
    for path in sorted(WEB.rglob("*.html")):
        text = re.sub(r"{#.*?#}|{%.*?%}|{{.*?}}", " ", path.read_text(), flags=re.S)
        words = re.sub(r"<[^>]*>|\b(serialkeeper|UTC|AI|GTIN|SSCC)\b", " ", text)
        assert not re.search(r"[A-Za-z]{2,}", words), f"{path.name}: {words.split()}"


@pytest.mark.parametrize(
    ("asked", "kept", "accepted", "language"),
    [
        ("", "", "", "en"),
        ("", "", "de-AT,de;q=0.9,en;q=0.5", "de"),
        ("", "", "fr, en;q=0.2, de;q=0.8", "de"),
        ("", "en", "de", "en"),
        ("de", "en", "en", "de"),
        ("xx", "../x", "de;q=x", "de"),
        ("", "", "fr", "en"),
    ],
)
def test_which_language_somebody_gets(asked: str, kept: str, accepted: str, language: str) -> None:
    """What was asked for, else what was chosen before, else what the browser prefers."""
    assert chosen(asked, kept, accepted).language == language


def test_the_order_of_a_header() -> None:
    """By weight, then as they stand."""
    told = preferred("text/html;q=0.4, */*;q=0.1, application/json, text/plain;q=2;x")
    assert [name for name, _ in told] == [
        *("application/json", "text/plain", "text/html", "*/*"),
    ]
