"""Hostile input of every kind is tried on a practice record, and counted.

    python tests/bench/attacks.py

The list is that of `tests/job/hostile.py`, which the tests use too. For each kind: how many inputs
were refused, how many did no harm, and how many ended otherwise than the list says; those are named
and the exit code is 1. In the end the record has to verify.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from importlib import import_module
from pathlib import Path
from typing import Any

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "job")]
hostile, conftest, databases = map(import_module, ("hostile", "conftest", "databases"))


def counted(bench: Any, kind: str) -> tuple[Counter[str], list[str]]:
    """What came of the attacks of a kind, and which of them ended otherwise than they should."""
    came: Counter[str] = Counter()
    wrong = []
    for attack in hostile.KINDS[kind]():
        outcome = hostile.outcome(bench, attack)
        if not attack.ends(outcome):
            wrong.append(f"{attack.what}: {outcome}")
            came["otherwise"] += 1
        else:
            came["harmless" if outcome == hostile.HARMLESS else "refused"] += 1
    return came, wrong


def main() -> int:
    """Print the table; gives the exit code."""
    print("| kind | inputs | refused | taken harmlessly | otherwise |")
    print("|---|---|---|---|---|")
    maker = databases.Databases("sqlite")
    total: Counter[str] = Counter()
    told: list[str] = []
    with (
        tempfile.TemporaryDirectory() as folder,
        conftest.approved_lot(maker, Path(folder)) as original,
    ):
        for kind in hostile.KINDS:
            with tempfile.TemporaryDirectory() as own, original.copied(maker, Path(own)) as bench:
                came, wrong = counted(hostile.ready(bench), kind)
                bench.heads()  # still sound
            told += wrong
            total += came
            _row(kind, came)
    _row("all", total)
    sys.stderr.writelines(f"{line}\n" for line in told)
    return 1 if told else 0


def _row(kind: str, came: Counter[str]) -> None:
    counts = [came[name] for name in ("refused", "harmless", "otherwise")]
    print("|", " | ".join([kind, *map(str, [sum(counts), *counts])]), "|")


if __name__ == "__main__":
    sys.exit(main())
