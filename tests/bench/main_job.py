"""How fast the main job is, and how much memory it needs, held against fixed limits.

    python tests/bench/main_job.py                       # a million labels, five repeats
    python tests/bench/main_job.py --stored 20000000     # in a record that is full already
    python tests/bench/main_job.py --memory              # peak memory of every step
    python tests/bench/main_job.py --demo                # the demo as a user starts it
    python tests/bench/main_job.py --keep tests/bench/main_job.json   # README's figures

A limit is what the machine needs for the same bytes without any of our code (`limits.py`);
it is taken right after its step in the same repeat, so read the ratios, not the seconds.
A small job runs first and is not counted, so that no import counts. Records lie in the
system's folder for temporary files (TMPDIR); put it on the disk that you want to know.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sqlite3
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

import memory
from plan import AGAINST, MEASURED, TITLES

Row = dict[str, Any]
TELLS = ("positions", "times", "order")
"""What a results file may tell."""
MACHINE = ("labels", "repeats", "cpus", "python", "sqlite")
"""Facts that are kept beside a figure."""
MET = {True: "yes", False: "NO", None: "-"}


def main() -> None:
    """Measure what is asked for, print the table, write the figures."""
    given = _arguments()
    with tempfile.TemporaryDirectory(prefix="main-job-") as name:
        facts = _machine(Path(name)) | {"labels": given.labels}
        columns, rows = _measure(given, Path(name), facts)
    for row in rows:
        row["met"] = _met(row)
    _print(facts, columns, rows)
    if given.json:
        told = [_plain(row, columns) for row in rows]
        given.json.write_text(json.dumps({**facts, "rows": told}, indent=2) + "\n")
    if given.keep:
        _keep(given.keep, facts, rows)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--labels", type=int, default=1_000_000, help="labels of the lot")
    parser.add_argument("--repeat", type=int, default=5, help="fresh records, one after another")
    parser.add_argument("--stored", type=int, default=0, help="numbers of other lots")
    parser.add_argument("--json", type=Path, help="file for all figures")
    parser.add_argument("--keep", type=Path, help="file of kept figures; these replace the same")
    parser.add_argument("--steps", type=_steps, default=MEASURED, help=",".join(MEASURED))
    parser.add_argument(
        "--tells",
        choices=TELLS,
        default="positions",
        help="what the rehearsed camera tells; without positions the take may take longer",
    )
    mode = parser.add_mutually_exclusive_group()
    mode.add_argument("--memory", action="store_true", help="peak memory, also at 5 x --labels")
    mode.add_argument("--demo", action="store_true", help="the demo as a user starts it")
    given = parser.parse_args()
    if given.labels < 100 or given.repeat < 1 or given.stored < 0:
        parser.error("give at least 100 labels and one repeat")
    if given.keep and (given.memory or given.demo):
        parser.error("only what is held against a limit is kept")
    return given


def _steps(text: str) -> tuple[str, ...]:
    names = text.split(",")
    unknown = [name for name in names if name not in MEASURED]
    if unknown:
        raise argparse.ArgumentTypeError(f"no such step: {', '.join(unknown)}")
    return tuple(step for step in MEASURED if step in names)


def _machine(folder: Path) -> dict[str, Any]:
    """Facts that the figures depend on; `fsync_ms` is the median of 50 small synced writes."""
    taken = []
    with (folder / "sync").open("wb", buffering=0) as file:
        for _ in range(50):
            start = perf_counter()
            file.write(b"x" * 100)
            os.fsync(file.fileno())
            taken.append((perf_counter() - start) * 1000)
    return {
        "fsync_ms": median(taken),
        "cpus": os.cpu_count(),
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
    }


def _measure(
    given: argparse.Namespace, folder: Path, facts: dict[str, Any]
) -> tuple[tuple[str, ...], list[Row]]:
    if given.memory:
        return memory.COLUMNS, memory.measure(folder, given.labels, given.steps, given.tells)
    if given.demo:
        return memory.DEMO_COLUMNS, memory.demo(folder, given.labels)
    import speed  # loads the package, which the memory of a child would begin with

    facts |= {"stored": given.stored, "repeats": given.repeat, "tells": given.tells}
    rows = speed.measure(folder, given.labels, given.repeat, given.stored, given.steps, given.tells)
    return speed.COLUMNS, rows


def _met(row: Row) -> bool | None:
    """Whether every target of a row is met; None where it has none."""
    if not row["target"]:
        return None
    return all(row[column][0] <= most for column, most, _ in row["target"])


def _print(facts: dict[str, Any], columns: tuple[str, ...], rows: list[Row]) -> None:
    print(", ".join(f"{name} {_number(value)}" for name, value in facts.items()))
    lines = [("", *columns, "target", "met")]
    for row in rows:
        cells = [_cell(*row[column]) if row[column] else "-" for column in columns]
        target = ", ".join(_cell(most, unit) for _, most, unit in row["target"]) or "-"
        lines.append((TITLES[row["name"]], *cells, target, MET[row["met"]]))
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    for title, *cells in lines:
        right = (cell.rjust(width) for cell, width in zip(cells, widths[1:], strict=True))
        print("  ".join((title.ljust(widths[0]), *right)))


def _cell(value: float, unit: str) -> str:
    return f"{_number(value)} {unit}"


def _number(value: float | str) -> str:
    """A count in full; a measured figure to three digits."""
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 100 else f"{value:#.3g}".rstrip(".")
    return value


def _plain(row: Row, columns: tuple[str, ...]) -> Row:
    """A row as JSON: every figure under its column's name, with its unit beside it."""
    figures = {column: row[column] and row[column][0] for column in columns}
    units = {column: row[column][1] for column in columns if row[column]}
    targets = {column: most for column, most, _ in row["target"]}
    return {
        "name": row["name"],
        "title": TITLES[row["name"]],
        **figures,
        "units": units,
        "targets": targets,
        "met": row["met"],
        "samples": row.get("samples"),
    }


def _keep(path: Path, facts: dict[str, Any], rows: list[Row]) -> None:
    """Put the figures that have a target into the file, in the place of those of the same step in
    the same case; `tests/readme.py` makes README's table of them."""
    case = {name: facts[name] for name in ("tells", "stored")}
    kept = {_of(one): one for one in json.loads(path.read_text())}
    for row in rows:
        for column, most, unit in row["target"]:
            told = {"name": row["name"], "step": TITLES[row["name"]], "limit": AGAINST[row["name"]]}
            figures = {"measured": row[column][0], "wanted": most, "unit": unit}
            one = told | case | figures | {name: facts[name] for name in MACHINE}
            kept[_of(one)] = one
    path.write_text(json.dumps(sorted(kept.values(), key=_place), indent=2) + "\n")


def _of(one: dict[str, Any]) -> tuple[str, str, int]:
    """Which figure it is: a step in a case."""
    return one["name"], one["tells"], one["stored"]


def _place(one: dict[str, Any]) -> tuple[int, int, int]:
    """Where it stands among the kept ones."""
    return list(AGAINST).index(one["name"]), list(TELLS).index(one["tells"]), one["stored"]


if __name__ == "__main__":
    main()
