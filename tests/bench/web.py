"""What inspection makes of rehearsed webs, held against the truth.

    python tests/bench/web.py                              # 20 seeds x 20,000 labels
    python tests/bench/web.py --seeds 2 --labels 2000      # a short look
    python tests/bench/web.py --faults unreadable=0.01 not_seen=0.002 double=0.002

Every seed is rehearsed for each of what a camera may tell and each way the web may run, taken
into a record of its own, and each label's outcome compared with the truth file:

- `bad`: commissioned though the truth does not call it good. There is none, or the run fails.
- `silent`: another outcome than the truth without a word about it. None either.
- `ambiguous`: named as one of some labels that the readings do not tell apart.
- `by count`: told by counting, and marked so.
- `held`: rejected though good; a person decides. `bound`: labels that were read twice or that
  stand in such a stretch, which is what may be held.
- `sure`: decided by the number itself, the place or the time.
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, date, datetime
from itertools import product
from pathlib import Path
from time import perf_counter

import serialkeeper as sk

GTIN, LOT, LANES = "09521234543213", "LOT24A", 4
TELLS = {
    "positions": ("positions", "lanes", "times"),
    "times": ("lanes", "times"),
    "times, no lanes": ("times",),
    "order": (),
}
WAYS = {
    "forward": {"rolls": 1, "back": ()},
    "reversed": {"rolls": 1, "back": (1,)},
    "two rolls": {"rolls": 2, "back": (2,)},
}
READ_TWICE = {"double", "double_unread", "overlap"}
COLUMNS = ("labels", "right", "bad", "silent", "ambiguous", "by count", "held", "bound")


def main() -> int:
    """Rehearse, take, compare; 1 if a bad label was called good or an outcome differs silently."""
    given = _arguments()
    cases = list(product(TELLS, WAYS, range(1, given.seeds + 1)))
    started = perf_counter()
    table: dict[tuple[str, str], Counter[str]] = {}
    with ProcessPoolExecutor(given.processes) as pool:
        jobs = [(tells, way, seed, given.labels, tuple(given.faults)) for tells, way, seed in cases]
        for (tells, way, _), counts in zip(cases, pool.map(_case, jobs), strict=True):
            table.setdefault((tells, way), Counter()).update(counts)
    _print(table, given)
    print(f"{len(cases)} webs in {perf_counter() - started:.0f} s")
    if given.json:
        rows = [{"tells": t, "way": w, **counts} for (t, w), counts in table.items()]
        given.json.write_text(json.dumps(rows, indent=2) + "\n")
    wrong = sum(counts["bad"] + counts["silent"] for counts in table.values())
    return 1 if wrong else 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--labels", type=int, default=20_000, help="labels of each web")
    parser.add_argument("--seeds", type=int, default=20, help="webs of each kind")
    parser.add_argument(
        "--faults", nargs="+", default=["mixed=0.02"], help="as rehearse takes them"
    )
    parser.add_argument("--processes", type=int, default=2, help="webs at a time")
    parser.add_argument("--json", type=Path, help="file for all figures")
    return parser.parse_args()


def _case(job: tuple[str, str, int, int, tuple[str, ...]]) -> Counter[str]:
    """One web: rehearsed, taken, compared with its truth."""
    tells, way, seed, labels, faults = job
    with tempfile.TemporaryDirectory(prefix="web-") as name:
        folder = Path(name)
        record = sk.init(
            f"sqlite:///{folder / 'record.db'}",
            "Line Lead",
            station="bench",
            now=lambda: datetime(2026, 6, 1, 8, tzinfo=UTC),
            seed=seed,
        )
        sk.product.add(record, GTIN, prefix_length=7, name="Demo tablets 20 mg")
        sk.lot.open(record, GTIN, LOT, expiry=date(2028, 6, 30), target=labels)
        sk.lot.approve(record, LOT)
        sk.serials.allocate(record, LOT, labels)
        sk.print.write(record, LOT, lanes=LANES, out=folder / "job.csv")
        truth = folder / "truth.csv"
        made = sk.inspect.rehearse(
            record,
            LOT,
            out=folder / "results.csv",
            truth=truth,
            seed=seed,
            faults=faults,
            tells=TELLS[tells],
            **WAYS[way],  # type: ignore[arg-type]
        )
        for file in made["files"]:
            sk.inspect.take(record, LOT, Path(file["file"]))
        with truth.open(newline="") as file:
            told = {int(row["position"]): row for row in csv.DictReader(file)}
        counts: Counter[str] = Counter()
        for label in sk.label.list(record, LOT):
            row = told[label["position"]]
            outcome = _outcome(label, row["outcome"])
            counts["labels"] += 1
            counts["bound"] += row["fault"] in READ_TWICE
            counts[outcome] += 1
            if outcome in ("bad", "silent"):
                print(outcome, tells, way, seed, label, row, file=sys.stderr)
        record.close()
        return counts


def _outcome(label: dict[str, object], truth: str) -> str:
    """How one label's outcome stands to the truth."""
    state = label["state"]
    if state == "commissioned":
        return "right" if truth == "commissioned" else "bad"
    if label["ambiguous_with"]:
        return "ambiguous"
    if state == truth:
        return "right"
    if label["evidence"] == "count":
        return "by count"
    return "held" if truth == "commissioned" and state == "rejected" else "silent"


def _print(table: dict[tuple[str, str], Counter[str]], given: argparse.Namespace) -> None:
    print(f"{given.seeds} seeds x {given.labels:,} labels, faults {' '.join(given.faults)}")
    print(f"{'camera tells':<16} {'web':<10}" + "".join(f"{name:>11}" for name in COLUMNS))
    for (tells, way), counts in table.items():
        print(
            f"{tells:<16} {way:<10}"
            + "".join(
                f"{counts[name]:>11,}"
                if name in ("labels", "bad", "silent", "bound")
                else f"{counts[name] / counts['labels']:>11.3%}"
                for name in COLUMNS
            )
        )


if __name__ == "__main__":
    raise SystemExit(main())
