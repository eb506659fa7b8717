"""Stations are killed in the midst of their work, and others take up what they left.

    python tests/bench/kills.py --record postgresql://USER@HOST/EMPTY_DATABASE --kills 100 --seed 1

Stations (`station.py`) do mixed work on one record: each has lots of its own, and every two share a
lot that both allocate for, print and take files in for. Again and again a random one is killed with
SIGKILL at a random moment, and a station of another name is given what is left of its orders, the
interrupted one first. Every so often, while the others work on, and in the end, `record verify`
and these questions, asked in plain SQL and from the files on the disk:

    one number once     no number of the product stands in two rows
    one place, one job  every lot's positions are dense, and no label is in two print jobs
    conservation        labels allocated ever are the sum over the states
    seen good           no label is good that no file showed good in its place; in the end all are
    printed             every print file that was delivered has the bytes that the record tells

With `--rounds` one station cuts short every step of a lot's whole job; see `rounds.py`.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import random
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from time import monotonic, sleep
from typing import Any

from sqlalchemy import Connection, text
from station import GTIN, PERSON

import serialkeeper as sk

STATION = Path(__file__).with_name("station.py")

Orders = list[list[Any]]

PAUSE = 2.0
"""Most seconds between two kills."""

SURPLUS = 40
"""Labels of a lot that are allocated and never printed; some are voided."""


class Slot:
    """A place at which one station after the other works off a list of orders."""

    def __init__(self, url: str, number: int, orders: Orders, blocks: int) -> None:
        self.url, self.number, self.blocks = url, number, blocks
        self.orders, self.generation = orders, 0
        self._start()

    def _start(self) -> None:
        self.generation += 1
        self.log = tempfile.TemporaryFile("w+")  # noqa: SIM115 - as long as the process
        self.process = subprocess.Popen(
            [sys.executable, str(STATION), self.url, f"station {self.number}.{self.generation}"],
            stdin=subprocess.PIPE,
            stdout=self.log,
            text=True,
        )
        assert self.process.stdin
        told = {"warm": [], "orders": self.orders, "blocks": self.blocks}
        self.process.stdin.write(json.dumps(told) + "\ngo\n")
        self.process.stdin.close()

    def said(self) -> list[str]:
        """What the station has said so far."""
        self.log.seek(0)
        return self.log.read().splitlines()

    @property
    def at_work(self) -> bool:
        """Whether it has begun and not ended."""
        said = self.said()
        busy = "ready" in said and said.count("done") < len(self.orders)
        return busy and self.process.poll() is None

    def kill(self) -> bool:
        """Kill the station and let another one go on; whether it was killed at work."""
        self.process.send_signal(signal.SIGKILL)
        failed = self.process.wait() not in (0, -signal.SIGKILL)
        self.orders = self.orders[self.said().count("done") :]
        if failed:
            self.end(0)
        if self.orders:
            self._start()
        return bool(self.orders)

    def end(self, patience: float) -> None:
        """Wait until the orders are carried out."""
        if self.process.wait(patience) and self.orders:
            raise RuntimeError(f"station {self.number}.{self.generation} failed; see above")


def main() -> None:
    """Kill, check, tell."""
    given = _arguments()
    if given.rounds:
        sys.exit(_rounds(given))
    with tempfile.TemporaryDirectory(prefix="kills-") as name:
        figures = run(
            given.record,
            Path(name),
            kills=given.kills,
            seed=given.seed,
            stations=given.stations,
            labels=given.labels,
        )
    for name, value in figures.items():
        print(f"{name:24} {value}")
    if given.json:
        given.json.write_text(json.dumps(figures, indent=2) + "\n")


def _rounds(given: argparse.Namespace) -> int:
    """Steps cut short at random moments; gives the exit code."""
    from rounds import Rounds, table

    since = monotonic()
    with tempfile.TemporaryDirectory(prefix="rounds-") as name:
        url = given.record or f"sqlite:///{name}/record.db"
        rounds = Rounds(url, Path(name), given.seed)
        rounds.run(given.round or 1, given.round or given.rounds)
    print(table(rounds))
    print(f"{monotonic() - since:.0f} s")
    for number, message in rounds.failed.items():
        print(f"round {number} failed: {message}", file=sys.stderr)
        print(f"once more: --rounds 1 --seed {given.seed} --round {number}", file=sys.stderr)
    return 1 if rounds.failed else 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--record", help="URL of an empty database, or a new file")
    parser.add_argument("--rounds", type=int, default=0, help="steps to cut short, one by one")
    parser.add_argument("--round", type=int, default=0, help="only this one, and its lot before it")
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--stations", type=int, default=4)
    parser.add_argument("--labels", type=int, default=30_000, help="labels of a lot")
    parser.add_argument("--json", type=Path, help="file for all figures")
    given = parser.parse_args()
    if not (given.record or given.rounds):
        parser.error("--record is needed, but for --rounds")
    return given


def run(
    url: str,
    folder: Path,
    *,
    kills: int,
    seed: int,
    stations: int,
    labels: int,
    every: int = 10,
    pause: float = PAUSE,
) -> dict[str, Any]:
    """Kill so many times; raises if anything is not as it has to be."""
    chance = random.Random(seed)
    sk.init(url, PERSON).close()
    with sk.open_record(url, person=PERSON) as record:
        sk.product.add(record, GTIN, prefix_length=7, name="Demo tablets 20 mg")
        facts = {"record": url.partition(":")[0], "seed": seed, "stations": stations}
        done, checks, rounds, cut = 0, 0, 0, Counter[str]()
        while done < kills:
            rounds += 1
            plan = [orders(folder, rounds, number, labels, seed) for number in range(stations)]
            slots = [Slot(url, number, made, blocks=1) for number, made in enumerate(plan)]
            while done < kills and (working := _working(slots)):
                sleep(chance.uniform(0, pause))
                slot = chance.choice(working)
                if not slot.kill():
                    continue
                done += 1
                cut[slot.orders[0][0]] += 1
                if done % every == 0:
                    check(record, folder, ended=False)
                    checks += 1
            for slot in slots:
                slot.end(600)
            check(record, folder, ended=True)
        verified = sk.record.verify(record)
    facts |= {"kills": done, "killed_in": dict(cut), "rounds": rounds, "checks": checks + rounds}
    told = {name: verified[name] for name in ("entries", "parts", "labels") if name in verified}
    return {**facts, **told, "sound": verified["sound"]}


def _working(slots: list[Slot]) -> list[Slot]:
    """Stations at work; waits for one while any has something to do."""
    since = monotonic()
    while any(slot.process.poll() is None for slot in slots):
        if found := [slot for slot in slots if slot.at_work]:
            return found
        if monotonic() - since > 60:
            raise RuntimeError("no station gets to work")
        sleep(0.02)
    return []


def orders(folder: Path, turn: int, number: int, labels: int, seed: int) -> Orders:
    """What one station does in a round: a lot of its own, its half of a shared one, another
    authority's numbers, and a file that is followed."""
    own, shared, given = (
        f"own-{turn}-{number}",
        f"shared-{turn}-{number // 2}",
        f"in-{turn}-{number}",
    )
    half = labels // 2
    first, last = (1, half) if number % 2 == 0 else (half + 1, 2 * half)
    numbers = folder / f"{given}.csv"
    chance = random.Random(f"{seed} {given}")
    some = {f"{chance.getrandbits(64):016X}" for _ in range(labels // 2)}
    numbers.write_text("serial\n" + "".join(f"{one}\n" for one in sorted(some)))

    def printed(lot: str, a: int, b: int, how: str) -> Orders:
        out, seen = str(folder / f"{lot}.{a}.csv"), str(folder / f"{lot}.{a}.seen.csv")
        return [["print", lot, a, b, out], ["see", out, seen, 17], [how, lot, seen]]

    return [
        ["start_lot", own],
        ["allocate", own, labels + SURPLUS],
        ["start_lot", shared],
        ["allocate", shared, labels + SURPLUS],
        *printed(own, 1, labels, "take"),
        ["void", own, f"{labels + 1}-{labels + 9}", 9],
        *printed(shared, first, last, "take"),
        ["void", shared, f"{labels + 1 + 10 * (number % 2)}-{labels + 9 + 10 * (number % 2)}", 9],
        ["count", own, "printer_counter", labels],
        ["start_lot", given],
        ["import", given, str(numbers)],
        *printed(given, 1, len(some), "follow"),
        ["look", own],
        ["look", shared],
    ]


def check(record: sk.Record, folder: Path, *, ended: bool) -> None:
    """Verify the record, then ask it the questions above; raises at the first wrong answer."""
    if not sk.record.verify(record)["sound"]:
        raise RuntimeError("record verify does not find the record sound")
    with record.read() as view:
        client = view.connection
        check_numbers(client)
        for lot in client.execute(
            text("SELECT product_id, id, number, labels FROM lot ORDER BY id")
        ).all():
            check_lot(client, folder, tuple(lot), ended=ended)


def check_numbers(client: Connection) -> None:
    twice = client.execute(
        text("SELECT serial FROM label GROUP BY product_id, serial HAVING count(*) > 1")
    ).all()
    must(not twice, f"numbers stand in two rows: {twice[:3]}")


def check_lot(
    client: Connection, folder: Path, lot: tuple[int, int, str, int], *, ended: bool
) -> None:
    product, lot_id, number, planned = lot
    mine = {"p": product, "l": lot_id}
    where = "WHERE product_id = :p AND lot_id = :l"
    rows = client.execute(
        text(f"SELECT position, state FROM label {where} ORDER BY position"), mine
    ).all()
    done = client.execute(text(f"SELECT sum(done) FROM allocation {where}"), mine).scalar() or 0
    must([row[0] for row in rows] == list(range(1, len(rows) + 1)), f"{number}: gaps")
    must(len(rows) == done, f"{number}: {len(rows)} labels of {done} allocated")
    must(not ended or len(rows) == planned, f"{number}: {len(rows)} labels of {planned} planned")
    jobs = client.execute(text(f"SELECT name, sha256, ranges FROM job {where}"), mine).all()
    issued = Counter(place for job in jobs for place in _places(job[2]))
    must(not issued or max(issued.values()) == 1, f"{number}: a label is in two jobs")
    for name, sha256, _ in jobs:
        path = folder / name
        if path.exists():
            came = hashlib.sha256(path.read_bytes()).hexdigest()
            must(came == sha256, f"{number}: {name} is not what was issued")
        must(path.exists() or not ended, f"{number}: {name} was never delivered")
    seen = _seen_good(folder, number)
    good = {position for position, state in rows if state in "cv"}
    must(good <= seen, f"{number}: good, but not seen good: {sorted(good - seen)[:5]}")
    must(not ended or good == seen, f"{number}: seen good, but not good {sorted(seen - good)[:5]}")
    must(good <= set(issued), f"{number}: good, but not issued")


def _places(ranges: str) -> list[int]:
    """Positions of a job, from `first-last ...`."""
    pairs = (map(int, piece.split("-")) for piece in ranges.split())
    return [place for first, last in pairs for place in range(first, last + 1)]


def _seen_good(folder: Path, lot: str) -> set[int]:
    """Positions that a results file of the lot shows good; by the file alone."""
    good: set[int] = set()
    for path in folder.glob(f"{lot}.*.seen.csv"):
        with path.open(newline="") as file:
            good |= {
                int(row["position"])
                for row in csv.DictReader(file)
                if row["seen"] and float(row["grade"]) >= 1.5
            }
    return good


def must(true: bool, message: str) -> None:
    if not true:
        raise RuntimeError(message)


if __name__ == "__main__":
    main()
