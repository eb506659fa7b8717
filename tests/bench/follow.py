"""How soon a label is counted while its results file grows, and what that costs.

    python tests/bench/follow.py                          # 2,000 labels a second for a minute
    python tests/bench/follow.py --rate 8000 --labels 200000
    python tests/bench/follow.py --without-positions

A writer in a process of its own appends lines at that rate and notes when; a second process
follows the file with `serialkeeper.inspect.follow` and notes when it has counted them, and when
it raised an alarm. Both clocks are the machine's monotonic one. The delay of a label is the time
from the end of the write that brought its line to its being counted (that is, ready to be shown:
the screen is drawn four times a second, the JSON lines come once a second); the delay of an alarm
is that from its first label's line to its being journalled and told.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from time import monotonic, sleep
from typing import Any

import numpy as np

EVERY = 0.01
"""Seconds between two writes."""


def main() -> None:
    """Run writer and follower, print rate, delays and share of a core."""
    given = _arguments()
    with tempfile.TemporaryDirectory(prefix="follow-") as name:
        figures = measure(Path(name), given.labels, given.rate, placed=not given.without_positions)
    for title, value, unit in _table(figures):
        print(f"{title:34}{value:>12} {unit}")
    if given.json:
        given.json.write_text(json.dumps(figures, indent=2) + "\n")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--labels", type=int, default=120_000, help="labels of the lot")
    parser.add_argument("--rate", type=int, default=2_000, help="labels a second")
    parser.add_argument("--without-positions", action="store_true", help="numbers and lanes only")
    parser.add_argument("--json", type=Path, help="file for all figures")
    return parser.parse_args()


def measure(folder: Path, labels: int, rate: int, *, placed: bool = True) -> dict[str, Any]:
    """One run; gives the figures."""
    from job import Job

    job = Job(folder, labels)
    job.open_lot()
    for step in (job.allocate, job.print, job.rehearse):
        step()
    job.close()
    lines = (folder / "results.csv").read_bytes().splitlines(keepends=True)
    if not placed:
        lines = [lines[0], *(b",," + line.split(b",", 2)[2] for line in lines[1:])]
        (folder / "results.csv").write_bytes(b"".join(lines))
    (folder / "grow.csv").write_bytes(lines[0])
    here = [sys.executable, str(Path(__file__).resolve())]
    follower = subprocess.Popen([*here, "FOLLOW", str(folder), str(len(lines) - 1)])
    while not (folder / "ready").exists():
        sleep(0.05)
        if follower.poll() is not None:
            raise RuntimeError("the follower did not start")
    subprocess.run([*here, "WRITE", str(folder), str(rate)], check=True)
    if follower.wait(600):
        raise RuntimeError("the follower failed")
    return _figures(folder, lines)


def _figures(folder: Path, lines: list[bytes]) -> dict[str, Any]:
    written = np.array(json.loads((folder / "written.json").read_text()))
    told = json.loads((folder / "followed.json").read_text())
    counted = np.array(told["counted"])
    numbers = np.arange(1, len(lines))
    at = written[np.searchsorted(written[:, 1], numbers), 0]
    delay = counted[np.searchsorted(counted[:, 1], numbers), 0] - at
    seconds = float(written[-1, 0] - written[0, 0])
    line_of = {line.split(b",", 1)[0]: number for number, line in enumerate(lines) if number}
    alarms = [
        when - at[line_of[str(first).encode()] - 1]
        for when, kind, first in told["alarms"]
        if kind != "share" and str(first).encode() in line_of
    ]
    return {
        "labels": len(lines) - 1,
        "seconds": seconds,
        "rate": (len(lines) - 1) / seconds,
        "delay_p50": float(np.percentile(delay, 50)),
        "delay_p99": float(np.percentile(delay, 99)),
        "delay_most": float(delay.max()),
        "alarms": len(told["alarms"]),
        "alarm_delay_p99": float(np.percentile(alarms, 99)) if alarms else None,
        "core_share": told["cpu"] / told["wall"],
        "take_in_seconds": told["take_in"],
        "peak_mb": told["peak_mb"],
        "cpus": os.cpu_count(),
    }


def _table(figures: dict[str, Any]) -> list[tuple[str, str, str]]:
    late = figures["alarm_delay_p99"]
    return [
        ("labels", f"{figures['labels']:,}", f"in {figures['seconds']:.1f} s"),
        ("written", f"{figures['rate']:,.0f}", "labels a second"),
        ("delay, half of the labels", f"{figures['delay_p50'] * 1000:.0f}", "ms"),
        ("delay, 99 of 100", f"{figures['delay_p99'] * 1000:.0f}", "ms"),
        ("delay, the latest", f"{figures['delay_most'] * 1000:.0f}", "ms"),
        ("alarms", f"{figures['alarms']:,}", ""),
        ("alarm delay, 99 of 100", "-" if late is None else f"{late * 1000:.0f}", "ms"),
        ("busy", f"{figures['core_share'] * 100:.0f}", f"% of one core of {figures['cpus']}"),
        ("taken in at the end", f"{figures['take_in_seconds']:.1f}", "s"),
        ("peak memory", f"{figures['peak_mb']:.0f}", "MB"),
    ]


def write(folder: Path, rate: int) -> None:
    """Append the lines at that rate, and note how many were there when."""
    lines = (folder / "results.csv").read_bytes().splitlines(keepends=True)[1:]
    notes: list[tuple[float, int]] = []
    done, start = 0, monotonic()
    with (folder / "grow.csv").open("ab", buffering=0) as file:
        while done < len(lines):
            until = min(len(lines), int((monotonic() - start) * rate) + 1)
            if until > done:
                file.write(b"".join(lines[done:until]))
                notes.append((monotonic(), until))
                done = until
            sleep(EVERY)
    (folder / "written.json").write_text(json.dumps(notes))


def follow(folder: Path, labels: int) -> None:
    """Follow the file until all labels were counted, and note when."""
    from job import LOT, PERSON

    import serialkeeper as sk

    class Notes(sk.Onlooker):
        def __init__(self) -> None:
            self.counted: list[tuple[float, int]] = []
            self.alarms: list[tuple[float, str, int]] = []
            self.ended = 0.0

        def saw(self, progress: sk.Progress) -> None:
            (folder / "ready").touch()
            if not self.counted or progress.readings > self.counted[-1][1]:
                self.counted.append((monotonic(), progress.readings))

        def alarm(self, alarm: dict[str, Any]) -> None:
            self.alarms.append((monotonic(), alarm["kind"], alarm["first"]))

        def asked(self) -> str:
            if self.counted and self.counted[-1][1] >= labels:
                self.ended = self.ended or monotonic()
                self.cpu = resource.getrusage(resource.RUSAGE_SELF)
                return "finish"
            return ""

    notes = Notes()
    with sk.open_record(f"sqlite:///{folder / 'record.db'}", person=PERSON) as record:
        before, start = resource.getrusage(resource.RUSAGE_SELF), monotonic()
        sk.inspect.follow(record, LOT, folder / "grow.csv", onlooker=notes)
    used = notes.cpu.ru_utime + notes.cpu.ru_stime - before.ru_utime - before.ru_stime
    told = {
        "counted": notes.counted,
        "alarms": notes.alarms,
        "cpu": used,
        "wall": notes.ended - start,
        "take_in": monotonic() - notes.ended,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }
    (folder / "followed.json").write_text(json.dumps(told))


if __name__ == "__main__":
    if sys.argv[1:2] == ["WRITE"]:
        write(Path(sys.argv[2]), int(sys.argv[3]))
    elif sys.argv[1:2] == ["FOLLOW"]:
        follow(Path(sys.argv[2]), int(sys.argv[3]))
    else:
        main()
