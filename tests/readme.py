"""The parts of README.md that follow from the program: its commands, its guide, its figures.

`python tests/readme.py --write` makes them anew; without the option it says whether they differ.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator
from inspect import cleandoc
from pathlib import Path
from typing import Any

from serialkeeper.cli import guide
from serialkeeper.cli.door import app

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
FIGURES = ROOT / "tests" / "bench" / "main_job.json"

CASES = {"times": "times and lanes only", "order": "nothing but the order"}
"""What a results file tells, where it tells no positions."""


def commands() -> Iterator[str]:
    """A row for each noun, as its `--help` says it."""
    yield "| noun | verbs | |"
    yield "|---|---|---|"
    for command in app.registered_commands:
        told = cleandoc(command.callback.__doc__ or "").split("\n\n")[0]
        yield f"| `{command.name}` | | {' '.join(told.split())} |"
    for group in app.registered_groups:
        tree: Any = group.typer_instance
        verbs = (
            command.name or command.callback.__name__.strip("_")
            for command in tree.registered_commands
        )
        yield f"| `{group.name}` | {', '.join(f'`{verb}`' for verb in verbs)} | {tree.info.help} |"


def chapters() -> Iterator[str]:
    """A row for each chapter of the guide."""
    yield "| chapter | |"
    yield "|---|---|"
    for one in guide.chapters().values():
        yield f"| [`{one.subject}`](serialkeeper/guide/{one.subject}.md) | {one.about} |"


def speed() -> Iterator[str]:
    """A row for each figure that `tests/bench/main_job.py` keeps."""
    kept = json.loads(FIGURES.read_text())
    machines = {
        f"{one['labels']:,} labels on {one['cpus']} shared cores (Python {one['python']}, "
        f"SQLite {one['sqlite']})"
        for one in kept
    }
    repeats = sorted({one["repeats"] for one in kept})
    yield f"Measured by `tests/bench/main_job.py` with {', and with '.join(sorted(machines))},"
    yield f"each figure the median of {' or '.join(map(str, repeats))} runs:"
    yield ""
    yield "| step | limit | measured | wanted |"
    yield "|---|---|---|---|"
    for one in kept:
        step = one["step"]
        if one["tells"] in CASES:
            step += f", the file tells {CASES[one['tells']]}"
        if one["stored"]:
            step += f", {one['stored']:,} numbers stored"
        figures = [f"{one[name]:.3g} {one['unit']}" for name in ("measured", "wanted")]
        yield f"| {step} | {one['limit']} | {figures[0]} | {figures[1]} |"


MADE = {"commands": commands, "guide": chapters, "speed": speed}


def made(text: str) -> str:
    """The text with its made parts as they have to be now."""
    for name, lines in MADE.items():
        begin, end = f"<!-- made by tests/readme.py: {name} -->\n", "<!-- end -->"
        if text.count(begin) != 1:
            raise ValueError(f"README.md has to have one place for {name}: {begin.strip()}")
        block = re.compile(re.escape(begin) + ".*?" + re.escape(end), re.DOTALL)
        new = begin + "\n".join(lines()).replace("|  |", "| |") + "\n" + end
        text = block.sub(lambda _, new=new: new, text)
    return text


if __name__ == "__main__":
    now = README.read_text()
    if "--write" in sys.argv:
        README.write_text(made(now))
    elif made(now) != now:
        sys.exit("README.md differs: python tests/readme.py --write")
