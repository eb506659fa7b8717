"""Every step of the main job beside its limit, in fresh records."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

from job import POSITIONS, STEPS, Job
from limits import LIMITS, timed
from plan import needed

TIMES = {
    "allocate": 1.0,
    "print": 8.0,
    "take": 2.0,
    "events_json": 5.0,
    "events_xml": 5.0,
    "verify": 5.0,
    "growth": 1.3,
}
"""Most time of a step, as a multiple of its limit."""
TAKE_UNPLACED = 3.0
"""The same for a take whose readings have to find their labels without positions."""
MILLISECONDS = {"look_up": 1.0}
"""Most time of a step that has no limit beside it."""

LOOK_UPS, LIVES, WARM_UP = 2000, 50, 1000

COLUMNS = ("step", "limit", "ratio")


@dataclass
class Samples:
    """Milliseconds of a step and of its limit, or bytes; one figure for each repeat."""

    unit: str = "ms"
    step: list[float] = field(default_factory=list)
    limit: list[float] = field(default_factory=list)

    def add(self, step: float, limit: float | None = None) -> None:
        """The figures of one repeat."""
        self.step.append(step)
        if limit is not None:
            self.limit.append(limit)


def measure(
    folder: Path, labels: int, repeats: int, stored: int, steps: Sequence[str], tells: str
) -> list[dict[str, Any]]:
    """The rows of the table, in the order of the steps."""
    _repeat(folder, WARM_UP, steps, None, {}, tells)
    full = _fill(folder / "full", stored) if stored else None
    taken: dict[str, Samples] = {}
    for _ in range(repeats):
        alone: dict[str, Samples] = {}
        if full and "allocate" in steps:
            _repeat(folder, labels, ("allocate",), None, alone, tells)
        _repeat(folder, labels, steps, full, taken, tells)
        if alone:
            growth = taken.setdefault("growth", Samples())
            growth.add(taken["allocate"].step[-1], alone["allocate"].step[-1])
    return [_row(name, samples, tells) for name, samples in taken.items()]


def _fill(folder: Path, stored: int) -> Path:
    """A record that holds numbers of other lots, for every repeat to start from."""
    folder.mkdir()
    job = Job(folder, stored)
    job.fill(stored)
    job.close()
    return job.database


def _repeat(
    folder: Path,
    labels: int,
    steps: Sequence[str],
    full: Path | None,
    taken: dict[str, Samples],
    tells: str,
) -> None:
    """One lot from allocation to verification; figures are added to `taken`."""
    with _job(folder / "repeat", labels, full, tells) as job:
        for name in needed(steps):
            if name in LIMITS:
                seconds = timed(lambda step=STEPS[name]: step(job))
                if name in steps:
                    _add(taken, name, seconds * 1000, LIMITS[name](job) * 1000)
            elif name == "look_up":
                _add(taken, name, _each(job.look_up, _serials(job, LOOK_UPS)))
            elif name == "life":
                _add(taken, name, _each(job.life, _serials(job, LIVES)))
            elif name == "rest":
                size, originals = job.at_rest()
                _add(taken, name, size / job.total(), unit="B")
                _add(taken, "rest_bare", (size - originals) / job.total(), unit="B")
            else:
                STEPS[name](job)


def _serials(job: Job, count: int) -> list[str]:
    return [serial for _, serial in job.some_labels(count)]


@contextmanager
def _job(folder: Path, labels: int, full: Path | None, tells: str) -> Iterator[Job]:
    folder.mkdir()
    if full:
        _copy(full, folder / full.name)
    job = Job(folder, labels, tells)
    job.open_lot()
    try:
        yield job
    finally:
        job.close()
        shutil.rmtree(folder)


def _copy(source: Path, target: Path) -> None:
    """A durable copy, so that its writing does not fall into a step's time."""
    shutil.copyfile(source, target)
    with target.open("rb+") as file:
        os.fsync(file.fileno())


def _add(
    taken: dict[str, Samples],
    name: str,
    step: float,
    limit: float | None = None,
    *,
    unit: str = "ms",
) -> None:
    taken.setdefault(name, Samples(unit)).add(step, limit)


def _each(call: Callable[[str], None], values: Sequence[str]) -> float:
    """Median milliseconds of one call."""
    taken = []
    for value in values:
        start = perf_counter()
        call(value)
        taken.append(perf_counter() - start)
    return median(taken) * 1000


def _row(name: str, samples: Samples, tells: str) -> dict[str, Any]:
    ratios = [a / b for a, b in zip(samples.step, samples.limit, strict=False)]
    row: dict[str, Any] = {
        "name": name,
        "step": (median(samples.step), samples.unit),
        "limit": (median(samples.limit), samples.unit) if samples.limit else None,
        "ratio": (median(ratios), "x") if ratios else None,
        "target": [],
        "samples": {"step": samples.step, "limit": samples.limit, "ratio": ratios},
    }
    if name == "take" and tells != POSITIONS:
        row["target"] = [("ratio", TAKE_UNPLACED, "x")]
    elif name in TIMES:
        row["target"] = [("ratio", TIMES[name], "x")]
    elif name in MILLISECONDS:
        row["target"] = [("step", MILLISECONDS[name], "ms")]
    return row
