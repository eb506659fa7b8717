"""What takes longer than somebody waits for a page: done in a thread of its own, one of a kind at a
time, while pages go on; how far it is can be asked. It ends with the server."""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from serialkeeper.errors import SerialKeeperError, Unavailable
from serialkeeper.outside import clock
from serialkeeper.store.record import Record
from serialkeeper.web.problems import fault

KEPT = 20
"""Reports that can be fetched; the oldest are dropped first."""

LAST_SECONDS = 10.0
"""How long the end of the server waits for what does not stop at once."""


class Stopping(Exception):
    """The server ends, or somebody wants it to stop."""


@dataclass(slots=True)
class Task:
    """Something that is being done, or was.

    Attributes:
        number: of it; counted from the start of the server.
        kind: of which only one goes on at a time.
        person: who wants it.
        about: what it is about, a lot say.
        began: when, UTC.
        done, of: how far it is; `of` is 0 as long as nobody knows.
        state: `running`, `finished`, `failed` or `stopped`.
        result: what it gave.
        error: why it failed.
        folder: for its files; gone with it.
    """

    number: int
    kind: str
    person: str
    about: str
    began: str
    folder: tempfile.TemporaryDirectory[str]
    done: int = 0
    of: int = 0
    state: str = "running"
    result: Any = None
    error: SerialKeeperError | None = None
    stop: threading.Event = field(default_factory=threading.Event)
    thread: threading.Thread | None = None

    def seen(self, done: int, of: int) -> None:
        """How far it is. Raises `Stopping` if it is to end."""
        self.done, self.of = done, of
        if self.stop.is_set():
            raise Stopping

    @property
    def files(self) -> Path:
        """Where its files are."""
        return Path(self.folder.name)

    def describe(self) -> dict[str, Any]:
        """As pages tell it."""
        told = {name: getattr(self, name) for name in ("number", "kind", "person", "about")}
        told |= {name: getattr(self, name) for name in ("began", "done", "of", "state", "result")}
        return {**told, "error": self.error.as_dict() if self.error else None}


class Background:
    """All tasks of a server.

    Args:
        protect: makes a checkpoint where what was written makes one due.
    """

    def __init__(self, protect: Callable[[Record], None]) -> None:
        self.protect = protect
        self._tasks: list[Task] = []
        self._lock = threading.Lock()
        self._count = 0

    def start(
        self, kind: str, person: str, do: Callable[[Task], Any], *, about: str = "", began: str
    ) -> Task:
        """Begin a task. Refuses `record_busy` where one of its kind is running.

        Args:
            do: does it, and gives its result; it calls `seen` every now and then.
        """
        with self._lock:
            if any(one.kind == kind and one.state == "running" for one in self._tasks):
                raise Unavailable(
                    "record_busy",
                    "That is being done already, for somebody.",
                    expected="one at a time",
                    remedy="Wait for its end; this page says how far it is.",
                )
            self._count += 1
            folder = tempfile.TemporaryDirectory(prefix="serialkeeper-")
            task = Task(self._count, kind, person, about, began, folder)
            self._tasks.append(task)
            self._forget(kind)
        task.thread = threading.Thread(target=_run, args=(task, do), daemon=True)
        task.thread.start()
        return task

    def _forget(self, kind: str) -> None:
        old = [one for one in self._tasks if one.kind == kind and one.state != "running"]
        for one in old[: max(0, len(old) - KEPT)]:
            self._tasks.remove(one)
            one.folder.cleanup()

    def of(self, kind: str, about: str = "") -> list[Task]:
        """The tasks of a kind, the newest first."""
        with self._lock:
            some = [one for one in self._tasks if one.kind == kind and about in ("", one.about)]
        return some[::-1]

    def close(self) -> None:
        """Nothing goes on any more: the record is about to be closed."""
        with self._lock:
            tasks = list(self._tasks)
        for one in tasks:
            one.stop.set()
        until = clock.seconds() + LAST_SECONDS
        for one in tasks:
            if one.thread:
                one.thread.join(max(0.0, until - clock.seconds()))
            one.folder.cleanup()


def _run(task: Task, do: Callable[[Task], Any]) -> None:
    try:
        task.result = do(task)
        task.state = "finished"
    except Stopping:
        task.state = "stopped"
    except SerialKeeperError as error:
        task.error = error
        task.state = "failed"
    except Exception as error:
        task.error = fault(error)
        task.state = "failed"
