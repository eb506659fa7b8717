"""The databases that tests run on: files of SQLite, and a PostgreSQL server found or started.

The server is the one that `SERIALKEEPER_TEST_POSTGRES` names; a test that cannot reach it fails.
Where nobody named one, the first test that needs it starts one from installed programs, in a
folder of this session that nobody else may enter; all workers of the session share it, and it is
stopped in the end. It keeps nothing safe from a power cut, since nobody will need it again.
"""

from __future__ import annotations

import fcntl
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from sqlalchemy import Connection, NullPool, create_engine, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import OperationalError

KINDS = ("sqlite", "postgresql")
"""The databases a record can lie in; a test that touches one runs on each."""

NAMED = "SERIALKEEPER_TEST_POSTGRES"
"""Names a server: a URL of it, of an account that may create databases."""

KEYED = "keyed"
"""A group of accounts that our own server asks for their password."""

_FOLDER = "SERIALKEEPER_TEST_FOLDER"
"""Names the session's own folder to its workers."""

_ACCOUNT = "postgres"
"""The account for the server where tests are run by root, whom the server refuses."""

_SETTINGS = """
listen_addresses = ''
unix_socket_directories = '{folder}'
max_connections = 60
fsync = off
synchronous_commit = off
full_page_writes = off
autovacuum = off
"""

_TRIGGERS = {
    "sqlite": {
        "SELECT name FROM sqlite_master WHERE type = 'trigger'": "DROP TRIGGER {0}",
    },
    "postgresql": {
        "SELECT tgrelid::regclass, tgname FROM pg_trigger WHERE NOT tgisinternal": (
            "DROP TRIGGER {1} ON {0}"
        ),
    },
}
"""How triggers are found, and how one is taken off."""


@dataclass(frozen=True)
class Database:
    """A database for one record.

    Attributes:
        kind: of which make; one of `KINDS`.
        url: as one would type it.
    """

    kind: str
    url: str

    @contextmanager
    def client(self, *, guarded: bool = False) -> Iterator[Connection]:
        """A plain SQL client of somebody who may do everything; each statement is final.

        Unless `guarded`, the triggers are out of its way for good: an attacker's view.
        """
        engine = create_engine(driven(self.url), poolclass=NullPool, isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            if not guarded:
                for found, off in _TRIGGERS[self.kind].items():
                    for names in connection.execute(text(found)).all():
                        connection.execute(text(off.format(*names)))
            yield connection

    def edit(self, what: str | Callable[[Database], int]) -> int:
        """Edit as an attacker does: by statements, or by a function of this database.

        Gives how many rows were changed; of several statements, by the one that changed least.
        """
        if callable(what):
            return what(self)
        with self.client() as client:
            return min(client.execute(text(one)).rowcount for one in what.split(";"))

    def insert(self, table: str, **row: Any) -> int:
        """Put a row in as an attacker does; gives how many."""
        marks = ", ".join(f":{name}" for name in row)
        with self.client() as client:
            put = text(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})")
            return client.execute(put, row).rowcount

    def rewrite(self, place: str, change: Callable[[bytes], bytes], *, where: str = "TRUE") -> int:
        """Change the bytes of a column, named as `table.column`; gives in how many rows."""
        table, column = place.split(".")
        changed = 0
        with self.client() as client:
            kept = text(f"SELECT DISTINCT {column} FROM {table} WHERE {where}")
            for old in client.execute(kept).scalars().all():
                new = change(bytes(old))
                update = text(f"UPDATE {table} SET {column} = :new WHERE {column} = :old")
                if new != old:
                    changed += client.execute(update, {"new": new, "old": old}).rowcount
        return changed


class Databases:
    """Makes databases of one kind, each for a while."""

    def __init__(self, kind: str, server: URL | None = None) -> None:
        self.kind = kind
        self._server = server

    @contextmanager
    def new(self, folder: Path) -> Iterator[Database]:
        """A place where a record can be made; a file's is in the folder."""
        if not self._server:
            yield Database(self.kind, f"sqlite:///{folder / 'record.db'}")
            return
        with self._made("") as url:
            yield Database(self.kind, url)

    def nowhere(self, folder: Path) -> str:
        """The URL of a place where nothing is."""
        if not self._server:
            return f"sqlite:///{folder / 'none.db'}"
        return self._server.set(database="test_none").render_as_string(hide_password=False)

    @contextmanager
    def copy(self, original: Database, folder: Path) -> Iterator[Database]:
        """A copy of a database that nobody has open."""
        if not self._server:
            shutil.copy(original.url.removeprefix("sqlite:///"), folder / "record.db")
            yield Database(self.kind, f"sqlite:///{folder / 'record.db'}")
            return
        with self._made(f"TEMPLATE {make_url(original.url).database}") as url:
            yield Database(self.kind, url)

    @contextmanager
    def _made(self, how: str) -> Iterator[str]:
        """A database on the server, gone afterwards, whoever still has it open."""
        assert self._server
        name = f"test_{uuid4().hex}"
        self._order(f"CREATE DATABASE {name} {how}")
        try:
            yield self._server.set(database=name).render_as_string(hide_password=False)
        finally:
            self._order(f"DROP DATABASE {name} WITH (FORCE)")

    def _order(self, statement: str) -> None:
        assert self._server
        engine = create_engine(
            driven(self._server), poolclass=NullPool, isolation_level="AUTOCOMMIT"
        )
        with engine.connect() as connection:
            connection.execute(text(statement))


