"""One station at work on a record: a process with orders, which whoever comes after it can repeat.

    python station.py URL NAME < orders.json

The first line of its input is a JSON object: `warm` and `orders`, each a list of orders, and
`blocks`, how many a transaction may have (0 for the usual). An order is a list: the name of a
function below and its arguments. Every order looks first at what is done already, so that the
orders of a killed station can be given to another one as they are. What the rules make a station
wait for (another file of the lot is half taken in, say) it tries again.

It writes `ready` when the warming up is done, waits for a line, works, writes `done` after each
order, and in the end one line of JSON: start and end by the machine's monotonic clock, and every
transaction.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from time import perf_counter, sleep
from typing import Any

import polars as pl

import serialkeeper as sk
from serialkeeper.rules.chain import LotKey
from serialkeeper.steps import numbering
from serialkeeper.steps.importing import giving
from serialkeeper.steps.inspection import taking
from serialkeeper.store.record import Record, Work

GTIN, PERSON = "09521234543213", "Line Lead"
LANES = 4
EXPIRY = date(date.today().year + 2, 6, 28)

AWAITED = ("take_unfinished", "allocation_unfinished", "nothing_printed", "lot_unknown")
"""Refusals that end when another station has done its part; an import waits for all allocations
of the product, and the other way round."""
DONE_BEFORE = ("move_not_allowed",)
"""Refusals that say that an order was carried out before."""

PATIENCE = 120.0
"""Seconds for which a station waits for another one's part."""

COLUMNS = ("position", "row", "lane", "at", "seen", "grade", "verdict", "text")


class Watch:
    """Times of all transactions.

    Attributes:
        chunks: the order; seconds until the transaction had its locks; seconds until it was
            committed, both from the moment it was asked for.
    """

    def __init__(self) -> None:
        self.order = ""
        self.chunks: list[tuple[str, float, float]] = []
        watch, real = self, Record.work

        @contextmanager
        def work(self: Record, *chains: LotKey, **more: bool) -> Iterator[Work]:
            asked = perf_counter()
            with real(self, *chains, **more) as opened:
                held = perf_counter()
                yield opened
            watch.chunks.append((watch.order, held - asked, perf_counter() - asked))

        Record.work = work  # type: ignore[method-assign]


@contextmanager
def unless(word: str) -> Iterator[None]:
    """What another station that shares the lot may have done at the same moment."""
    try:
        yield
    except sk.Refused as refused:
        if refused.word != word:
            raise


def start_lot(record: Record, lot: str) -> None:
    """Open a lot and approve it."""
    with record.read() as view:
        there = view.find_lot(view.product(GTIN).id, lot)
    if there is None:
        with unless("lot_exists"):
            sk.lot.open(record, GTIN, lot, expiry=EXPIRY, target=10_000)
    if there is None or there.state == "draft":
        with unless("lot_state"):
            sk.lot.approve(record, lot)


def allocate(record: Record, lot: str, labels: int) -> None:
    """Give a lot its numbers, once."""
    if sum(sk.lot.show(record, lot)["states"].values()) < labels:
        sk.serials.allocate(record, lot, labels)


def print_(record: Record, lot: str, first: int, last: int, out: str) -> None:
    """Issue some labels of a lot; a print file that a dead station owes is written again."""
    Path(out).with_suffix(".manifest.json").unlink(missing_ok=True)
    Path(out).unlink(missing_ok=True)
    name = Path(out).name
    for job in sk.lot.show(record, lot)["jobs"]:
        if job["name"] == name:
            sk.print.again(record, lot, job["job"], out=Path(out))
            return
    sk.print.write(record, lot, lanes=LANES, first=first, last=last, out=Path(out))


def see(_: Record, printed: str, out: str, bad: int) -> None:
    """A camera's file of a print file: every 200th label is bad in one way or another.

    Args:
        bad: which of 200 labels that is; -1 for none.
    """
    frame = pl.read_csv(printed, infer_schema=False).with_row_index("n")
    row = pl.col("row").cast(pl.Int64)
    kinds = pl.col("n") // 200 % 3
    hit = pl.col("n") % 200 == bad
    frame = frame.filter(~(hit & (kinds == 2))).select(
        "position",
        "row",
        "lane",
        pl.format(
            "2026-06-01T09:{}:{}.{}Z",
            (row // 1200 % 60).cast(pl.String).str.zfill(2),
            (row // 20 % 60).cast(pl.String).str.zfill(2),
            (row % 20 * 50).cast(pl.String).str.zfill(3),
        ).alias("at"),
        pl.when(hit & (kinds == 0)).then(pl.lit("")).otherwise("scanned").alias("seen"),
        pl.when(hit & (kinds == 1)).then(pl.lit("1.0")).otherwise(pl.lit("3.5")).alias("grade"),
        pl.lit("pass").alias("verdict"),
        pl.lit("").alias("text"),
    )
    part = Path(f"{out}.{os.getpid()}")
    frame.select(COLUMNS).write_csv(part)
    part.rename(out)


def take(record: Record, lot: str, path: str) -> None:
    """Take a results file in, or what is left of it."""
    sk.inspect.take(record, lot, Path(path))


def follow(record: Record, lot: str, path: str) -> None:
    """Follow a results file to its end."""
    sk.inspect.follow(record, lot, Path(path), idle=0.2)


def import_(record: Record, lot: str, path: str) -> None:
    """Take an authority's numbers in."""
    sk.serials.import_(record, lot, Path(path))


def void(record: Record, lot: str, which: str, count: int) -> None:
    """Void some labels that were never printed."""
    sk.label.void(record, lot, which, reason="surplus", count=count)


def count(record: Record, lot: str, term: str, value: int) -> None:
    """Enter a count, once."""
    with record.read() as view:
        found = view.lot(lot)
        told = view.tallies(LotKey(found.product_id, found.id))
    if all((one.term, one.value) != (term, value) for one in told):
        sk.lot.count(record, lot, term, value)


def look(record: Record, lot: str) -> None:
    """Look at a lot, and list its labels that are voided."""
    sk.lot.show(record, lot)
    list(sk.label.list(record, lot, state="voided"))


ORDERS: dict[str, Callable[..., None]] = {
    "start_lot": start_lot,
    "allocate": allocate,
    "print": print_,
    "see": see,
    "take": take,
    "follow": follow,
    "import": import_,
    "void": void,
    "count": count,
    "look": look,
}


def carry_out(record: Record, order: list[Any]) -> None:
    """One order; waits for another station's part where the rules ask for it."""
    since = perf_counter()
    while True:
        try:
            ORDERS[order[0]](record, *order[1:])
        except sk.SerialKeeperError as error:
            if error.word in DONE_BEFORE:
                return
            if error.word not in AWAITED or perf_counter() - since > PATIENCE:
                raise
            sleep(0.05)
        else:
            return


def main() -> None:
    """Warm up, wait, work, tell."""
    url, name = sys.argv[1:3]
    told = json.loads(sys.stdin.readline())
    watch = Watch()
    if told.get("blocks"):
        for room in (numbering, taking, giving):
            room.BLOCKS_AT_ONCE = told["blocks"]
    with sk.open_record(url, person=PERSON, station=name) as record:
        for order in told["warm"]:
            carry_out(record, order)
        watch.chunks.clear()
        print("ready", flush=True)
        sys.stdin.readline()
        start = perf_counter()
        for order in told["orders"]:
            watch.order = order[0]
            carry_out(record, order)
            print("done", flush=True)
        end = perf_counter()
    print(json.dumps({"start": start, "end": end, "chunks": watch.chunks}), flush=True)


if __name__ == "__main__":
    main()
