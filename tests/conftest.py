"""What all tests share: the standards folder, the databases, and a practice record to work on.

A test that touches a record asks for `bench`, or for `database` to make its own, and so runs on
every database. One that is about a single make of database is marked
`only_on("sqlite", reason=...)`.
"""

from __future__ import annotations

import copy
import csv
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import databases as makers
import pytest
from argon2 import PasswordHasher
from databases import KINDS, Database, Databases
from sqlalchemy.engine import URL

import serialkeeper as sk
from serialkeeper.rules import passwords

GTIN = "09521234543213"
EXPIRY = date(2028, 6, 30)


def pytest_configure(config: pytest.Config) -> None:
    """Names the marker; the process that has the workers gives the session its folder."""
    config.addinivalue_line(
        "markers", "only_on(kind, reason): the test is about this make of database alone"
    )
    config.addinivalue_line(
        "markers", "same_kind: the test copies a record to a database of the same make"
    )
    if not hasattr(config, "workerinput"):
        makers.begin_session()


def pytest_unconfigure(config: pytest.Config) -> None:
    """Stops what the session started."""
    if not hasattr(config, "workerinput"):
        makers.end_session()


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Every test that touches a database runs on each, unless it is marked."""
    if "databases" in metafunc.fixturenames:
        mark = metafunc.definition.get_closest_marker("only_on")
        metafunc.parametrize("databases", mark.args if mark else KINDS, indirect=True)


AS_THEY_ARE = {name: getattr(passwords, name) for name in ("_ARGON2", "DUMMY")}
"""What makes a password take as long as it has to."""


@pytest.fixture(scope="session", autouse=True)
def quick_passwords() -> Iterator[None]:
    """Argon2id with its least memory in this process, since hundreds of records have passwords;
    processes of their own are as they are."""
    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "_ARGON2", quick)
        patch.setattr(passwords, "DUMMY", quick.hash("nobody at all"))
        yield


@pytest.fixture
def dear_passwords(monkeypatch: pytest.MonkeyPatch) -> None:
    """Passwords as they are, for a test of what they cost."""
    for name, value in AS_THEY_ARE.items():
        monkeypatch.setattr(passwords, name, value)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest tests begin first, so that no worker has one left when the others are done."""
    items.sort(key=lambda item: item.path.name not in ("test_house.py", "test_tampering.py"))


@pytest.fixture(scope="session")
def postgres() -> URL:
    """A PostgreSQL server; skips where there is none, fails where the named one is not there."""
    return makers.server()


@pytest.fixture(scope="session")
def databases(request: pytest.FixtureRequest) -> Databases:
    """The maker of databases of the kind that this test runs on."""
    if request.param == "postgresql":
        return Databases("postgresql", request.getfixturevalue("postgres"))
    return Databases(request.param)


@pytest.fixture
def database(databases: Databases, tmp_path: Path) -> Iterator[Database]:
    """A place where a record can be made."""
    with databases.new(tmp_path) as made:
        yield made


@pytest.fixture(scope="session")
def standards() -> Path:
    """The folder of official schemas and check vectors; they are not part of this project."""
    named = os.environ.get("SERIALKEEPER_STANDARDS")
    if not named:
        pytest.skip("SERIALKEEPER_STANDARDS names no folder of official schemas and vectors")
    folder = Path(named)
    if not folder.is_dir():
        pytest.fail(f"SERIALKEEPER_STANDARDS names {folder}, which is no folder")
    return folder


