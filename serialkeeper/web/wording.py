"""The words of the pages: one file a language, and nothing else to do for a new one."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

FIRST = "en"
"""The language of whoever asks for none that is there."""


@dataclass(frozen=True, slots=True)
class Words:
    """The words of one language.

    Attributes:
        language: its tag (BCP 47).
        texts: by section and name, joined by a dot.
    """

    language: str
    texts: Mapping[str, str]

    def __call__(self, key: str, **values: object) -> str:
        """The text of that key, with its places filled."""
        text = self.texts[key]
        return text.format_map(values) if values else text

    def of(self, section: str, word: object) -> str:
        """The text for a word of the record's own, a state say; the word itself if there is
        none."""
        return self.texts.get(f"{section}.{word}", str(word))


@cache
def catalogue() -> Mapping[str, Words]:
    """All languages by their tags, the first one first."""
    folder = files("serialkeeper").joinpath("web", "words")
    names = sorted(one.name for one in folder.iterdir() if one.name.endswith(".toml"))
    tags = sorted((name.removesuffix(".toml") for name in names), key=lambda tag: tag != FIRST)
    return {tag: Words(tag, _flat(folder.joinpath(f"{tag}.toml").read_bytes())) for tag in tags}


def _flat(text: bytes) -> dict[str, str]:
    return {
        f"{section}.{name}": words
        for section, names in tomllib.loads(text.decode()).items()
        for name, words in names.items()
    }


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
