"""Folders with many files that are there whole or not at all; and reading such a folder again."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from serialkeeper.errors import Refused, Unavailable
from serialkeeper.outside.files import sync_folder


class NewFolder:
    """A folder that only its owner may enter, made beside its place and renamed when it is whole.

    Attributes:
        path: its place.
        sums: SHA-256 in hex by name of file, with `/` between folders.
        bytes: how many were written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.sums: dict[str, str] = {}
        self.bytes = 0
        if os.path.lexists(path):
            raise self._taken()
        try:
            made = tempfile.mkdtemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        except OSError as error:
            raise self._unwritable(error) from None
        self._own = Path(made)

    @contextmanager
    def file(self, name: str) -> Iterator[NewFile]:
        """A new file to write into; it is durable afterwards."""
        place = self._own / name
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            with place.open("xb") as opened:
                made = NewFile(opened)
                yield made
                opened.flush()
                os.fsync(opened.fileno())
        except OSError as error:
            raise self._unwritable(error) from None
        self.sums[name] = made.digest.hexdigest()
        self.bytes += made.size

    def deliver(self) -> None:
        """Give the folder its name. Refuses `file_exists` if there is something meanwhile."""
        try:
            for folder, _, _ in os.walk(self._own):
                sync_folder(Path(folder))
            try:
                self._own.rename(self.path)  # takes the place of an empty folder at most
            except OSError:
                if os.path.lexists(self.path):
                    raise self._taken() from None
                raise
            sync_folder(self.path.absolute().parent)
        except OSError as error:
            raise self._unwritable(error) from None

    def __enter__(self) -> NewFolder:
        return self

    def __exit__(self, *_: object) -> None:
        shutil.rmtree(self._own, ignore_errors=True)

    def _taken(self) -> Refused:
        return Refused(
            "file_exists",
            "There is something of that name already.",
            where=str(self.path),
            expected="a new name",
            came="a folder or file",
            remedy="Choose another name, or move the old one away.",
        )

    def _unwritable(self, error: OSError) -> Unavailable:
        return Unavailable(
            "file_unwritable",
            f"The folder cannot be written: {error.strerror}.",
            where=str(self.path),
            remedy="Check that the folder around it is there, may be written to and has room.",
        )


class NewFile:
    """One file of a new folder."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.digest = hashlib.sha256()
        self.size = 0

    def write(self, data: bytes) -> None:
        """Append bytes."""
        self._file.write(data)
        self.digest.update(data)
        self.size += len(data)


def files_in(folder: Path) -> tuple[dict[str, Path], list[str]]:
    """The plain files in a folder by name, with `/` between folders; and the names of whatever
    else is there, links included, which nobody may follow.

    Refuses `file_missing`.
    """
    plain: dict[str, Path] = {}
    others: list[str] = []

    def fail(error: OSError) -> None:
        raise unreadable(folder, error)

    for here, folders, files in os.walk(folder, onerror=fail):
        for name in (*folders, *files):
            path = Path(here) / name
            called = path.relative_to(folder).as_posix()
            if path.is_symlink() or not (path.is_dir() or path.is_file()):
                others.append(called)
            elif path.is_file():
                plain[called] = path
    return plain, others


def unreadable(path: Path, error: OSError) -> Refused:
    """A file or folder that cannot be read."""
    return Refused(
        "file_missing",
        "The folder or a file in it cannot be read.",
        where=str(path),
        expected="a folder made by: record export",
        came=error.strerror or type(error).__name__,
        remedy="Correct the name, or the right to read it.",
    )


def digest_of(path: Path) -> str:
    """SHA-256 of a file, in hex. Refuses `file_missing`."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise unreadable(path, error) from None
