"""What the machine itself needs for the same bytes: the limits that steps are held against.

Every limit is as durable as its step and does nothing else that the step does. Each gives
the seconds it took; what it needs beforehand is made ready outside that time.
"""

from __future__ import annotations

import csv
import gc
import hashlib
import os
import sqlite3
from collections import deque
from collections.abc import Callable
from pathlib import Path
from time import perf_counter
from typing import Any

from job import Job, reading


def timed(call: Callable[[], object]) -> float:
    """Seconds of one call, begun without waste waiting to be collected."""
    gc.collect()
    start = perf_counter()
    call()
    return perf_counter() - start


def insert(job: Job) -> float:
    """The lot's rows into a table without index: `executemany`, one commit."""
    path = job.folder / "limit.db"
    rows = job.rows()
    connection = sqlite3.connect(path, isolation_level=None)
    for pragma in ("journal_mode=WAL", "synchronous=FULL"):
        connection.execute(f"PRAGMA {pragma}")
    connection.execute(
        "CREATE TABLE label (product_id INTEGER, lot_id INTEGER, position INTEGER, "
        "serial TEXT, state TEXT)"
    )
    seconds = timed(lambda: _insert(connection, rows))
    connection.close()
    path.unlink()
    return seconds


def _insert(connection: sqlite3.Connection, rows: list[tuple[Any, ...]]) -> None:
    connection.execute("BEGIN")
    connection.executemany("INSERT INTO label VALUES (?, ?, ?, ?, ?)", rows)
    connection.execute("COMMIT")


def write(name: str) -> Callable[[Job], float]:
    """SHA-256 and a synced write of the bytes of a file that a step made."""

    def limit(job: Job) -> float:
        data, path = (job.folder / name).read_bytes(), job.folder / "limit.bin"
        seconds = timed(lambda: _write(path, data))
        path.unlink()
        return seconds

    return limit


def _write(path: Path, data: bytes) -> None:
    hashlib.sha256(data).hexdigest()
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def read_and_insert(job: Job) -> float:
    """One pass of `csv.reader` over the results, and the rows into a table without index."""
    return timed(lambda: _read(job.folder / "results.csv")) + insert(job)


def _read(path: Path) -> None:
    with path.open(newline="") as file:
        deque(csv.reader(file), maxlen=0)


def fetch(job: Job) -> float:
    """SHA-256 over all parts' bytes, and every label row once."""
    with reading(job.database) as connection:
        return timed(lambda: _fetch(connection))


def _fetch(connection: sqlite3.Connection) -> None:
    digest = hashlib.sha256()
    for (data,) in connection.execute("SELECT data FROM part"):
        digest.update(data)
    deque(connection.execute("SELECT * FROM label"), maxlen=0)


LIMITS: dict[str, Callable[[Job], float]] = {
    "allocate": insert,
    "print": write("job.csv"),
    "take": read_and_insert,
    "events_json": write("events.jsonld"),
    "events_xml": write("events.xml"),
    "verify": fetch,
}
"""The limit of each step that has one."""
