"""How every step's time grows with the record: one record, filled lot by lot, measured on its way.

    python tests/bench/scale.py                                        # to 1, 10 and 100 million
    python tests/bench/scale.py --labels 1000000,10000000 --json figures.json
    python tests/bench/scale.py --record postgresql://me@host/empty --labels 1000000,10000000

The record is filled by the real steps (allocate, print, take) with lots of a million labels, each
inspected by a camera that finds 1 % faulty. Each time it holds one of the wanted numbers, the
steps are measured on fresh lots of the same size, and by turns in a second record that holds only
the first of these numbers. So two ratios stand beside every time: to the same step at the first
size, taken earlier in the run, and to the same step in the small record, taken in the same
minutes; the second one is what is judged, since it does not change with what else the machine
does. Look-ups, lives and scans ask for labels anywhere in the record.

An SQLite record needs about 130 bytes of disk a label. A PostgreSQL database has to be empty; the
second record then is the database NAME_beside, which is made and dropped. `--go-on` fills a record
of an earlier run further; the first of the wanted numbers is then the small record's only.
"""

from __future__ import annotations

import argparse
import json
import platform
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

import rest
from job import GTIN, LARGEST_LOT, PERSON, Job
from limits import timed
from sqlalchemy import create_engine, make_url, text

import serialkeeper as sk

SIZES = "1000000,10000000,100000000"
MOST_GROWTH, JUDGED = 1.5, ("allocate", "take", "look_up")
"""Most time of a step, as a multiple of the same step in the small record; for these steps."""
MOST_BYTES = 150
"""Most bytes of a label at rest, without the kept results files."""
SHOWS = 3

TITLES = {
    "allocate": "allocate",
    "print": "print write",
    "take": "inspect take",
    "events_json": "events write, JSON-LD",
    "look_up": "one label by GTIN + serial",
    "life": "label show, whole life",
    "scan": "scan of one label",
    "lot_show": "lot show",
    "reconcile": "lot reconcile",
    "lot_list": "lot list",
    "verify": "record verify, with replay",
}
WHOLE_RECORD = ("lot_list", "verify")
"""What goes through the whole record by its nature: told per million labels."""


