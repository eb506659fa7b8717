"""Making and opening records: the database file, its settings, its schema's version."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import QueuePool

from serialkeeper.errors import Refused, Unavailable, WrongUsage
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.serials import Chance
from serialkeeper.store.record import Record, speaking_plainly

SCHEMA = "0009"
"""The newest migration; a record of another version is refused."""

_WAIT_MILLISECONDS = 30_000
_MAGIC = b"SQLite format 3\x00"


def open_engine(url: str, *, create: bool = False) -> Engine:
    """An engine for the record at a URL.

    Refuses `record_missing`, `record_exists` (with `create`), and `usage` for what is no
    URL of a supported database.
    """
    parsed = _parse(url)
    path = Path(parsed.database or "")
    if not create and not path.is_file():
        raise Refused(
            "record_missing",
            "There is no record at that place.",
            where=str(path),
            expected="a record made by 'serialkeeper init'",
            came="a folder" if path.is_dir() else "nothing",
            remedy="Make one (init --person NAME), or name another with --record.",
        )
    if create:
        _reserve(path)
    else:
        _check_file(path)
    mode = "rwc" if create else "rw"
    address = path.absolute().as_uri() + f"?mode={mode}"

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(address, uri=True, isolation_level=None, check_same_thread=False)

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool)
    engine = engine.execution_options(serialkeeper_path=str(path.absolute()))
    if create:
        event.listen(engine, "connect", _shape)
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


def _parse(url: str) -> URL:
    try:
        parsed = make_url(url)
    except ArgumentError:
        parsed = None
    if parsed is None or parsed.get_backend_name() != "sqlite" or not parsed.database:
        raise WrongUsage(
            "usage",
            "The record is named by a URL of an SQLite file.",
            where="--record",
            expected="sqlite:///FOLDER/record.db",
            came=parsed.render_as_string() if parsed else url.rsplit("@", maxsplit=1)[-1],
            remedy="Give --record or SERIALKEEPER_RECORD in that form.",
        )
    return parsed


def _reserve(path: Path) -> None:
    """An empty file in the record's place, made by this process and by nobody else."""
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    except FileExistsError:
        raise Refused(
            "record_exists",
            "There is a file at that place already.",
            where=str(path),
            expected="a place with no file",
            came="a file",
            remedy="Choose another place; a record is never overwritten.",
        ) from None
    except OSError as error:
        raise Unavailable(
            "file_unwritable",
            f"The record cannot be made there: {error.strerror}.",
            where=str(path),
            remedy="Make the folder first, and check the right to write there.",
        ) from None


def _check_file(path: Path) -> None:
    """Refuses `record_unreadable` before a database driver could write to a foreign file."""
    try:
        with path.open("rb") as file:
            start = file.read(len(_MAGIC))
    except OSError as error:
        raise Unavailable(
            "record_unreadable",
            f"The record cannot be read: {error.strerror}.",
            where=str(path),
            remedy="Check the right to read and write it.",
        ) from None
    if start != _MAGIC:
        raise Refused(
            "record_unreadable",
            "The file is no record.",
            where=str(path),
            expected="an SQLite database",
            came=repr(start) if start else "an empty file",
            remedy="Name a record made by 'serialkeeper init'.",
        )


def _shape(connection: sqlite3.Connection, _: object) -> None:
    """What a new database keeps for ever."""
    for pragma in ("page_size=16384", "journal_mode=WAL"):
        connection.execute(f"PRAGMA {pragma}").fetchall()


def _prepare(connection: sqlite3.Connection, _: object) -> None:
    for pragma in (
        f"busy_timeout={_WAIT_MILLISECONDS}",
        "synchronous=FULL",
        "foreign_keys=ON",
        "recursive_triggers=ON",
        "cache_size=-32768",
        "wal_autocheckpoint=8000",
        "trusted_schema=OFF",
    ):
        connection.execute(f"PRAGMA {pragma}").fetchall()


def _begin(connection: Connection) -> None:
    write = connection.get_execution_options().get("serialkeeper_write")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def check_schema(engine: Engine, url: str) -> None:
    """Refuses `record_unreadable` if the database is no record of this version."""
    with speaking_plainly(url), engine.connect() as connection:
        found: str | None = None
        if connection.execute(
            text("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'")
        ).scalar():
            rows = connection.execute(text("SELECT version_num FROM alembic_version")).scalars()
            found = " and ".join(map(str, rows))
    if found != SCHEMA:
        raise Refused(
            "record_unreadable",
            "The file is not a record of this version.",
            where=url,
            expected=f"schema {SCHEMA}",
            came=f"schema {found}" if found else "no serialkeeper record",
            remedy="Name a record made by this version of serialkeeper.",
        )


def open_record(
    url: str,
    *,
    person: str = "",
    station: str,
    now: Callable[[], datetime],
    chance: Chance,
) -> Record:
    """Open an existing record for a person; without a name, for the only person there is.

    Refuses `record_missing`, `record_unreadable`, `person_unknown`.
    """
    engine = open_engine(url)
    try:
        check_schema(engine, url)
        record = Record(engine, url, "", "", station, now, chance, practice=True)
        with record.read() as view:
            practice = view.setting("kind") == "practice"
            found = view.person(person) if person else view.only_person()
    except BaseException:
        engine.dispose()
        raise
    return replace(record, person=found.name, role=found.role, practice=practice)


def make_record(
    url: str,
    *,
    person: str,
    role: str,
    station: str,
    now: Callable[[], datetime],
    chance: Chance,
    account: str,
) -> Record:
    """Make a practice record and its first person.

    Refuses `record_exists`; leaves nothing behind when it fails.
    """
    from serialkeeper.store.migrations import migrate

    engine = open_engine(url, create=True)
    path = Path(str(engine.get_execution_options()["serialkeeper_path"]))
    try:
        with speaking_plainly(url):
            migrate(engine)
        record = Record(engine, url, person, role, station, now, chance, practice=True)
        with record.work() as work:
            work.open_chain(HOUSE)
            work.write(HOUSE, "record made", {"kind": "practice", "made": work.at})
            work.write(
                HOUSE,
                "person added",
                {"id": 1, "name": person, "role": role, "account": account},
            )
    except BaseException:
        engine.dispose()
        for name in ("", "-wal", "-shm", "-turn"):
            Path(str(path) + name).unlink(missing_ok=True)
        raise
    return record
