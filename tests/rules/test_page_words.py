"""The words of the pages: the same ones in every language, all of them used, none missing.

Source of language tags: BCP 47; of the order of an Accept header: RFC 9110, 12.4.2 and 12.5.4.
"""

from __future__ import annotations

import re
from pathlib import Path
from string import Formatter

import pytest

import serialkeeper
from serialkeeper.web.wording import FIRST, catalogue, chosen, preferred

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
    beginnings = set(re.findall(r"\bt\(\s*[\"']([\w.]+)[\"']\s*~", text))
    beginnings |= {f"{one}." for one in re.findall(r"t\.of\(\s*[\"'](\w+)[\"']", text)}
    beginnings |= {f"{one}." for one in re.findall(r"state_mark\(\s*[\"'](\w+)[\"']", text)}
    return keys, beginnings


def test_every_language_says_everything_and_nothing_else() -> None:
    """The same keys with the same places; a language that lacks a word would show its key."""
    first = catalogue()[FIRST].texts
    assert len(catalogue()) >= 2
    for tag, words in catalogue().items():
        assert set(words.texts) == set(first), tag
        for key, text in words.texts.items():
            assert text.strip() == text and text, f"{tag} {key}"
            assert places(text) == places(first[key]), f"{tag} {key}"


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