class Clock:
    """A clock that moves a little each time it is asked, so that tests do not wait."""

    def __init__(self) -> None:
        self.time = datetime(2026, 6, 1, 8, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.time += timedelta(milliseconds=7)
        return self.time


@dataclass
class Bench:
    """A practice record with one approved lot, and the files around it."""

    folder: Path
    record: sk.Record
    database: Database
    lot: str = "LOT24A"
    files: int = field(default=0)

    @property
    def url(self) -> str:
        return self.record.url

    def kept(self) -> Original:
        """Let go of the record; from now on it may be copied."""
        self.record.close()
        return Original(self.database, self.record.now, self.folder)

    def printed(self, labels: int, *, lanes: int = 4, **more: Any) -> Path:
        """Allocate and issue labels; gives the print file."""
        sk.serials.allocate(self.record, self.lot, labels)
        self.files += 1
        out = self.folder / f"job{self.files}.csv"
        sk.print.write(self.record, self.lot, lanes=lanes, out=out, **more)
        return out

    def results(self, rows: list[dict[str, Any]], *, name: str = "") -> Path:
        """A results file from rows; fields left out are empty."""
        self.files += 1
        path = self.folder / (name or f"results{self.files}.csv")
        columns = ["position", "row", "lane", "at", "seen", "grade", "verdict", "text"]
        with path.open("w", newline="") as file:
            writer = csv.DictWriter(file, columns, restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
        return path

    def reviewed(self) -> int:
        """Sign everything on the review list, as somebody who opened what has to be opened."""
        groups = sk.review.list(self.record, self.lot)["groups"]
        for one in groups:
            sk.review.sign(self.record, self.lot, [one["group"]], opened=one["open"])
        return len(groups)

    def labels(self) -> list[dict[str, Any]]:
        """Every label of the lot."""
        return list(sk.label.list(self.record, self.lot))

    def states(self) -> list[str]:
        """The state of every label, in position order."""
        return [row["state"] for row in self.labels()]

    def findings(self) -> dict[int, str]:
        """Findings by position."""
        return {row["position"]: row["finding"] for row in self.labels() if row["finding"]}

    def heads(self) -> dict[str, Any]:
        """The heads of all chains of a record that was found sound."""
        heads: dict[str, Any] = sk.record.verify(self.record)["heads"]
        return heads


def as_seen(print_file: Path) -> list[dict[str, Any]]:
    """What a faultless camera would see of a print file."""
    with print_file.open(newline="") as file:
        return [
            {
                "position": row["position"],
                "row": row["row"],
                "lane": row["lane"],
                "at": f"2026-06-01T09:{int(row['row']) // 60 % 60:02d}:"
                f"{int(row['row']) % 60:02d}.000Z",
                "seen": row["scanned"],
                "grade": "3.5",
                "verdict": "pass",
                "text": "",
            }
            for row in csv.DictReader(file)
        ]


@dataclass
class Original:
    """A record that is made once and copied, the clock of whoever made it, and the files."""

    database: Database
    clock: Callable[[], datetime]
    folder: Path

    @contextmanager
    def copied(self, databases: Databases, folder: Path) -> Iterator[Bench]:
        """A copy in the hands of the line lead; every copy goes on in the same way."""
        with databases.copy(self.database, folder) as database:
            files = [path for path in self.folder.iterdir() if not path.match("record.db*")]
            for path in files:
                shutil.copy(path, folder)
            clock = copy.copy(self.clock)
            record = sk.open_record(
                database.url, person="Line Lead", station="line 1", now=clock, seed=7
            )
            yield Bench(folder, record, database, files=len(files))
            record.close()


@contextmanager
def approved_lot(databases: Databases, folder: Path) -> Iterator[Original]:
    """A practice record with one approved lot of one product."""
    clock = Clock()
    with databases.new(folder) as database:
        with sk.init(database.url, "Line Lead", station="line 1", now=clock, seed=7) as record:
            sk.person.add(record, "Second Person", role="compliance")
            sk.product.add(record, GTIN, prefix_length=7, name="Demo tablets 20 mg")
            sk.lot.open(record, GTIN, "LOT24A", expiry=EXPIRY, target=20)
            sk.lot.approve(record, "LOT24A", second="Second Person")
        yield Original(database, clock, folder)


@pytest.fixture(scope="session")
def original(databases: Databases, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Original]:
    """What every `bench` is a copy of."""
    with approved_lot(databases, tmp_path_factory.mktemp("original")) as made:
        yield made


@pytest.fixture
def bench(original: Original, databases: Databases, tmp_path: Path) -> Iterator[Bench]:
    """A practice record with one approved lot of one product."""
    with original.copied(databases, tmp_path) as bench:
        yield bench
