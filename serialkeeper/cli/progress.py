"""How far a long command is, on a terminal; remembered in any case, for whoever stops it."""

from __future__ import annotations

from time import monotonic
from typing import TextIO

from serialkeeper.rules import progress

EVERY = 0.2
"""Seconds between two showings."""


class Shown:
    """Shows progress on one line, which is gone when the command answers.

    Attributes:
        last: how far it was, in words; empty before anything was told.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream if stream is not None and stream.isatty() else None
        self._what, self._since, self._began, self._drawn = "", 0, 0.0, 0.0
        self._width = 0
        self.last = ""

    def told(self, what: str, done: int, of: int) -> None:
        """Take note, and show it from time to time."""
        now = monotonic()
        if what != self._what:
            self._what, self._since, self._began, self._drawn = what, done, now, 0.0
        self.last = progress.place(what, done, of)
        if self._stream and now - self._drawn >= EVERY:
            self._drawn = now
            line = progress.line(what, done, of, self._since, now - self._began)
            self._stream.write(f"\r{line:{self._width}}")
            self._stream.flush()
            self._width = len(line)

    def clear(self) -> None:
        """Take the line away."""
        if self._stream and self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()
        self._width = 0
