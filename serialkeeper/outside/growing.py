"""A results file that another program is still writing.

Its bytes come as blocks, in order, each once. What was read must stay as it was: a file that
gets shorter is refused at once, one that was changed when it is taken in. A file that is renamed
is read on through the open handle until the name stands for a new file.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path
from time import monotonic, sleep

from serialkeeper.errors import Refused
from serialkeeper.outside.camera import Source, opened

_BLOCK = 4 << 20
_FIRST = 4
"""Bytes that have to be there before the first block: a byte order mark stands whole in it."""

EVERY = 0.1
"""Seconds between two looks at the file."""


class Growing:
    """The file and how far it was read.

    Attributes:
        source: the file, open.
        size: bytes read.
        grew: when bytes came last, by the machine's monotonic clock in seconds.
    """

    def __init__(self, path: Path) -> None:
        self._file = opened(path)
        self.source = Source(path, self._file)
        self.size = 0
        self.grew = monotonic()
        self._digest = hashlib.sha256()

    def begins_with(self, size: int, sha256: str) -> bool:
        """Whether the first bytes of the file hash to that."""
        self._file.seek(0)
        found, left = hashlib.sha256(), size
        while left and (data := self._file.read(min(_BLOCK, left))):
            found.update(data)
            left -= len(data)
        return not left and (not size or found.hexdigest() == sha256)

    @property
    def sha256(self) -> str:
        """SHA-256 (hex) of the bytes read."""
        return self._digest.hexdigest()

    @property
    def quiet(self) -> float:
        """Seconds since bytes came last."""
        return monotonic() - self.grew

    def blocks(self) -> Iterator[bytes]:
        """The file's bytes without end, an empty block whenever nothing more is there for now.

        Refuses `results_changed` if the file gets shorter.
        """
        self._file.seek(0)
        while True:
            data = self._file.read(_BLOCK) if self._ready() else b""
            if data:
                self._digest.update(data)
                self.size += len(data)
                self.grew = monotonic()
            yield data
            if not data:
                sleep(EVERY)

    def _ready(self) -> bool:
        there = os.fstat(self._file.fileno()).st_size
        if there < self.size:
            raise changed(self.source.path, f"{self.size:,} bytes as read", f"{there:,} bytes")
        return there > self.size and there >= _FIRST

    def replaced(self) -> bool:
        """Whether the name stands for another file now."""
        try:
            now, ours = self.source.path.stat(), os.fstat(self._file.fileno())
        except FileNotFoundError:
            return False
        return (now.st_dev, now.st_ino) != (ours.st_dev, ours.st_ino)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


def changed(path: Path, expected: str, came: str) -> Refused:
    """The refusal of a file that does not hold any more what was read of it."""
    return Refused(
        "results_changed",
        "What was read of the file is not there any more.",
        where=str(path),
        expected=expected,
        came=came,
        remedy="If the camera went on in a new file while nobody followed, take the old one in "
        "first (inspect take), then follow the new one; otherwise find out who changed it.",
    )
