"""Ten thousand events on their way to a receiver that fails, while both sides are restarted.

    python tests/bench/delivery.py --events 10000 --seed 1 [--record postgresql://USER@HOST/EMPTY]

One lot with an event for every label is sent over TLS to three receivers: one that passes over
events that it has (`recognises`), one that stores everything but can be asked (`answers`), and one
that does neither (`neither`). Of the captures 5 % are stored without an answer, 5 % end with 500
(half of them after storing), 2 % with 429; answers take up to 20 ms; documents have a limit that
only the 413 tells. The sender is a process of its own that gets SIGKILL or SIGTERM after a random
time, and the receiver is stopped and started between. In the end, of the first two receivers: every
event is there once and in order, nothing waits. Of the third: what is there is a beginning, without
repetition, and a person is asked. Before each, a server with the wrong certificate gets nothing.
Exit code 1 if any of it is not so.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from csv import DictReader, DictWriter
from datetime import date, timedelta
from importlib import import_module
from pathlib import Path
from time import monotonic
from typing import Any

from station import GTIN, PERSON

import serialkeeper as sk
from serialkeeper.rules.captures import Pace
from serialkeeper.rules.destinations import Reach
from serialkeeper.store.telling import events_of

sys.path.append(str(Path(__file__).resolve().parents[1] / "job"))
certificates, receivers = map(import_module, ("certificates", "receiver"))

FAULTS = {"lost": 0.05, "broken": 0.05, "busy": 0.02, "slow": 0.02}
LIMIT, DOCUMENT, MOST_ROUNDS = 40, 100, 2_000
PACE = Pace(tries=6, first=0.01, most=0.05, look=0.005, looks=10, longest=5)

SENDER = """
import signal, sys, threading
import serialkeeper as sk
from serialkeeper.rules.captures import Pace
stopping = threading.Event()
signal.signal(signal.SIGTERM, lambda *_: stopping.set())
pace = Pace(tries=6, first=0.01, most=0.05, look=0.005, looks=10, longest=5)
with sk.open_record(sys.argv[1], person=sys.argv[2]) as record:
    print("go", flush=True)
    told = sk.events.send(record, to=sys.argv[3], stopping=stopping, pace=pace)
    print(told["destinations"][0]["outcome"])
"""


def prepare(url: str, folder: Path, events: int) -> list[str]:
    """A closed and checked lot with an event a label; gives the events' IDs."""
    with sk.init(url, PERSON) as record:
        sk.person.add(record, "Second Person", role="compliance")
        sk.product.add(record, GTIN, prefix_length=7, name="Demo tablets 20 mg")
        expiry = date.today() + timedelta(days=700)
        sk.lot.open(record, GTIN, "LOT1", expiry=expiry, target=events, group_limit=1)
        sk.lot.approve(record, "LOT1")
        sk.serials.allocate(record, "LOT1", events)
        job, seen = folder / "job.csv", folder / "seen.csv"
        sk.print.write(record, "LOT1", lanes=4, out=job)
        columns = ["position", "row", "lane", "at", "seen", "grade", "verdict", "text"]
        with job.open(newline="") as read, seen.open("w", newline="") as written:
            writer = DictWriter(written, columns, restval="", lineterminator="\n")
            writer.writeheader()
            for row in DictReader(read):
                told = {name: row[name] for name in ("position", "row", "lane")}
                writer.writerow({**told, "seen": row["scanned"], "grade": "3.5", "verdict": "pass"})
        sk.inspect.take(record, "LOT1", seen)
        for term in ("printer_counter", "rewind_counter"):
            sk.lot.count(record, "LOT1", term, events)
        for one in sk.review.list(record, "LOT1")["groups"]:
            sk.review.sign(record, "LOT1", [one["group"]], opened=one["open"])
        sk.lot.close(record, "LOT1")
        assert sk.events.check(record, "LOT1")["agrees"]
        with record.read() as view:
            return [event.id for event in events_of(view, view.lot("LOT1"))]


