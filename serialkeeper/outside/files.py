"""Files that are whole or not there at all.

A delivered file is written under a temporary name beside its place, synced, and renamed
only when the record has committed what it says of it.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import tempfile
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from serialkeeper.errors import Refused, Unavailable

LONGEST_WORDS = 100_000_000
"""Characters of a file of positions."""

SYNCED_EVERY = 16 << 20
"""Bytes of a file after which they are made durable while the next ones are made."""


class Delivery:
    """A file on its way out. Leaving the block without `deliver` removes it.

    Attributes:
        size: bytes written so far.
    """

    def __init__(self, path: Path) -> None:
        if os.path.lexists(path):
            raise _taken(path)
        self.path = path
        self.size = 0
        self._digest, self._unsynced = hashlib.sha256(), 0
        self._waiting: list[Future[None]] = []
        self._temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
        try:
            self._file = self._temporary.open("xb")
        except OSError as error:
            raise _unwritable(path, error) from None
        self._writing = ThreadPoolExecutor(1)

    def write(self, data: bytes) -> None:
        """Append bytes; they are written and hashed while the next ones are made."""
        self.size += len(data)
        self._waiting.append(self._writing.submit(self._put, data))
        self._wait(4)

    def _put(self, data: bytes) -> None:
        self._file.write(data)
        self._digest.update(data)
        self._unsynced += len(data)
        if self._unsynced >= SYNCED_EVERY:
            self._flush()

    def _flush(self) -> None:
        self._file.flush()
        os.fsync(self._file.fileno())
        self._unsynced = 0

    def _wait(self, most: int) -> None:
        """Until at most so many pieces wait to be written."""
        try:
            while len(self._waiting) > most:
                self._waiting.pop(0).result()
        except OSError as error:
            raise _unwritable(self.path, error) from None

    def sync(self) -> str:
        """Make what was written durable; gives its SHA-256 in hex."""
        self._wait(0)
        try:
            self._flush()
        except OSError as error:
            raise _unwritable(self.path, error) from None
        return self._digest.hexdigest()

    def deliver(self) -> None:
        """Give the file its name. Refuses `file_exists` if somebody else took it."""
        self._file.close()
        _name(self._temporary, self.path)

    def __enter__(self) -> Delivery:
        return self

    def __exit__(self, _kind: object, failed: object, _trace: object) -> None:
        self._writing.shutdown(cancel_futures=True)
        try:
            self._file.close()
        except OSError as error:
            if failed is None:
                raise _unwritable(self.path, error) from None
        finally:
            self._temporary.unlink(missing_ok=True)


@contextmanager
def private_copy(path: Path) -> Iterator[Path]:
    """A new, empty file of mode 0600 in a folder of its own beside a file to be made; gone
    afterwards, with all that is beside it.

    Refuses `file_exists`, `file_unwritable`.
    """
    if os.path.lexists(path):
        raise _taken(path)
    try:
        with tempfile.TemporaryDirectory(prefix=f".{path.name}.", dir=path.parent) as folder:
            own = Path(folder) / "part"
            os.close(os.open(own, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
            yield own
    except OSError as error:
        raise _unwritable(path, error) from None


def claim(own: Path, path: Path) -> tuple[int, str]:
    """Give a whole file its name, durably; gives its size and SHA-256 in hex.

    Refuses `file_exists` if somebody else took it.
    """
    with own.open("rb") as file:
        os.fsync(file.fileno())
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        size = file.tell()
    _name(own, path)
    return size, digest


def _name(own: Path, path: Path) -> None:
    """The file gets that name, if nobody has it. Refuses `file_exists`, `file_unwritable`."""
    try:
        os.link(own, path)
    except FileExistsError:
        raise _taken(path) from None
    except OSError:
        # Some file systems know no hard links; the small window to overwrite remains.
        if os.path.lexists(path):
            raise _taken(path) from None
        try:
            own.rename(path)
        except OSError as error:
            raise _unwritable(path, error) from None
    own.unlink(missing_ok=True)
    try:
        sync_folder(path.absolute().parent)
    except OSError as error:
        raise _unwritable(path, error) from None


def _taken(path: Path) -> Refused:
    return Refused(
        "file_exists",
        "There is a file of that name already.",
        where=str(path),
        expected="a new name",
        came="a file",
        remedy="Choose another name, or move the old file away.",
    )


def read_words(path: Path) -> list[str]:
    """The words of a small text file, with commas or white space between them.

    Refuses `file_missing`, `bad_value`.
    """
    try:
        with path.open(encoding="ascii") as file:
            text = file.read(LONGEST_WORDS + 1)
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(
            "file_missing",
            "The file of positions cannot be read.",
            where=str(path),
            expected="positions with commas or line feeds between them",
            came=type(error).__name__,
            remedy="Check the file.",
        ) from None
    if len(text) > LONGEST_WORDS:
        raise Refused(
            "bad_value",
            "The file of positions is too long.",
            where=str(path),
            expected=f"{LONGEST_WORDS:,} characters at most",
            came="more",
            remedy="Name stretches, such as 1-5000, or check the file.",
        )
    return text.replace(",", " ").split()


def read_text(path: Path, longest: int) -> str:
    """The text of a small UTF-8 file; one character more than the longest, if it is longer.

    Refuses `file_missing`.
    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            return file.read(longest + 1)
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(
            "file_missing",
            "The file cannot be read.",
            where=str(path),
            expected="a text file in UTF-8",
            came=type(error).__name__,
            remedy="Check the file's name and what is in it.",
        ) from None


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _unwritable(path: Path, error: OSError) -> Unavailable:
    return Unavailable(
        "file_unwritable",
        f"The file cannot be written: {error.strerror}.",
        where=str(path),
        remedy="Check that the folder is there, may be written to and has room.",
    )
