"""What `--help` says of a command beyond its options: why, one example, its exit codes."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import typer
from typer.models import CommandInfo

EXITS = {
    0: "done",
    1: "refused by a rule; nothing changed",
    2: "wrong usage",
    3: "the record failed a check",
    4: "something outside is unavailable, try again",
    5: "done, but findings need a person",
    70: "a fault of ours",
    130: "stopped by Ctrl-C; what was committed stays",
}
"""What exit codes mean, as long as a command does not say more."""

_RARE = (3, 5)
"""Codes that a command has only if its page names them."""


@dataclass(frozen=True, slots=True)
class Page:
    """What is said of a command.

    Attributes:
        why: why somebody types it.
        example: a whole call, without the program's name.
        exits: what its exit codes mean here.
    """

    why: str
    example: str
    exits: dict[int, str]

    def text(self) -> str:
        """Below the options of its help."""
        told = [
            f"{code} {self.exits.get(code, meaning)}"
            for code, meaning in EXITS.items()
            if code not in _RARE or code in self.exits
        ]
        return (
            f"Why: {self.why}\n\nExample: serialkeeper {self.example}\n\n"
            f"Exit codes: {'; '.join(told)}."
        )


@cache
def pages() -> dict[str, Page]:
    """All pages, by the command's words."""
    text = (resources.files("serialkeeper.cli") / "manual.toml").read_text("utf-8")
    return {
        name: Page(
            page["why"],
            page["example"],
            {int(code): said for code, said in page.items() if code.isdigit()},
        )
        for name, page in tomllib.loads(text).items()
    }


def commands(app: typer.Typer) -> dict[str, CommandInfo]:
    """Every command of the tree, by its words."""
    found: dict[str, CommandInfo] = {}
    trees: list[tuple[str, Any]] = [("", app)]
    for group in app.registered_groups:
        trees.append((f"{group.name} ", group.typer_instance))
    for noun, tree in trees:
        for command in tree.registered_commands:
            name = command.name or (
                command.callback.__name__.strip("_") if command.callback else ""
            )
            found[noun + name] = command
    return found


def fit(app: typer.Typer) -> None:
    """Give every command its page."""
    for name, command in commands(app).items():
        command.epilog = pages()[name].text()