def deliver(url: str, folder: Path, kind: str, seed: int) -> tuple[Any, Counter[str], Any]:
    """Send until all is there or a person is asked."""
    chance = random.Random(f"{seed} {kind}")
    receiver = receivers.Receiver(
        kind, chance.randrange(10**6), most_events=LIMIT, tells=False, **FAULTS
    )
    reach = Reach(knows_ids=kind == "recognises", authority=str(folder / "authority.pem"))
    told: Counter[str] = Counter()
    port = 0
    with sk.open_record(url, person=PERSON) as record:
        wrong = receivers.Receiver()
        with wrong.running(context=certificates.served(folder, "stranger")) as place:
            sk.events.destination(record, kind, capture=place, reach=reach)
            row = sk.events.send(record, to=kind, pace=PACE)["destinations"][0]
            told["wrong certificate refused"] = "certificate" in row["why"] and not wrong.asked
        for _ in range(MOST_ROUNDS):
            with receiver.running(
                context=certificates.served(folder, "server"), port=port
            ) as place:
                port = int(place.rpartition(":")[2].partition("/")[0])
                sk.events.destination(
                    record, kind, capture=place, reach=reach, most_events=_limit(record, kind)
                )
                _send_for_a_while(url, kind, chance, told)
            found = sk.events.status(record, to=kind)["destinations"][0]["lots"][0]
            if found["state"] in ("up_to_date", "stuck"):
                return receiver, told, found
    raise SystemExit(f"{kind}: no end after {MOST_ROUNDS} rounds")


def _limit(record: sk.Record, kind: str) -> int:
    """What was learnt stays; at first a document is larger than the receiver takes."""
    told = sk.events.status(record, to=kind)["destinations"][0]
    return min(DOCUMENT, int(told["most_events"]))


def _send_for_a_while(url: str, kind: str, chance: random.Random, told: Counter[str]) -> None:
    """A sender for some seconds, which is killed, or stopped, or ends."""
    program = [sys.executable, "-c", SENDER, url, PERSON, kind]
    with subprocess.Popen(program, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout
        process.stdout.readline()
        try:
            out, _ = process.communicate(timeout=chance.uniform(0.1, 6))
            told[out.strip() or "failed"] += 1
        except subprocess.TimeoutExpired:
            blow = chance.choice((signal.SIGKILL, signal.SIGTERM))
            process.send_signal(blow)
            process.communicate()
            told[blow.name] += 1


def judged(kind: str, receiver: Any, found: Any, ids: list[str]) -> str:
    """What is wrong; empty for nothing."""
    there = receiver.ids()
    if kind == "neither":
        if there != ids[: len(there)]:
            return "what is there is no beginning of the events"
        return "" if found["state"] == "stuck" or there == ids else f"it is {found['state']}"
    if there != ids:
        return f"{len(there)} events are there, {len(set(there))} different, of {len(ids)}"
    return "" if not found["waiting"] and found["state"] == "up_to_date" else "something waits"


def main() -> None:
    """The run of the command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--events", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--record", default="")
    asked = parser.parse_args()
    wrong = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        authority = certificates.certificate(folder, "authority", None)
        certificates.certificate(folder, "server", authority)
        certificates.certificate(folder, "stranger", None)
        url = asked.record or f"sqlite:///{folder}/record.db"
        ids = prepare(url, folder, asked.events)
        for kind in ("recognises", "answers", "neither"):
            since = monotonic()
            receiver, told, found = deliver(url, folder, kind, asked.seed)
            why = judged(kind, receiver, found, ids)
            if not told.pop("wrong certificate refused"):
                why = f"{why}; a wrong certificate was not refused"
            if told["failed"]:
                why = f"{why}; a sender failed"
            wrong += bool(why)
            rounds = ", ".join(f"{word} {count}" for word, count in sorted(told.items()))
            print(
                f"{kind:11} {len(receiver.stored):>7,} stored of {len(ids):,}, "
                f"{len(receiver.headers):,} captures, {found['state']}, senders: {rounds}; "
                f"{monotonic() - since:,.0f} s: {why or 'as it should be'}"
            )
        with sk.open_record(url, person=PERSON) as record:
            assert sk.record.verify(record)["sound"]
    raise SystemExit(1 if wrong else 0)


if __name__ == "__main__":
    main()
