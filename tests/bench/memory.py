"""Peak memory of every step, and of the demo, each in a process that does nothing else.

This module imports nothing of the package: a process begins with the peak of the one that
started it, so the starter has to be small.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from time import perf_counter
from typing import Any

from plan import MEASURED, needed

FACTOR = 5
PEAK, GROWTH = 500.0, 60.0
"""Most megabytes of a step at the smaller size; most bytes for each label more."""

IN_NO_PROCESS = ("look_up", "rest")

COLUMNS = ("peak", "peak_5x", "growth")
DEMO_COLUMNS = ("time", "peak")


def measure(folder: Path, labels: int, steps: Sequence[str], tells: str) -> list[dict[str, Any]]:
    """Peaks at `labels` and at five times as many."""
    own = [name for name in needed(steps) if name not in IN_NO_PROCESS]
    few = _peaks(folder / "few", labels, own, tells)
    many = _peaks(folder / "many", labels * FACTOR, own, tells)
    return [_row(name, few[name], many[name], labels * (FACTOR - 1)) for name in few]


def _peaks(folder: Path, labels: int, steps: Sequence[str], tells: str) -> dict[str, int]:
    folder.mkdir()
    program = str(Path(__file__).with_name("job.py"))
    peaks = {}
    for name in ("imports", "start", *steps):
        peaks[name] = _child([program, name, str(folder), str(labels), tells])[1]
    shutil.rmtree(folder)
    return peaks


def _row(name: str, few: int, many: int, more: int) -> dict[str, Any]:
    return {
        "name": name,
        "peak": (few / 1e6, "MB"),
        "peak_5x": (many / 1e6, "MB"),
        "growth": ((many - few) / more, "B"),
        "target": [("peak", PEAK, "MB"), ("growth", GROWTH, "B")] if name in MEASURED else [],
    }


def demo(folder: Path, labels: int) -> list[dict[str, Any]]:
    """Time and peak of the demo as a user starts it."""
    words = ["-m", "serialkeeper", "demo", "--labels", str(labels), "--out", str(folder / "demo")]
    seconds, peak = _child(words)
    return [{"name": "demo", "time": (seconds, "s"), "peak": (peak / 1e6, "MB"), "target": []}]


def _child(words: Sequence[str]) -> tuple[float, int]:
    """Seconds and peak bytes (`ru_maxrss`) of a Python process."""
    start = perf_counter()
    process = subprocess.Popen([sys.executable, *words], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    seconds = perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, words)
    unit = 1 if sys.platform == "darwin" else 1024
    return seconds, usage.ru_maxrss * unit
