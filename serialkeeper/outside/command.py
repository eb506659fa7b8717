"""A command of the user's that is run for every alarm: a lamp, a message, a sound.

No shell reads it, it gets the alarm as JSON on its standard input, and it never holds up or
stops what called it: it runs beside, has a time limit, and what goes wrong is only reported.
"""

from __future__ import annotations

import shlex
import subprocess
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Lock

from serialkeeper.errors import WrongUsage
from serialkeeper.outside.secrets import environment

LONGEST = 10.0
"""Seconds that a command may take."""

MOST_WAITING = 20
"""Alarms that may wait for the command; more are not passed on, and that is reported."""


class Command:
    """A command that is called with a text, one call after the other."""

    def __init__(self, line: str, report: Callable[[str], None]) -> None:
        """Understand a command line, quoted as in a shell.

        Args:
            line: the program and its arguments.
            report: is told what went wrong, from another thread.

        Refuses `usage` for what is no command line.
        """
        try:
            self.words = shlex.split(line)
        except ValueError:
            self.words = []
        if not self.words:
            raise WrongUsage(
                "usage",
                "The command is not understood.",
                where="--on-alarm",
                expected="a program and its arguments, quoted as in a shell",
                came=line,
                remedy="Correct the quotes; the command is run without a shell.",
            )
        self._report = report
        self._pool = ThreadPoolExecutor(1)
        self._waiting = 0
        self._lock = Lock()

    def call(self, text: bytes) -> None:
        """Run the command beside, with this text on its standard input."""
        with self._lock:
            if self._waiting >= MOST_WAITING:
                self._report(f"not run: alarms that wait for it already: {self._waiting}")
                return
            self._waiting += 1
        self._pool.submit(self._run, text)

    def _run(self, text: bytes) -> None:
        try:
            done = subprocess.run(  # noqa: S603 - the user's own command, and no shell
                self.words,
                input=text,
                capture_output=True,
                timeout=LONGEST,
                check=False,
                env=environment(),
            )
            if done.returncode:
                told = done.stderr[:200].decode(errors="replace").strip()
                self._report(f"exit code {done.returncode}" + (f": {told}" if told else ""))
        except subprocess.TimeoutExpired:
            self._report(f"stopped after {LONGEST:g} s")
        except (OSError, ValueError) as error:
            self._report(str(error))
        finally:
            with self._lock:
                self._waiting -= 1

    def __enter__(self) -> Command:
        return self

    def __exit__(self, *_: object) -> None:
        """Wait for the calls that are under way."""
        self._pool.shutdown()
