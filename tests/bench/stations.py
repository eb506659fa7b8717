"""What several stations get done on one record at once, and how long they wait for each other.

    python tests/bench/stations.py --record postgresql://USER@HOST/EMPTY_DATABASE
    python tests/bench/stations.py --sqlite FOLDER --stations 4

Stations are processes (`station.py`). Two kinds of work are measured, each done by one process
alone and by all stations together, on the same record, one right after the other; read the ratios.

    take-in   results files of lots that were printed before, one lot a file
    mixed     the same, and between the files: a lot is opened, approved, allocated and printed,
              labels are voided, counts entered, lists read; every second station does the latter
              three in the lot that its neighbour is taking a file in for

Rate: labels whose fate was taken in, per second from the first order's start to the last one's
end. Alone means: one process does all orders of all stations, one after the other.
Chunk: one transaction that may change the record (`Record.work`).
Wait: from asking for it until it holds its locks; that is what others are the cause of.
Whole: from asking for it until it is committed; that is what the next one in line waits for, and
with more stations than processors it contains other processes' computing too.

Both are measured by patching `Record.work` in the stations' processes; the product holds nothing
for it. Every process works on a small lot of its own before it is measured.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from station import GTIN, PERSON

import serialkeeper as sk

STATION = Path(__file__).with_name("station.py")

RATIO, WAIT = 1.4, 250.0
"""On a server: least take-in of all stations as a multiple of one's. Everywhere: most wait, ms."""

WARM = 400
"""Labels of the lots on which processes warm up."""

Orders = list[list[Any]]


def main() -> None:
    """Measure, print the table, write the figures."""
    given = _arguments()
    with tempfile.TemporaryDirectory(prefix="stations-") as name:
        figures = measure(
            given.record, Path(name), given.stations, given.labels, given.repeat, given.files
        )
    _print(figures)
    if given.json:
        given.json.write_text(json.dumps(figures, indent=2) + "\n")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    place = parser.add_mutually_exclusive_group(required=True)
    place.add_argument("--record", help="URL of an empty database on a server")
    place.add_argument("--sqlite", type=Path, help="folder for a record in a file")
    parser.add_argument("--stations", type=int, default=8)
    parser.add_argument("--labels", type=int, default=100_000, help="labels of one results file")
    parser.add_argument("--files", type=int, default=2, help="results files of one station")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--json", type=Path, help="file for all figures")
    given = parser.parse_args()
    if given.sqlite:
        given.sqlite.mkdir(parents=True, exist_ok=True)
        given.record = f"sqlite:///{given.sqlite / 'stations.db'}"
    return given


def measure(
    url: str, folder: Path, stations: int, labels: int, repeats: int, files: int
) -> dict[str, Any]:
    """Make the record, do both kinds of work alone and together, check the record."""
    sk.init(url, PERSON).close()
    with sk.open_record(url, person=PERSON) as record:
        sk.product.add(record, GTIN, prefix_length=7, name="Demo tablets 20 mg")
    rows: list[dict[str, Any]] = []
    for kind, plan in (("take-in", _take_in), ("mixed", _mixed)):
        runs: dict[str, list[dict[str, Any]]] = {"alone": [], "together": []}
        for repeat in range(repeats):
            for who, made in runs.items():
                name = f"{kind[0]}{who[0]}{repeat}"
                lots = [[f"{name}-{s}-{f}" for f in range(files)] for s in range(stations)]
                _prepare(url, folder, [lot for some in lots for lot in some], labels)
                orders = plan(folder, lots, labels)
                if who == "alone":
                    orders = [[order for some in orders for order in some]]
                told = run(url, folder, orders, name)
                made.append(_figures(told, labels * files * stations))
        rows.append(_row(kind, runs))
    with sk.open_record(url, person=PERSON) as record:
        sound = sk.record.verify(record)["sound"]
    return {
        "record": url.partition(":")[0],
        "stations": stations,
        "labels": labels,
        "files": files,
        "repeats": repeats,
        "cpus": os.cpu_count(),
        "load": os.getloadavg()[1],
        "python": platform.python_version(),
        "sound": sound,
        "rows": rows,
    }


def _prepare(url: str, folder: Path, lots: list[str], labels: int) -> None:
    """Lots with a print file and a results file each, by two processes."""
    made = [
        [order for lot in lots[half::2] for order in _printed(folder, lot, labels)]
        for half in range(2)
    ]
    run(url, folder, made, "prepare", warm=False)


def _printed(folder: Path, lot: str, labels: int) -> Orders:
    printed = str(folder / f"{lot}.csv")
    return [
        ["start_lot", lot],
        ["allocate", lot, labels + 100],
        ["print", lot, 1, labels, printed],
        ["see", printed, str(folder / f"{lot}-seen.csv"), 17],
    ]


def _take_in(folder: Path, lots: list[list[str]], _: int) -> list[Orders]:
    return [[["take", lot, str(folder / f"{lot}-seen.csv")] for lot in some] for some in lots]


