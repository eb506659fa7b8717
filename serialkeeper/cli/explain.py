"""`explain`: what a refusal word or an exit code means, where it comes from, who decides."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Annotated

import typer

from serialkeeper.cli.answer import answer
from serialkeeper.cli.manual import EXITS
from serialkeeper.errors import WORDS, WrongUsage
from serialkeeper.rules.guesses import meant


@cache
def texts() -> dict[str, dict[str, str]]:
    """Cause, what to do and who decides, by refusal word."""
    text = (resources.files("serialkeeper.cli") / "explained.toml").read_text("utf-8")
    return tomllib.loads(text)


def explain(
    code: Annotated[
        str, typer.Argument(help="A refusal's word, such as lot_unknown, or an exit code.")
    ],
) -> None:
    """Say what a refusal or an exit code means, what to do about it, and who decides."""
    word = code.strip("[] ").replace("-", "_")
    if word.isascii() and word.isdigit() and int(word) in EXITS:
        told = _of_exit(int(word))
    elif word in WORDS:
        told = {"code": word, "kind": "refusal", "meaning": WORDS[word], **texts()[word]}
    else:
        raise WrongUsage(
            "usage",
            "There is no such refusal word, and no such exit code.",
            where="explain",
            expected=f"a word in square brackets, or one of {', '.join(map(str, EXITS))}",
            came=code,
            remedy=meant(word, WORDS) or "`serialkeeper guide refusals` lists all words.",
        )
    lines = [f"{told['code']}: {told['meaning']}"]
    for name, title in (("cause", "usually"), ("do", "what to do"), ("who", "who decides")):
        lines += [f"  {title}: {told[name]}"] * bool(told[name])
    answer(told, lines)


_EXITS = {
    0: ("", "Go on.", ""),
    1: (
        "A rule of the trade or of this record says no; the message names it in square brackets.",
        "Read what was expected and what came; explain WORD says more of the word.",
        "The word says who.",
    ),
    2: (
        "The command was misspelt, or an option is missing.",
        "NOUN VERB --help has an example.",
        "Whoever types.",
    ),
    3: (
        "Somebody changed the record past this program, or a disk is damaged.",
        "Stop working on it, keep a copy as it is, and do not repair it.",
        "The person in charge of the record, with compliance.",
    ),
    4: (
        "A disk, a server, another process or a receiver does not answer for the moment.",
        "Try again; a script may do so by itself, with growing waits.",
        "Whoever runs what does not answer.",
    ),
    5: (
        "The work is done and written, and it brought something that only a person may decide.",
        "Read the answer; a script calls somebody and does not go on.",
        "Line lead or compliance; the command's --help says what it is about.",
    ),
    70: (
        "A mistake in this program.",
        "Keep what SERIALKEEPER_TRACE=1 prints for the people who maintain it.",
        "The people who maintain the program.",
    ),
    130: (
        "Somebody pressed Ctrl-C.",
        "Type the same command again; it goes on, or begins anew where nothing was committed.",
        "Whoever stopped it.",
    ),
}
"""Cause, what to do and who decides, by exit code."""


def _of_exit(code: int) -> dict[str, str]:
    cause, do, who = _EXITS[code]
    said = {"cause": cause, "do": do, "who": who}
    return {"code": str(code), "kind": "exit code", "meaning": f"{EXITS[code]}.", **said}
