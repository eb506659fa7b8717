"""`guide`: the chapters that come with the program, read as they stand."""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Annotated

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.errors import WrongUsage
from serialkeeper.rules.guesses import meant


@dataclass(frozen=True, slots=True)
class Chapter:
    """One file of the guide.

    Attributes:
        subject: its name, without the ending.
        title: its heading.
        about: the line below the heading.
        text: all of it, Markdown.
    """

    subject: str
    title: str
    about: str
    text: str


@cache
def chapters() -> dict[str, Chapter]:
    """All chapters by subject, in the order of the alphabet."""
    found = {}
    folder = resources.files("serialkeeper") / "guide"
    for file in sorted(folder.iterdir(), key=lambda one: one.name):
        text = file.read_text("utf-8")
        title, _, about = text.split("\n", 3)[:3]
        subject = file.name.removesuffix(".md")
        found[subject] = Chapter(subject, title.removeprefix("# "), about, text)
    return found


def guide(
    subject: Annotated[str, typer.Argument(help="A chapter; without it, all of them.")] = "",
) -> None:
    """List the chapters of the guide, or print one: the reference, without a network."""
    if not subject:
        lines = [f"{one.subject:<10} {one.about}" for one in chapters().values()]
        listed = [_named(one) for one in chapters().values()]
        answer({"chapters": listed}, [*lines, "", "A chapter: serialkeeper guide SUBJECT"])
        return
    chapter = chapters().get(subject.casefold())
    if chapter is None:
        raise WrongUsage(
            "usage",
            "The guide has no such chapter.",
            where="guide",
            expected=f"one of {', '.join(chapters())}",
            came=subject,
            remedy=_with_heading(subject)
            or meant(subject, chapters())
            or "Without a subject it lists all.",
        )
    if call.as_json or not sys.stdout.isatty():
        answer(_named(chapter) | {"text": chapter.text}, [chapter.text.removesuffix("\n")])
        return
    from rich.console import Console
    from rich.markdown import Markdown

    # A link to another chapter leads nowhere in a terminal; its words say which one it is.
    Console().print(Markdown(re.sub(r"\[([^]]+)\]\([^)]+\)", r"\1", chapter.text)))


def _named(one: Chapter) -> dict[str, str]:
    return {"subject": one.subject, "title": one.title, "about": one.about}


def _with_heading(word: str) -> str:
    """Which chapters have the word in a heading, as a remedy; empty for none."""
    found = [
        one.subject
        for one in chapters().values()
        if re.search(rf"^#.*\b{re.escape(word)}\b", one.text, re.MULTILINE | re.IGNORECASE)
    ]
    return f"Look into {' or '.join(found[:3])}." if found else ""
