"""Connections to the two kinds of database that a record can lie in.

SQLite: one file, every commit on the disk before it counts, writers in line (`Record.work`).
PostgreSQL: one database of a server; what a transaction waits for is the row of its chain.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import QueuePool

from serialkeeper.errors import Refused, Unavailable, WrongUsage

WAIT_MILLISECONDS = 30_000
"""How long a transaction waits for another one's lock before it is given up."""

IDLE_MILLISECONDS = 20_000
"""How long a server keeps the lock of a station that says nothing in the midst of its work; less
than others wait for it."""

_WHERE = ("host", "hostaddr", "port", "service")
"""What a URL may say of a server's place behind its question mark."""

_PORT = 5432
_FORMS = "sqlite:///FOLDER/record.db or postgresql://USER@HOST/DATABASE"


def parse_url(url: str) -> URL:
    """A record's URL. Refuses `usage` for what is no URL of a supported database."""
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError):
        parsed = None
    supported = parsed is not None and parsed.get_backend_name() in ("sqlite", "postgresql")
    if parsed is None or not supported or not parsed.database:
        raise WrongUsage(
            "usage",
            "The record is named by the URL of an SQLite file or of a PostgreSQL database.",
            where="--record",
            expected=_FORMS,
            came=without_secret(parsed) if parsed else url.rsplit("@", maxsplit=1)[-1],
            remedy="Give --record or SERIALKEEPER_RECORD in that form.",
        )
    return parsed


def without_secret(url: URL) -> str:
    """A URL as it may be shown and kept."""
    query = {name: value for name, value in url.query.items() if "password" not in name}
    return url._replace(password=None).set(query=query).render_as_string()


def has_secret(url: str) -> bool:
    """Whether a URL holds a password."""
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError):
        return False
    return parsed.password is not None or any("password" in name for name in parsed.query)


def place_of(url: str) -> str:
    """Where a record lies, in the same words whoever names it: no account, no settings."""
    parsed = parse_url(url)
    if parsed.get_backend_name() == "sqlite":
        return f"sqlite:///{Path(parsed.database or '').resolve()}"
    where = {name: parsed.query[name] for name in _WHERE if name in parsed.query}
    port = parsed.port or (_PORT if parsed.host else None)
    place = URL.create("postgresql", host=parsed.host, port=port, database=parsed.database)
    return place.set(query=where).render_as_string()


def open_engine(
    url: str, *, create: bool = False, begun: bool = False, station: str = ""
) -> Engine:
    """An engine for the record at a URL.

    Args:
        url: where.
        create: whether a record is to be made there.
        begun: whether what is there already may be the beginning of it.
        station: what a server shows of this connection.

    Refuses `record_missing`, `record_exists` (with `create`), and `usage` for what is no
    URL of a supported database.
    """
    parsed = parse_url(url)
    if parsed.get_backend_name() == "postgresql":
        return _postgresql(parsed, station)
    path = Path(parsed.database or "")
    reserved = begun and is_empty(path)
    if begun and path.is_file() and not reserved:
        create = False
    return _sqlite(path, create=create, reserved=reserved)


def is_empty(path: Path) -> bool:
    """Whether a file is there in which nothing was written yet."""
    return path.is_file() and not path.stat().st_size


def _sqlite(path: Path, *, create: bool, reserved: bool = False) -> Engine:
    if not create and not path.is_file():
        raise Refused(
            "record_missing",
            "There is no record at that place.",
            where=str(path),
            expected="a record made by 'serialkeeper init'",
            came="a folder" if path.is_dir() else "nothing",
            remedy="Make one (init --person NAME), or name another with --record.",
        )
    if create and not reserved:
        _reserve(path)
    if not create:
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


def file_of(engine: Engine) -> Path | None:
    """The record's file; None for a record on a server."""
    path = engine.get_execution_options().get("serialkeeper_path")
    return Path(str(path)) if path else None


