"""Sending that a page began: in the background, one at a time, for as long as the server lives.

What comes of it stands in the record, where every other sender tells it too.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Annotated, Any

from fastapi import Depends, Request

from serialkeeper import nouns
from serialkeeper.errors import SerialKeeperError
from serialkeeper.store.record import Record

AT_ONCE = 1.5
"""Seconds for which a page waits for the sending that it began; most of it is done by then."""

LAST_SECONDS = 15.0
"""How long the exchange under way may go on when the server ends."""


class Sender:
    """Sends in the background.

    Args:
        protect: is called with the record after each sending.
        say: takes a line where one ends badly.
    """

    def __init__(self, protect: Callable[[Record], None], say: Callable[[str], None]) -> None:
        self._protect, self._say = protect, say
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None

    def send(self, record: Record, *, to: str, lot: str) -> dict[str, Any] | None:
        """Send in that person's name. Gives what the step gives if that is done at once, and None
        while it goes on, or while another one does.

        Refuses what the step does.
        """
        came: list[dict[str, Any] | SerialKeeperError] = []
        with self._lock:
            if self._thread and self._thread.is_alive():
                return None
            work = threading.Thread(target=self._run, args=(record, to, lot, came), daemon=True)
            self._thread = work
            work.start()
        work.join(AT_ONCE)
        if not came:
            return None
        if isinstance(came[0], SerialKeeperError):
            raise came[0]
        return came[0]

    def _run(self, record: Record, to: str, lot: str, came: list[Any]) -> None:
        try:
            came.append(nouns.events.send(record, to=to, lot=lot, stopping=self._stopping))
            self._protect(record)
        except SerialKeeperError as error:
            came.append(error)
            self._say(f"sending ended: {error.word}")
        except Exception as error:
            self._say(f"fault of ours while sending: {type(error).__name__}")
            raise

    def stop(self) -> None:
        """End it after the exchange under way."""
        self._stopping.set()
        if self._thread:
            self._thread.join(LAST_SECONDS)


def _sender(request: Request) -> Sender:
    sender: Sender = request.app.state.sender
    return sender


AtWork = Annotated[Sender, Depends(_sender)]
"""The server's own sender."""