def driven(url: str | URL) -> URL:
    """The URL with the driver that tests use."""
    parsed = make_url(url)
    if parsed.get_backend_name() == "postgresql":
        return parsed.set(drivername="postgresql+psycopg")
    return parsed


def begin_session() -> None:
    """Give the session a folder; its workers inherit the name."""
    os.environ[_FOLDER] = tempfile.mkdtemp(prefix="sk-")


def end_session() -> None:
    """Stop the server, if one was started, and take the folder away."""
    folder = Path(os.environ.pop(_FOLDER))
    if (folder / "data" / "postmaster.pid").exists():
        _as_account([_programs() / "pg_ctl", "stop", "-w", "-m", "immediate"], folder)
    shutil.rmtree(folder)


def server() -> URL:
    """The server for tests. Skips where there is none, fails where it is but does not answer."""
    if named := os.environ.get(NAMED):
        url = make_url(named)
        if url.password:  # no command takes a password in a URL
            os.environ["PGPASSWORD"] = str(url.password)
            url = url._replace(password=None)
        url = url.set(drivername="postgresql", database=url.database or "postgres")
    else:
        url = _own_server()
    try:
        patient = {"connect_timeout": 10}
        with create_engine(driven(url), poolclass=NullPool, connect_args=patient).connect():
            return url
    except OperationalError as error:
        pytest.fail(f"The PostgreSQL server for tests does not answer: {error.orig}")


def _programs() -> Path:
    """The folder of the server's programs. Skips the test where there is none."""
    folders = [Path(found).parent for found in [shutil.which("postgres")] if found]
    installed = Path("/usr/lib/postgresql").glob("*/bin")
    folders += sorted(installed, key=lambda folder: float(folder.parent.name), reverse=True)
    if asked := shutil.which("pg_config"):
        told = subprocess.run([asked, "--bindir"], capture_output=True, text=True, check=True)
        folders.append(Path(told.stdout.strip()))
    for folder in folders:
        if all((folder / name).exists() for name in ("postgres", "initdb", "pg_ctl")):
            return folder.resolve()
    pytest.skip(
        "No PostgreSQL server: install one (Debian: apt-get install postgresql), or name one in "
        + NAMED
    )


def _own_server() -> URL:
    """The session's own server, started by whoever comes first."""
    programs, folder = _programs(), Path(os.environ[_FOLDER])
    if os.getuid() == 0:
        try:
            account = pwd.getpwnam(_ACCOUNT)
        except KeyError:
            pytest.skip(f"PostgreSQL does not run as root, and there is no account {_ACCOUNT}")
        os.chown(folder, account.pw_uid, account.pw_gid)
    with (folder / "turn").open("a") as gate:
        fcntl.flock(gate, fcntl.LOCK_EX)
        if not (folder / "data" / "postmaster.pid").exists():
            make = [programs / "initdb", "-U", _ACCOUNT, "--auth=trust", "--no-sync", "-E", "UTF8"]
            # A language's order, as on most servers; before version 15 there was only the system's.
            in_english = [*make, "--locale-provider=icu", "--icu-locale=en"]
            if _as_account(in_english, folder, check=False).returncode:
                _as_account([*make, "--locale=C"], folder)
            rules = folder / "data" / "pg_hba.conf"
            rules.write_text(f"local all +{KEYED} scram-sha-256\n{rules.read_text()}")
            with (folder / "data" / "postgresql.conf").open("a") as settings:
                settings.write(_SETTINGS.format(folder=folder))
            _as_account([programs / "pg_ctl", "start", "-w", "-l", folder / "log"], folder)
    return URL.create(
        "postgresql", username=_ACCOUNT, database="postgres", query={"host": str(folder)}
    )


def _as_account(
    command: list[Path | str], folder: Path, *, check: bool = True
) -> subprocess.CompletedProcess[str]:
    """Run a program of the server on the folder's data, never as root."""
    account = _ACCOUNT if os.getuid() == 0 else None
    done = subprocess.run(
        command,
        user=account,
        group=account,
        extra_groups=[] if account else None,
        cwd=folder,
        env={**os.environ, "PGDATA": str(folder / "data"), "LC_ALL": "C"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE if "pg_ctl" not in str(command[0]) else subprocess.DEVNULL,
        stderr=subprocess.STDOUT,
        text=True,
    )
    if check and done.returncode:
        pytest.fail(f"{command[0]} failed: {done.stdout or (folder / 'log').read_text()}")
    return done