@contextmanager
def left_as_it_was(engine: Engine) -> Iterator[None]:
    """Make a record, and leave nothing behind if that fails."""
    try:
        yield
    except BaseException:
        engine.dispose()
        path = file_of(engine)
        for name in ("", "-wal", "-shm", "-turn") if path else ():
            Path(str(path) + name).unlink(missing_ok=True)
        raise


def reading(engine: Engine) -> Connection:
    """A connection whose next transaction sees one state of the record, and cannot change it."""
    if engine.dialect.name == "sqlite":
        return engine.connect()
    options = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
    return engine.connect().execution_options(**options)


def writing(engine: Engine) -> Connection:
    """A connection whose next transaction may change the record.

    On a server it sees what others have committed at each statement: what it rests on stands
    under a lock, so nothing that it has read can change before it is done.
    """
    return engine.connect().execution_options(serialkeeper_write=True)


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
    """Refuses `record_unreadable` before a database driver could write to a foreign file.

    SQLite itself looks. To open and close the file here would let go of all locks that this
    process has on it (POSIX; sqlite.org/howtocorrupt.html, 2.2): another process could then take
    the log away under the connections that are open.
    """
    if not os.access(path, os.R_OK):
        raise Unavailable(
            "record_unreadable",
            "The record cannot be read: its rights do not allow it.",
            where=str(path),
            remedy="Check the right to read and write it.",
        )
    if not is_empty(path) and _is_database(path):
        return
    raise Refused(
        "record_unreadable",
        "The file is no record.",
        where=str(path),
        expected="an SQLite database",
        came="an empty file" if is_empty(path) else "something else",
        remedy="Name a record made by 'serialkeeper init'.",
    )


def _is_database(path: Path) -> bool:
    address = path.absolute().as_uri() + "?mode=ro"
    try:
        with closing(sqlite3.connect(address, uri=True, timeout=0)) as client:
            client.execute("PRAGMA schema_version").fetchall()
    except sqlite3.DatabaseError as error:  # anything else shows when it is opened for good
        return error.sqlite_errorname != "SQLITE_NOTADB"
    return True


def _shape(connection: sqlite3.Connection, _: object) -> None:
    """What a new database keeps for ever."""
    for pragma in ("page_size=16384", "journal_mode=WAL"):
        connection.execute(f"PRAGMA {pragma}").fetchall()


def _prepare(connection: sqlite3.Connection, _: object) -> None:
    for pragma in (
        f"busy_timeout={WAIT_MILLISECONDS}",
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


def _postgresql(url: URL, station: str) -> Engine:
    """psycopg reads PGPASSWORD, PGPASSFILE and service files itself (libpq, section 34.15)."""
    settings = {
        "lock_timeout": WAIT_MILLISECONDS,
        # A dead station's locks go with it; where its machine died, after so many seconds.
        "client_connection_check_interval": 10_000,
        "tcp_keepalives_idle": 10,
        "tcp_keepalives_interval": 5,
        "tcp_keepalives_count": 2,
        "timezone": "UTC",
    }
    given = {
        "application_name": f"serialkeeper {station}".strip(),
        "connect_timeout": "10",
        "keepalives_idle": "30",
        "keepalives_interval": "10",
        "keepalives_count": "3",
        "tcp_user_timeout": "60000",
    }
    options = " ".join(f"-c {name}={value}" for name, value in settings.items())
    asked = url.query.get("options", "")
    given["options"] = f"{options} {asked if isinstance(asked, str) else ' '.join(asked)}".strip()
    engine = create_engine(
        url.set(drivername="postgresql+psycopg", query={**given, **_without(url, "options")}),
        pool_pre_ping=True,
    )
    event.listen(engine, "begin", _begin_on_server)
    return engine


def _without(url: URL, name: str) -> dict[str, str | tuple[str, ...]]:
    return {key: value for key, value in url.query.items() if key != name}


def _begin_on_server(connection: Connection) -> None:
    if connection.get_execution_options().get("serialkeeper_write"):
        connection.exec_driver_sql(
            f"SET LOCAL idle_in_transaction_session_timeout = {IDLE_MILLISECONDS}"
        )