class Peak:
    """The most memory that a process held since the last look; Linux only."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forget what was."""
        path = Path("/proc/self/clear_refs")
        if path.exists():
            path.write_text("5")

    def megabytes(self) -> float | None:
        """The peak, None where the system does not tell."""
        path = Path("/proc/self/status")
        if not path.exists():
            return None
        (line,) = (line for line in path.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 1024


class Run:
    """A record that is filled and measured, and the figures of one size.

    Attributes:
        job: the record, and the way of one lot through it.
        lots: lots that it has.
        taken: milliseconds of each step, one figure for each repeat.
        peaks: most megabytes of the process in each step.
    """

    def __init__(self, folder: Path, labels: int, url: str = "", *, go_on: bool = False) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.job = Job(folder, labels, url=url, go_on=go_on)
        self.lots = self.job.total() // labels
        self.taken: dict[str, list[float]] = {}
        self.peaks: dict[str, float] = {}

    def fill(self, labels: int) -> None:
        """Whole lots until the record holds this many labels."""
        while self.job.total() < labels:
            self.lot()

    def lot(self, *, measured: bool = False) -> None:
        """One lot from its opening to its events; its files are not kept."""
        job = self.job
        self.lots += 1
        job.lot = f"LOT{self.lots:05}"
        job.open_lot(job.lot)
        for name, step in (
            ("allocate", job.allocate),
            ("print", job.print),
            ("", job.film),
            ("take", job.take),
        ):
            if measured and name:
                self.time(name, step)
            else:
                step()
        if measured:
            self.time("events_json", job.events_json)
            for _ in range(SHOWS):
                self.time("lot_show", lambda: sk.lot.show(job.record, job.lot))
                self.time("reconcile", lambda: sk.lot.reconcile(job.record, job.lot))
        for path in ("job.csv", "job.manifest.json", "results.csv", "events.jsonld"):
            (job.folder / path).unlink(missing_ok=True)

    def time(self, name: str, step: Callable[[], object]) -> None:
        """Measure one call of a step."""
        peak = Peak()
        self.add(name, timed(step))
        self.peaks[name] = max(self.peaks.get(name, 0), peak.megabytes() or 0)

    def add(self, name: str, seconds: float) -> None:
        """One figure of a step."""
        self.taken.setdefault(name, []).append(seconds * 1000)

    def questions(self, seed: int, count: int) -> Iterator[tuple[str, Callable[[], object]]]:
        """Steps on single labels anywhere in the record: look-ups, and lives and scans, which
        take longer, a twentieth as many."""
        job, day = self.job, self.job.expiry.strftime("%y%m%d")
        for _, serial in job.some_labels(count, seed=seed):
            yield "look_up", partial(job.look_up, serial)
        for _, serial in job.some_labels(count // 20, seed=seed + 1):
            yield "life", partial(job.life, serial)
        for lot, serial in job.some_labels(count // 20, seed=seed + 2):
            yield "scan", partial(_scan, job, f"]d201{GTIN}21{serial}\x1d17{day}10{lot}")

    def verify(self) -> None:
        """Verify the whole record in a process that does nothing else."""
        words = [sys.executable, str(Path(__file__).resolve()), "VERIFY", self.job.url]
        done = subprocess.run(words, check=True, stdout=subprocess.PIPE)
        told = json.loads(done.stdout)
        self.add("verify", told["seconds"])
        self.peaks["verify"] = told["peak"] or 0


def _seconds(call: Callable[[], object]) -> float:
    start = perf_counter()
    call()
    return perf_counter() - start


def _scan(job: Job, code: str) -> None:
    (told,) = sk.scan(job.record, code)["codes"]
    if told["known"]["label"] is None:
        raise RuntimeError(f"the record does not know {code!r}")


def verify(url: str) -> None:
    """What `Run.verify` starts: print seconds and peak."""
    with sk.open_record(url, person=PERSON) as record:
        peak = Peak()
        seconds = _seconds(lambda: sk.record.verify(record))
        print(json.dumps({"seconds": seconds, "peak": peak.megabytes()}))


def main() -> int:
    """Fill, measure, print; 1 if a step grows more, or a label weighs more, than it may."""
    given = _arguments()
    with _folder(given.folder) as folder:
        return 0 if all(list(_measured(given, folder))) else 1


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--folder", type=Path, help="an empty folder for an SQLite record")
    place.add_argument("--record", default="", help="URL of an empty database")
    parser.add_argument("--labels", type=_sizes, default=_sizes(SIZES), help=SIZES)
    parser.add_argument("--lot", type=int, default=LARGEST_LOT, help="labels of a lot")
    parser.add_argument("--go-on", action="store_true", help="the record is of an earlier run")
    parser.add_argument("--repeat", type=int, default=3, help="lots measured at each size")
    parser.add_argument("--look-ups", type=int, default=2000, help="look-ups beside each lot")
    parser.add_argument("--json", type=Path, help="file for all figures")
    given = parser.parse_args()
    given.lot = min(given.lot, given.labels[0])
    return given


def _sizes(words: str) -> list[int]:
    sizes = [int(word) for word in words.split(",")]
    if sizes != sorted(set(sizes)) or sizes[0] < 100:
        raise argparse.ArgumentTypeError("give rising numbers of labels, 100 or more")
    return sizes


@contextmanager
def _folder(given: Path | None) -> Iterator[Path]:
    if given:
        yield given
        return
    with tempfile.TemporaryDirectory(prefix="scale-") as name:
        yield Path(name)


def _measured(given: argparse.Namespace, folder: Path) -> Iterator[bool]:
    """Fill and measure; each size's figures are printed and written at once, and whether they
    are within the limits is given."""
    _warm_up(folder / "warm")
    full = Run(folder / "full", given.lot, given.record, go_on=given.go_on)
    sizes = list[dict[str, Any]]()
    facts = {"database": full.job.record.engine.dialect.name, "python": platform.python_version()}
    for labels in given.labels[given.go_on :]:
        start = perf_counter()
        full.fill(labels)
        filled = perf_counter() - start
        full.taken, full.peaks = {}, {}
        size = {"labels": full.job.total(), "filled_seconds": filled}
        size["rest"] = rest.at_rest(full.job)
        with _beside(given, folder, wanted=given.go_on or bool(sizes)) as beside:
            _by_turns(full, beside, given.repeat, given.look_ups)
            size["steps"] = _steps(full, beside, sizes[0]["steps"] if sizes else {})
        size["met"] = _met(size, weighed=not given.record)
        sizes.append(size)
        _print(size)
        if given.json:
            given.json.write_text(json.dumps({**facts, "lot": given.lot, "sizes": sizes}, indent=2))
        yield size["met"]
    full.job.close()


def _warm_up(folder: Path) -> None:
    """A small record, so that no import counts."""
    small = Run(folder, 1000)
    _by_turns(small, None, 1, 20)
    small.job.close()
    shutil.rmtree(folder)


@contextmanager
def _beside(given: argparse.Namespace, folder: Path, *, wanted: bool) -> Iterator[Run | None]:
    """A second record that holds the first of the wanted numbers of labels."""
    if not wanted:
        yield None
        return
    with _place_beside(given.record) as url:
        run = Run(folder / "beside", given.lot, url)
        run.fill(given.labels[0])
        yield run
        run.job.close()
    shutil.rmtree(folder / "beside")


@contextmanager
def _place_beside(url: str) -> Iterator[str]:
    """A URL for a second record; empty for a file in the folder."""
    if not url:
        yield ""
        return
    there = make_url(url).set(drivername="postgresql+psycopg")
    name = f"{there.database}_beside"
    engine = create_engine(there, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f'CREATE DATABASE "{name}" TEMPLATE template0'))
        try:
            yield make_url(url).set(database=name).render_as_string(hide_password=False)
        finally:
            connection.execute(text(f'DROP DATABASE "{name}"'))
    engine.dispose()


def _by_turns(full: Run, beside: Run | None, repeat: int, look_ups: int) -> None:
    """Every step in both records, one after the other, so that both meet the same machine."""
    runs = [run for run in (full, beside) if run]
    for number in range(repeat):
        for run in runs:
            run.lot(measured=True)
        for asked in zip(*(run.questions(10 * number + 1, look_ups) for run in runs), strict=True):
            for run, (name, step) in zip(runs, asked, strict=True):
                run.add(name, _seconds(step))
    for run in runs:
        run.time("lot_list", lambda run=run: sk.lot.list(run.job.record))
        run.verify()


def _steps(full: Run, beside: Run | None, first: dict[str, Any]) -> dict[str, Any]:
    """Every step's figures: times, and how often the same step at the first size, and beside."""
    lot, rows = full.job.labels, {}
    alone = None if beside else 1.0  # one that goes on has not measured the first size
    for name in TITLES:
        taken = full.taken[name]
        here, weight = median(taken), 1.0
        if name in WHOLE_RECORD:
            weight = full.job.total() / (beside.job.total() if beside else full.job.total())
        row: dict[str, Any] = {"ms": here, "samples": taken if len(taken) < 50 else len(taken)}
        if name in ("allocate", "print", "take", "events_json"):
            row["us_per_label"] = here * 1000 / lot
        if name in WHOLE_RECORD:
            row["us_per_label"] = here * 1000 / full.job.total()
            row["of_first"] = row["us_per_label"] / first[name]["us_per_label"] if first else alone
        else:
            row["of_first"] = here / first[name]["ms"] if first else alone
        row["beside_ms"] = median(beside.taken[name]) if beside else here
        row["of_beside"] = here / row["beside_ms"] / weight
        row["peak_mb"] = full.peaks.get(name)
        rows[name] = row
    return rows


def _met(size: dict[str, Any], *, weighed: bool) -> bool:
    """Whether the judged steps, and in a file the bytes of a label, stay within their limits."""
    slow = [name for name in JUDGED if size["steps"][name]["of_beside"] > MOST_GROWTH]
    size["bytes_per_label"] = {kind: size_ / size["labels"] for kind, size_ in size["rest"].items()}
    size["bytes_with_originals"] = sum(size["bytes_per_label"].values())
    size["bytes"] = size["bytes_with_originals"] - size["bytes_per_label"][rest.ORIGINALS]
    return not slow and (size["bytes"] < MOST_BYTES or not weighed)


def _print(size: dict[str, Any]) -> None:
    print(f"\n{size['labels']:,} labels, filled in {size['filled_seconds']:,.0f} s")
    print(f"{'':30}{'time':>12}{'a label':>11}{'x first':>9}{'x beside':>9}{'peak':>9}")
    for name, row in size["steps"].items():
        each = f"{row['us_per_label']:.2f} us" if "us_per_label" in row else ""
        peak = f"{row['peak_mb']:.0f} MB" if row["peak_mb"] else ""
        first = f"{row['of_first']:.2f}" if row["of_first"] else ""
        print(
            f"{TITLES[name]:30}{row['ms']:>9,.1f} ms{each:>11}"
            f"{first:>9}{row['of_beside']:>9.2f}{peak:>9}"
        )
    told = ", ".join(f"{kind} {number:.1f}" for kind, number in size["bytes_per_label"].items())
    print(
        f"bytes a label: {size['bytes']:.1f}, with originals {size['bytes_with_originals']:.1f} "
        f"({told})\nlimits: {'met' if size['met'] else 'NOT MET'}",
        flush=True,
    )


if __name__ == "__main__":
    if sys.argv[1:2] == ["VERIFY"]:
        verify(sys.argv[2])
    else:
        raise SystemExit(main())
