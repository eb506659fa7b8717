"""The words of the pages: one file a language, and nothing else to do for a new one."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from string import Formatter

FIRST = "en"
"""The language of whoever asks for none that is there."""


@dataclass(frozen=True, slots=True)
class Words:
    """The words of one language.

    Attributes:
        language: its tag (BCP 47).
        texts: by section and name, joined by a dot.
        ones: the forms for one thing, of those texts that have one; the first place in them is
            the number that chooses (the plural categories "one" and "other" of CLDR, which is
            all that English and German have).
    """

    language: str
    texts: Mapping[str, str]
    ones: Mapping[str, str]

    @property
    def foreign(self) -> bool:
        """Whether what steps say in English is in another language than the page."""
        return self.language != FIRST

    def of_refusal(self, section: str, word: str) -> str:
        """What a refusal word means (`refused`), or what to do about it (`remedy`); empty in
        English, where the refusal itself says it."""
        return self.texts.get(f"{section}.{word}", "")

    def __call__(self, key: str, **values: object) -> str:
        """The text of that key, with its places filled: whole numbers as on all pages."""
        told = {name: grouped(one) if type(one) is int else one for name, one in values.items()}
        text = self.texts[key]
        if key in self.ones and str(told[first_place(text)]).removeprefix("-") == "1":
            text = self.ones[key]
        return text.format_map(told) if told else text

    def of(self, section: str, word: object) -> str:
        """The text for a word of the record's own, a state say; the word itself if there is
        none."""
        return self.texts.get(f"{section}.{word}", str(word))

    def reason(self, verb: str, word: object) -> str:
        """Why labels left, where the verb has a list of reasons; else the word itself."""
        return self.of(_REASONS.get(verb, ""), word)


_REASONS = {
    **dict.fromkeys(("voided", "numbers returned"), "void_reason"),
    **dict.fromkeys(("decommissioned", "packs decommissioned"), "gone_reason"),
}
"""By verb, or by the state that it leads to: the section that has its reasons."""


def grouped(number: int | None) -> str:
    """A whole number with narrow spaces between its thousands (ISO 80000-1, 7.3.1), which no
    language takes for a decimal sign."""
    return "–" if number is None else f"{number:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def first_place(text: str) -> str:
    """The name of the first place of a text that is filled."""
    return next((name for _, name, _, _ in Formatter().parse(text) if name), "")


@cache
def catalogue() -> Mapping[str, Words]:
    """All languages by their tags, the first one first."""
    folder = files("serialkeeper").joinpath("web", "words")
    names = sorted(one.name for one in folder.iterdir() if one.name.endswith(".toml"))
    tags = sorted((name.removesuffix(".toml") for name in names), key=lambda tag: tag != FIRST)
    return {tag: _words(tag, folder.joinpath(f"{tag}.toml").read_text("utf-8")) for tag in tags}


def _words(tag: str, text: str) -> Words:
    texts, ones = {}, {}
    for section, names in tomllib.loads(text).items():
        for name, said in names.items():
            key = f"{section}.{name}"
            if isinstance(said, str):
                texts[key] = said
            else:
                texts[key], ones[key] = said["other"], said["one"]
    return Words(tag, texts, ones)


def chosen(asked: str, kept: str, accepted: str) -> Words:
    """The words for somebody.

    Args:
        asked: the language that was asked for just now, if any.
        kept: the one that was chosen before, if any.
        accepted: the header Accept-Language.
    """
    there = catalogue()
    tags = [asked, kept, *(tag.partition("-")[0] for tag, _ in preferred(accepted))]
    return there[next((tag for tag in tags if tag in there), FIRST)]


def preferred(header: str) -> list[tuple[str, float]]:
    """The names of an Accept header and their weights, the most wanted first (RFC 9110, 12.4.2)."""
    found = []
    for one in header.lower().split(",")[:50]:
        name, *parameters = (piece.strip() for piece in one.split(";"))
        weight = 1.0
        for parameter in parameters:
            if parameter.startswith("q="):
                try:
                    weight = min(1.0, max(0.0, float(parameter[2:])))
                except ValueError:
                    weight = 0.0
        if name:
            found.append((name, weight))
    return sorted(found, key=lambda one: -one[1])
