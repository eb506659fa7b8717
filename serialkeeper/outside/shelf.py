"""A folder that a receiver reads: files get their names when they are whole, each once."""

from __future__ import annotations

import hashlib
import stat
from pathlib import Path

from serialkeeper.errors import Refused, Unavailable
from serialkeeper.outside.files import Delivery


def lay(folder: Path, name: str, data: bytes) -> bool:
    """Put a file there, whole and durable; whether this call did, or it was there already.

    Refuses `file_exists` if another file has that name, `file_unwritable`.
    """
    path = folder / name
    try:
        with Delivery(path) as file:
            file.write(data)
            file.sync()
            file.deliver()
    except Refused:
        if _holds(path, data):
            return False
        raise
    return True


def _holds(path: Path, data: bytes) -> bool:
    """Whether the file of that name has these bytes."""
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode) or found.st_size != len(data):
            return False
        with path.open("rb") as file:
            there = hashlib.file_digest(file, "sha256").digest()
    except OSError as error:
        raise Unavailable(
            "file_unwritable",
            f"The file there cannot be read: {error.strerror}.",
            where=str(path),
            remedy="Check the rights on the folder and on the file.",
        ) from None
    return there == hashlib.sha256(data).digest()
