"""How many alterations of a record are found, by class.

    python tests/bench/tampering.py

The named faults are those of `fixtures/tampering`. Exit 1 if one was not found as its class says.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "job")]

from altering import as_it_should, attacked, kept, people, swept, tried  # noqa: E402
from conftest import approved_lot  # noqa: E402
from databases import Databases  # noqa: E402


def main() -> int:
    """Make two records in files, alter them in every way, and print the table."""
    tries: Counter[tuple[str, str]] = Counter()
    edits: Counter[tuple[str, str]] = Counter()
    wrong: list[str] = []
    places = Databases("sqlite")
    with tempfile.TemporaryDirectory() as name:
        folders = [Path(name) / one for one in ("made", "copy", "people")]
        for folder in folders:
            folder.mkdir()
        with (
            approved_lot(places, folders[0]) as original,
            original.copied(places, folders[1]) as bench,
        ):
            checkpoint = kept(bench)
            with attacked(bench.database) as connection:
                for fault, alone, told in tried(connection, checkpoint):
                    tries[fault.kind, "all"] += 1
                    tries[fault.kind, "alone"] += alone
                    tries[fault.kind, "against"] += fault.kind != "plain" and told is None
                    if not as_it_should(fault, alone, told):
                        wrong.append(fault.name)
                rows = list(swept(connection))
        with people(places, folders[2]) as database, attacked(database) as connection:
            rows += swept(connection)
    for table, edit, outcome in rows:
        edits[edit.split()[0], "all"] += 1
        edits[edit.split()[0], "found"] += outcome == "found"
        if outcome != "found":
            wrong.append(f"{table}: {edit}")
    print(f"{'named faults':<14}{'kinds':>7}{'found alone':>14}{'against a checkpoint':>23}")
    for kind in ("plain", "rehashed", "tail"):
        against = "-" if kind == "plain" else tries[kind, "against"]
        print(f"{kind:<14}{tries[kind, 'all']:>7}{tries[kind, 'alone']:>14}{against:>23}")
    tables = len({table for table, *_ in rows})
    print(f"\n{'every table':<14}{'edits':>7}{'found alone':>14}   ({tables} tables)")
    for edit in ("flip", "delete", "truncate", "insert", "swap"):
        print(f"{edit:<14}{edits[edit, 'all']:>7}{edits[edit, 'found']:>14}")
    for one in wrong:
        print("not as its class says:", one)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
