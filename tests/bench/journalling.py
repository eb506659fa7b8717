"""What of a take is the journal's cost: entries made, signed, hashed, linked, and kept with their
parts, held against the whole take.

    python tests/bench/journalling.py [--labels 1000000] [--repeat 5]

The exit code is 1 if the median share is above a tenth. Entries of a take are not signed; signing
one costs a SHA-256 of its few hundred bytes. The kept original is no part of this share: it is the
evidence itself. Each repeat is a fresh record; a small one runs first and is not counted.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

from job import Job

from serialkeeper.store.record import Work

MOST = 0.10
"""The share that journalling may have."""


def main() -> int:
    """Measure, print, judge."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--labels", type=int, default=1_000_000)
    parser.add_argument("--repeat", type=int, default=5)
    given = parser.parse_args()
    share_of(1_000)
    shares = [share_of(given.labels) for _ in range(given.repeat)]
    told = ", ".join(f"{share:.1%}" for share in shares)
    middle = median(shares)
    print(f"journal's share of a take of {given.labels:,} labels: {middle:.1%} ({told})")
    print(f"wanted: at most {MOST:.0%}")
    return int(middle > MOST)


def share_of(labels: int) -> float:
    """The share in one take."""
    with tempfile.TemporaryDirectory(prefix="journalling-") as name:
        job = Job(Path(name), labels)
        job.open_lot()
        job.allocate()
        job.print()
        job.film()
        spent = _Spent()
        with spent:
            start = perf_counter()
            job.take()
            whole = perf_counter() - start
        job.close()
    return spent.seconds / whole


class _Spent:
    """Seconds spent in writing entries, without what they then do to the tables."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def __enter__(self) -> _Spent:
        self._write, self._carry_out = Work.write, Work._carry_out
        write, carry_out = self._write, self._carry_out

        def timed_write(work: Work, *args: Any, **more: Any) -> Any:
            start = perf_counter()
            entry = write(work, *args, **more)
            self.seconds += perf_counter() - start
            return entry

        def timed_carry_out(work: Work, *args: Any) -> None:
            start = perf_counter()
            carry_out(work, *args)
            self.seconds -= perf_counter() - start

        Work.write, Work._carry_out = timed_write, timed_carry_out  # type: ignore[method-assign,assignment]
        return self

    def __exit__(self, *_: object) -> None:
        Work.write, Work._carry_out = self._write, self._carry_out  # type: ignore[method-assign]


if __name__ == "__main__":
    raise SystemExit(main())
