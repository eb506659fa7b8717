"""The keys of sessions that were begun at this station, each in a file of its owner's alone."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
from dataclasses import asdict, dataclass
from pathlib import Path

_LONGEST = 10_000
"""Characters of a session's file that are read."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A session as the station keeps it.

    Attributes:
        id: its number in the record.
        person: whose, to be shown.
        key: what proves it.
        badge: the text of the badge that began it, or empty.
    """

    id: int
    person: str
    key: str
    badge: str


def keep(url: str, station: str, session: Kept) -> None:
    """Keep a session instead of the one that was there."""
    path = place(url, station)
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    own = path.with_name(f"{path.name}.{os.getpid()}")
    own.unlink(missing_ok=True)
    handle = os.open(own, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w") as file:
        json.dump(asdict(session), file)
    own.replace(path)


def kept(url: str, station: str) -> Kept | None:
    """The session that is kept here; None for none, or for a file that others can touch."""
    try:
        with place(url, station).open() as file:
            there = os.fstat(file.fileno())
            ours = there.st_uid == os.getuid() and not stat.S_IMODE(there.st_mode) & 0o077
            found = Kept(**json.loads(file.read(_LONGEST))) if ours else None
    except (OSError, ValueError, TypeError, RecursionError):
        return None
    texts = (found.person, found.key, found.badge) if found else ()
    plain = all(isinstance(text, str) for text in texts)
    return found if found and plain and type(found.id) is int else None


def drop(url: str, station: str) -> None:
    """Keep none any more."""
    with contextlib.suppress(OSError):
        place(url, station).unlink()


def place(url: str, station: str) -> Path:
    """Where a session of that record at that station is kept: in SERIALKEEPER_SESSIONS, the
    account's own folder for the time it is signed in, or its home."""
    named = os.environ.get("SERIALKEEPER_SESSIONS") or os.environ.get("XDG_RUNTIME_DIR")
    folder = Path(named) if named else Path.home() / ".local" / "state"
    name = hashlib.sha256(f"{_whole(url)} {station}".encode()).hexdigest()[:24]
    return folder / "serialkeeper" / name


def _whole(url: str) -> str:
    """The URL with a file's whole path: the same name in another folder is another record."""
    before, file, path = url.partition("sqlite:///")
    return f"{file}{Path(path).resolve()}" if file and not before else url
