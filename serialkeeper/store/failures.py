"""Database errors in the package's own words."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DatabaseError, DataError, DBAPIError, IntegrityError, OperationalError

from serialkeeper.errors import Damaged, Refused, SerialKeeperError, Unavailable
from serialkeeper.rules import recovery

_NOT_WRITTEN = (
    *("SQLITE_IOERR_WRITE", "SQLITE_IOERR_FSYNC", "SQLITE_IOERR_DIR_FSYNC"),
    *("SQLITE_IOERR_TRUNCATE", "SQLITE_IOERR_SHMSIZE"),
)
"""What SQLite says where the disk did not take what was written."""


@contextmanager
def speaking_plainly(url: str) -> Iterator[None]:
    """Turn what a database driver raises into refusals that say what to do.

    `record_busy`, `record_unreachable`, `record_denied`, `record_unreadable`, `record_full`,
    `file_unwritable`, `bad_value`; what is none of these is a fault of ours and goes on as it is.
    """
    try:
        yield
    except (UnicodeEncodeError, OverflowError, DataError) as error:
        raise _cannot_hold(error) from None
    except DBAPIError as error:
        plain = _of_sqlite(error, url) if _is_sqlite(error) else _of_postgresql(error, url)
        if plain is None:
            raise
        raise plain from None
    except PermissionError as error:
        raise Unavailable(
            "file_unwritable",
            "The record's folder may not be written to.",
            where=str(error.filename),
            remedy="Give the account that runs this the right to write there.",
        ) from None


def _cannot_hold(error: Exception) -> Refused:
    """Surrogates, NUL, numbers of more than 64 bits: no row has them, so none is found."""
    return Refused(
        "bad_value",
        "No record can hold such a text or number.",
        expected="UTF-8 text without NUL, whole numbers of 64 bits",
        came=ascii(_first_line(error))[:120],
        remedy="Correct it.",
    )


def _is_sqlite(error: DBAPIError) -> bool:
    return isinstance(error.orig, sqlite3.Error)


def _of_sqlite(error: DBAPIError, url: str) -> SerialKeeperError | None:
    reason = str(error.orig)
    if isinstance(error, OperationalError):
        if "locked" in reason:
            return busy(reason, url)
        if reason.startswith("no such "):
            return _other_tables(reason, url)
        if plain := _of_disk(str(getattr(error.orig, "sqlite_errorname", "")), reason, url):
            return plain
        return Unavailable(
            "record_unreadable",
            f"The database does not answer: {reason}.",
            where=url,
            remedy="Check that the disk has room and may be written to, then try again.",
        )
    if isinstance(error, DatabaseError) and type(error.orig) is sqlite3.DatabaseError:
        return Damaged(
            "record_unreadable",
            f"The file is no readable database: {reason}.",
            where=url,
            remedy="Restore the record from a verified backup; keep this one as evidence.",
        )
    return None


def _of_disk(code: str, reason: str, url: str) -> SerialKeeperError | None:
    """By SQLite's result codes (sqlite.org/rescode.html): what the file's disk did not take."""
    if code in ("SQLITE_FULL", *_NOT_WRITTEN):
        return Unavailable(
            "record_full",
            f"The disk has no room for this, or does not take it: {reason}.",
            where=url,
            remedy="Make room on the record's disk. What was committed before stays; then give the "
            "same command again.",
        )
    if code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN")):
        return Unavailable(
            "file_unwritable",
            f"The record's file or folder may not be written to: {reason}.",
            where=url,
            remedy="Give the account that runs this the right to write there; looking needs it, "
            "too. From a disk that is for reading only, copy the file elsewhere first.",
        )
    return None


def _of_postgresql(error: DBAPIError, url: str) -> SerialKeeperError | None:
    """By SQLSTATE (PostgreSQL 15 documentation, appendix A); without one the server is away."""
    state = str(getattr(error.orig, "sqlstate", None) or "")
    reason = _first_line(error.orig)
    if state in ("55P03", "40P01", "40001", "57014", "25P03"):
        return busy(reason, url)
    if isinstance(error, IntegrityError) and state == "23505":
        return busy("another station wrote the same thing at the same moment", url)
    if state.startswith("28") or state in ("42501", "25006"):
        return _denied(reason, url)
    if state in ("42P01", "42703"):
        return _other_tables(reason, url)
    if state.startswith("53"):
        return Unavailable(
            "record_full",
            f"The server has no room for this: {reason}.",
            where=url,
            remedy="Ask whoever runs the server for disk, memory or connections; then try again.",
        )
    if state in ("3D000", "3F000"):
        return _missing(reason, url)
    if not state and not error.connection_invalidated:
        return _not_connected(reason, url)
    if not state or state[:2] in ("08", "57") or error.connection_invalidated:
        return Unavailable(
            "record_unreachable",
            f"The database server went away: {reason}.",
            where=url,
            expected="an answer",
            came="none",
            remedy="Look first at what the record says (lot show): the last thing done may have "
            "arrived or not. Then give the same command again; allocations and takes go on where "
            "they stopped.",
        )
    return None


def _not_connected(reason: str, url: str) -> SerialKeeperError:
    """A connection that never was; the driver tells no SQLSTATE of these."""
    passing = ("starting up", "shutting down", "too many", "connection slots", "recovery")
    if "FATAL" in reason and not any(words in reason for words in passing):
        if re.search('database ".*" does not exist', reason):
            return _missing(reason, url)
        return _denied(reason, url)
    if "no password supplied" in reason:
        return _denied(reason, url)
    return Unavailable(
        "record_unreachable",
        f"The database server does not answer: {reason}.",
        where=url,
        expected="an answer",
        came="none",
        remedy="Check that the server runs, and the host and port in the URL; then try again.",
    )


def _missing(reason: str, url: str) -> SerialKeeperError:
    return Refused(
        "record_missing",
        f"The server has no such database: {reason}.",
        where=url,
        expected="a database with a record, or an empty one for init",
        came="none",
        remedy="Let whoever runs the server make the database, or name another with --record.",
    )


def _first_line(error: BaseException | None) -> str:
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return (lines[0] if lines else type(error).__name__).rstrip(".")


def busy(reason: str, url: str) -> SerialKeeperError:
    """Another process is at work on the same thing, for longer than one waits."""
    return Unavailable(
        "record_busy",
        f"The database does not answer: {reason}.",
        where=url,
        remedy="Nothing was changed. Try again when the other process is done.",
    )


def _denied(reason: str, url: str) -> SerialKeeperError:
    return Refused(
        "record_denied",
        f"The server does not let this account do that: {reason}.",
        where=url,
        expected="an account with the right to read and write the record's tables",
        came="one without",
        remedy="Check the account's name, its password (in PGPASSWORD, or in a file of mode 0600 "
        "that PGPASSFILE names) and its rights: see `serialkeeper guide databases`.",
    )


def _other_tables(reason: str, url: str) -> SerialKeeperError:
    return record_changed(f"The record's tables are not the expected ones any more: {reason}.", url)


def record_moved(to: str, url: str) -> Refused:
    """Work goes on elsewhere, or is about to; or it is a backup, or was restored from one."""
    return recovery.standing(to, url) or Refused(
        "record_moved",
        "This record was moved: it is for looking only, so that no number is given twice.",
        where=url,
        expected="work on the record at the place where it is now",
        came=f"moved to {to}",
        remedy=f"Work there: --record {to}. If that record is not finished, give the command "
        "'record copy' again; to stay here instead, call the move off (--call-off).",
    )


def record_changed(message: str, url: str, *, came: str = "other tables") -> Unavailable:
    """Another version of the program is at work on the record."""
    return Unavailable(
        "record_changed",
        message,
        where=url,
        expected="the tables of this version",
        came=came,
        remedy="Another version of serialkeeper has migrated the record meanwhile; use that one.",
    )
