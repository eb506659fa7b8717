"""How fast packs are filled and shown, as ratios to a raw insert measured in the same run.

    python tests/bench/packs.py                  # 1,000,000 units, 25,000 cases, 500 pallets
    python tests/bench/packs.py --units 100000 --stored 10000000

Two figures: plan order (units into cases of 40, cases into pallets of 50) against inserting as many
bare rows into a table without an index; and one pallet, 50 cases and 2,000 units from a file with
its events, shown as a whole tree, in a record that holds `--stored` other labels.
"""

from __future__ import annotations

import argparse
import resource
import sqlite3
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

from job import GTIN, Job

import serialkeeper as sk

LEVELS = """
[case]
holds = 40
part = true

[pallet]
holds = 50
extension = 1
part = true
"""
TIMES = 5


def timed(step: Callable[[], Any]) -> float:
    """Seconds that the step takes."""
    start = time.perf_counter()
    step()
    return time.perf_counter() - start


def raw_insert(folder: Path, rows: int) -> float:
    """Seconds to insert as many bare rows, durably, into a table without an index."""
    connection = sqlite3.connect(folder / "raw.db", isolation_level=None)
    connection.executescript(
        "PRAGMA page_size=16384; PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;"
        "DROP TABLE IF EXISTS packed;"
        "CREATE TABLE packed (product_id INT, lot_id INT, position INT, pack_lot INT, pack INT)"
    )
    data = [(1, 1, place, 1, place // 40) for place in range(rows)]

    def insert() -> None:
        connection.execute("BEGIN")
        connection.executemany("INSERT INTO packed VALUES (?, ?, ?, ?, ?)", data)
        connection.execute("COMMIT")

    took = timed(insert)
    connection.close()
    return took


def ready(folder: Path, units: int, stored: int) -> Job:
    """A record with one lot of good units, and other labels beside it."""
    job = Job(folder, units)
    levels = folder / "levels.toml"
    levels.write_text(LEVELS)
    sk.product.packs(job.record, GTIN, levels)
    job.fill(stored)
    job.open_lot()
    job.allocate()
    job.print()
    commission(job)
    return job


def commission(job: Job) -> None:
    """Every label was seen good."""
    results = job.folder / "good.csv"
    with (job.folder / "job.csv").open() as source, results.open("w") as out:
        next(source)
        out.write("position,row,lane,at,seen,grade,verdict,text\n")
        for line in source:
            position, row, lane, *_ = line.split(",", 3)
            scanned = next(field for field in line.split(",") if field.startswith("]d2"))
            out.write(f"{position},{row},{lane},,{scanned},3.5,pass,\n")
    sk.inspect.take(job.record, "BENCH1", results)


def in_order(folder: Path, units: int) -> None:
    """Plan order against the limit."""
    job = ready(folder, units, 0)
    begin = time.perf_counter()
    cases = sk.pack.build(job.record, "BENCH1", "case", in_order=True)["count"]
    middle = time.perf_counter()
    pallets = sk.pack.build(job.record, "BENCH1", "pallet", in_order=True)["count"]
    end = time.perf_counter()
    limit = median(raw_insert(folder, units + cases + pallets) for _ in range(3))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{units:,} units into {cases:,} cases: {middle - begin:.2f} s")
    print(f"{cases:,} cases into {pallets:,} pallets: {end - middle:.2f} s")
    print(
        f"together {(end - begin) / limit:.2f} x a raw insert ({limit:.2f} s); peak {peak:,.0f} MB"
    )
    out = folder / "events.jsonld"
    took = timed(lambda: sk.events.write(job.record, "BENCH1", form="json", out=out))
    print(f"all events of the lot: {took:.2f} s, {out.stat().st_size / 1e6:,.0f} MB")
    print(f"record verify: {timed(lambda: sk.record.verify(job.record)):.2f} s")


def one_pallet(folder: Path, stored: int) -> None:
    """One pallet from a file with its events, and its tree."""
    job = ready(folder, 2_000 * TIMES, stored)
    serials = [row["serial"] for row in sk.label.list(job.record, "BENCH1")]
    built, keys = [], []
    for turn in range(TIMES):
        path = folder / f"pallet{turn}.csv"
        some = serials[turn * 2_000 : (turn + 1) * 2_000]
        rows = [f"c{place // 40},case,{serial}" for place, serial in enumerate(some)]
        rows += [f"p,pallet,c{case}" for case in range(50)]
        path.write_text("pack,level,child\n" + "\n".join(rows) + "\n")

        def build(path: Path = path, turn: int = turn) -> None:
            made = sk.pack.build(job.record, "BENCH1", "pallet", file=path)
            keys.append(made["packs"][-1]["key"])
            sk.events.write(job.record, "BENCH1", form="json", out=folder / f"{turn}.jsonld")

        built.append(timed(build))
    shown = [timed(lambda key=key: sk.pack.show(job.record, key)) for key in keys * 4]
    print(f"1 pallet, 50 cases, 2,000 units from a file with events: {median(built):.2f} s")
    print(f"its tree among {stored:,} other labels: {median(shown) * 1000:.1f} ms")


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=1_000_000)
    parser.add_argument("--stored", type=int, default=0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as first, tempfile.TemporaryDirectory() as second:
        if asked.units:
            in_order(Path(first), asked.units)
        one_pallet(Path(second), asked.stored)


if __name__ == "__main__":
    main()