def _mixed(folder: Path, lots: list[list[str]], labels: int) -> list[Orders]:
    made: list[Orders] = []
    for station, some in enumerate(lots):
        orders: Orders = []
        shared = lots[station ^ 1] if station % 2 and station ^ 1 < len(lots) else some
        for lot, other in zip(some, shared, strict=True):
            new, printed = f"{lot}-new", str(folder / f"{lot}-new.csv")
            orders += [
                ["start_lot", new],
                ["allocate", new, labels // 5],
                ["void", other, f"{labels + 1}-{labels + 3}", 3],
                ["take", lot, str(folder / f"{lot}-seen.csv")],
                ["count", other, "printer_counter", labels],
                ["print", new, 1, labels // 5, printed],
                ["void", other, f"{labels + 11}-{labels + 13}", 3],
                ["look", other],
            ]
        made.append(orders)
    return made


def run(
    url: str, folder: Path, orders: list[Orders], name: str, *, warm: bool = True
) -> list[dict[str, Any]]:
    """Give each station its orders, let them begin at once, and gather what they tell."""
    processes = []
    for number, some in enumerate(orders):
        lot = f"W-{name}-{number}"
        first: Orders = [*_printed(folder, lot, WARM), ["look", lot]] if warm else []
        first += [["take", lot, str(folder / f"{lot}-seen.csv")]] if warm else []
        process = subprocess.Popen(
            [sys.executable, str(STATION), url, f"station {number}"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdin
        process.stdin.write(json.dumps({"warm": first, "orders": some}) + "\n")
        process.stdin.flush()
        processes.append(process)
    for process in processes:
        assert process.stdout
        if process.stdout.readline() != "ready\n":
            raise RuntimeError("a station did not get ready")
    for process in processes:
        assert process.stdin
        process.stdin.write("go\n")
        process.stdin.flush()
    told = [process.communicate()[0] for process in processes]
    if any(process.returncode for process in processes):
        raise RuntimeError("a station failed; see above")
    return [json.loads(one.splitlines()[-1]) for one in told]


def _figures(told: list[dict[str, Any]], labels: int) -> dict[str, Any]:
    """One run's rate and times, milliseconds."""
    seconds = max(one["end"] for one in told) - min(one["start"] for one in told)
    chunks = [chunk for one in told for chunk in one["chunks"]]
    return {"rate": labels / seconds, "seconds": seconds, "chunks": chunks}


def _row(kind: str, runs: dict[str, list[dict[str, Any]]]) -> dict[str, Any]:
    """One kind of work: medians of the repeats, waits over all transactions of all repeats."""
    row: dict[str, Any] = {"kind": kind}
    for who, made in runs.items():
        chunks = [chunk for one in made for chunk in one["chunks"]]
        row[who] = {
            "rate": median(one["rate"] for one in made),
            "rates": [one["rate"] for one in made],
            "chunks": len(chunks),
            "wait": _spread([chunk[1] for chunk in chunks]),
            "whole": _spread([chunk[2] for chunk in chunks]),
            "by_order": {
                name: {
                    "chunks": sum(chunk[0] == name for chunk in chunks),
                    "wait": _spread([chunk[1] for chunk in chunks if chunk[0] == name]),
                    "whole": _spread([chunk[2] for chunk in chunks if chunk[0] == name]),
                }
                for name in sorted({chunk[0] for chunk in chunks})
            },
        }
    pairs = zip(runs["together"], runs["alone"], strict=True)
    row["ratios"] = [a["rate"] / b["rate"] for a, b in pairs]
    row["ratio"] = median(row["ratios"])
    return row


def _spread(seconds: list[float]) -> dict[str, float]:
    p50, p99, most = np.percentile(np.array(seconds) * 1000, (50, 99, 100)).round(2).tolist()
    return {"p50": p50, "p99": p99, "max": most}


def _print(figures: dict[str, Any]) -> None:
    told = {name: value for name, value in figures.items() if name != "rows"}
    print(", ".join(f"{name} {value}" for name, value in told.items()))
    for row in figures["rows"]:
        print(
            f"\n{row['kind']}: together {row['ratio']:.2f} x alone "
            f"({', '.join(f'{one:.2f}' for one in row['ratios'])})"
        )
        for who in ("alone", "together"):
            one = row[who]
            print(f"  {who:10} {one['rate']:>9,.0f} labels/s {_times(one)}")
        for name, one in row["together"]["by_order"].items():
            print(f"    {name:10} {_times(one)}")
    server = figures["record"] != "sqlite"
    for row in figures["rows"]:
        kind, waits = row["kind"], row["together"]["wait"]
        if server:
            print(f"{kind}: ratio at least {RATIO}: {'yes' if row['ratio'] >= RATIO else 'NO'}")
        which = "p99" if server else "max"
        met = "yes" if waits[which] <= WAIT else "NO"
        print(f"{kind}: {which} of the wait at most {WAIT:.0f} ms: {met}")


def _times(one: dict[str, Any]) -> str:
    spreads = (
        f"{name} p50 {one[name]['p50']:.1f} p99 {one[name]['p99']:.1f} max {one[name]['max']:.1f}"
        for name in ("wait", "whole")
    )
    return f"{one['chunks']:5} chunks, ms: {', '.join(spreads)}"


if __name__ == "__main__":
    main()
