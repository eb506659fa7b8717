"""One lot's way through a practice record, step by step, each step callable on its own.

Run as `python job.py STEP FOLDER LABELS TELLS` it does just one step, so that the memory of a
step can be read from a process that did nothing else.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

import serialkeeper as sk
from serialkeeper.rules.rehearsal import FAULTS
from serialkeeper.store.view import key_of

GTIN, LOT, PERSON = "09521234543213", "BENCH1", "Line Lead"
LANES = 4
LARGEST_LOT = 1_000_000
POSITIONS = "positions"
TELLS = {POSITIONS: ("positions", "lanes", "times"), "times": ("lanes", "times"), "order": ()}
"""What the rehearsed camera tells besides the codes."""


class Job:
    """A record with one lot in a folder, and the files that its steps make there."""

    def __init__(self, folder: Path, labels: int, tells: str = POSITIONS, *, url: str = "") -> None:
        """Open the record in the folder, or make it there; at a URL it is always made.

        `tells`: what the camera tells.
        """
        self.folder, self.labels, self.tells = folder, labels, tells
        self.lot = LOT
        self.expiry = date(date.today().year + 2, 6, 28)
        self.database = folder / "record.db"
        self.url = url or f"sqlite:///{self.database}"
        if self.database.exists():
            self.record = sk.open_record(self.url, person=PERSON)
        else:
            self.record = sk.init(self.url, PERSON)
            sk.product.add(self.record, GTIN, prefix_length=7, name="Demo tablets 20 mg")

    def open_lot(self, number: str = LOT) -> None:
        """Open a lot and approve it."""
        sk.lot.open(self.record, GTIN, number, expiry=self.expiry, target=self.labels)
        sk.lot.approve(self.record, number)

    def fill(self, stored: int) -> None:
        """Allocate numbers to other lots of the product."""
        for number, start in enumerate(range(0, stored, LARGEST_LOT), 1):
            self.open_lot(f"FILL{number}")
            sk.serials.allocate(self.record, f"FILL{number}", min(LARGEST_LOT, stored - start))

    def allocate(self) -> None:
        """Give the lot its numbers."""
        sk.serials.allocate(self.record, self.lot, self.labels)

    def print(self) -> None:
        """Write the print file of the whole lot."""
        sk.print.write(self.record, self.lot, lanes=LANES, out=self.folder / "job.csv")

    def rehearse(self) -> None:
        """Make a results file with 1 % faults that looks as if a real camera wrote it.

        Without positions, every kind of fault is among them.
        """
        marked, truth = self.folder / "marked.csv", self.folder / "truth.csv"
        faults = [f"{fault}={share / 2}" for fault, share in FAULTS.items()]
        sk.inspect.rehearse(
            self.record,
            self.lot,
            out=marked,
            truth=truth,
            seed=1,
            faults=faults if self.tells == POSITIONS else ["mixed=0.01"],
            tells=TELLS[self.tells],
        )
        rows = pl.read_csv(marked, infer_schema=False).drop("rehearsal")
        rows = rows.with_columns(pl.lit(None, dtype=pl.String).alias("text"))
        rows.write_csv(self.folder / "results.csv")

    def film(self) -> None:
        """Make a results file from the print file: 1 % faults of four kinds, many times as fast
        as a rehearsal; one row of labels every 10 ms, the last one now."""
        rng = np.random.default_rng(1)
        printed = pl.read_csv(
            self.folder / "job.csv",
            columns=["position", "row", "lane", "scanned"],
            schema_overrides={"scanned": pl.String},
        )
        now = pl.lit(datetime.now(UTC).replace(tzinfo=None), dtype=pl.Datetime("ms"))
        row = pl.col("row")
        passed = now - pl.duration(milliseconds=10 * (row.max() - row))
        chance = pl.Series(rng.random(len(printed)))
        unreadable, gone = chance < 0.004, chance >= 0.999
        low, failed = (chance >= 0.004) & (chance < 0.007), (chance >= 0.007) & (chance < 0.009)
        grade = pl.Series(rng.integers(25, 41, len(printed)) / 10).round(1).cast(pl.String)
        results = printed.select(
            "position",
            "row",
            "lane",
            at=passed.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
            seen=pl.when(unreadable).then(None).otherwise("scanned"),
            grade=pl.when(unreadable).then(None).when(low).then(pl.lit("1.0")).otherwise(grade),
            verdict=pl.when(unreadable | failed).then(pl.lit("fail")).otherwise(pl.lit("pass")),
            text=pl.lit(None, dtype=pl.String),
        )
        results.filter(~gone).write_csv(self.folder / "results.csv")

    def take(self) -> None:
        """Take the results in, and see that every label got its verdict."""
        taken = sk.inspect.take(self.record, self.lot, self.folder / "results.csv")
        if taken["already_taken"] or sum(taken["states"].values()) != self.labels:
            raise RuntimeError(f"the take is not a first take of all labels: {taken}")

    def events_json(self) -> None:
        """Write the lot's events as JSON-LD."""
        sk.events.write(self.record, self.lot, form="json", out=self.folder / "events.jsonld")

    def events_xml(self) -> None:
        """Write the lot's events as XML."""
        sk.events.write(self.record, self.lot, form="xml", out=self.folder / "events.xml")

    def verify(self) -> None:
        """Check the whole record, replay included."""
        if not sk.record.verify(self.record)["sound"]:
            raise RuntimeError("the record is not sound")

    def look_up(self, serial: str) -> None:
        """Find one label by GTIN and serial."""
        with self.record.read() as view:
            found = view.label(view.product(GTIN).id, serial)
        if found is None:
            raise RuntimeError(f"{serial} is not in the record")

    def life(self, serial: str) -> None:
        """Tell the whole life of one label."""
        sk.label.show(self.record, GTIN, serial=serial)

    def lives(self) -> None:
        """Tell the whole life of a few labels."""
        for _, serial in self.some_labels(5, lot=self.lot):
            self.life(serial)

    def some_labels(self, count: int, *, lot: str = "", seed: int = 1) -> list[tuple[str, str]]:
        """Labels picked at random from one lot or from the whole record: lot and number of each.

        They are read from the journal, so that no page of the label table is warm because of it.
        """
        rng = np.random.default_rng(seed)
        with self.record.read() as view:
            lots = [one for one in view.lots() if lot in ("", one.number)]
            sizes = np.array([one.labels for one in lots])
            chosen = rng.choice(len(lots), size=count, p=sizes / sizes.sum())
            places = [(lots[i], int(rng.integers(1, sizes[i] + 1))) for i in chosen]
            return [(one.number, view.serials(key_of(one), at, 1)[0]) for one, at in places]

    def rows(self) -> list[tuple[Any, ...]]:
        """The label rows of the lot as they stand in the table."""
        with reading(self.database) as connection:
            return connection.execute(
                "SELECT product_id, lot_id, position, serial, state FROM label "
                "WHERE product_id = 1 AND lot_id = (SELECT id FROM lot WHERE number = ?) "
                "ORDER BY position",
                (self.lot,),
            ).fetchall()

    def at_rest(self) -> tuple[int, int]:
        """Bytes of the database file after a checkpoint, and of the kept originals in it."""
        with reading(self.database, mode="rw") as connection:
            busy, *_ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            if busy:
                raise RuntimeError("the checkpoint was held up")
            originals = connection.execute("SELECT sum(length(data)) FROM original").fetchone()[0]
        return self.database.stat().st_size, originals or 0

    def total(self) -> int:
        """Labels in the record, those of other lots included."""
        with self.record.read() as view:
            return sum(one.labels for one in view.lots())

    def close(self) -> None:
        """Let go of the record."""
        self.record.close()


STEPS = {
    "allocate": Job.allocate,
    "print": Job.print,
    "rehearse": Job.rehearse,
    "take": Job.take,
    "events_json": Job.events_json,
    "events_xml": Job.events_xml,
    "verify": Job.verify,
    "life": Job.lives,
    "start": Job.open_lot,
}
"""Steps by name; `start` makes the record and the lot that all others need."""


@contextmanager
def reading(database: Path, *, mode: str = "ro") -> Iterator[sqlite3.Connection]:
    """A plain connection beside the record's own."""
    connection = sqlite3.connect(f"{database.absolute().as_uri()}?mode={mode}", uri=True)
    try:
        yield connection
    finally:
        connection.close()


if __name__ == "__main__":
    step, place, size, tells = sys.argv[1:]
    if step != "imports":
        job = Job(Path(place), int(size), tells)
        STEPS[step](job)
        job.close()
