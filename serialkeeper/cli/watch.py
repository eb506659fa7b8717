"""What is shown while a results file is followed: a screen, or one JSON line a second."""

from __future__ import annotations

import signal
import sys
import threading
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from time import monotonic
from types import FrameType
from typing import Any

import orjson
import typer

from serialkeeper.cli.alarm import alarm_text
from serialkeeper.cli.answer import call
from serialkeeper.outside import clock
from serialkeeper.outside.command import Command
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.counts import many
from serialkeeper.steps.inspection import Onlooker, Progress

SO_FAR = "Seen so far; nothing is commissioned before the file is finished."
NO_STOP = "This tool stops no machine."
TWICE = 2.0
"""Seconds within which a second Ctrl-C says that the file is finished."""

_RATE_OVER = 5.0
"""Seconds over which labels per second are counted."""

_LOOK_EVERY = 60.0
"""Seconds between two looks at whether a checkpoint is due."""


class Watcher(Onlooker):
    """Shows what was seen, runs the command for alarms, hears Ctrl-C.

    Attributes:
        command: is run for every alarm, or None.
    """

    every = 1.0
    """Seconds between two showings."""

    def __init__(self) -> None:
        self.command: Command | None = None
        self._pressed: list[float] = []
        self._shown = 0.0
        self._marks: deque[tuple[float, int]] = deque()
        self._checkpoint = threading.Thread()
        self._looked = monotonic()

    def saw(self, progress: Progress) -> None:
        """Show it, from time to time."""
        now = monotonic()
        if now - self._shown >= self.every:
            self._shown = now
            self.show(progress, self._rate(now, progress.readings))
        if now - self._looked >= _LOOK_EVERY and not self._checkpoint.is_alive():
            # Beside the following: a folder that does not answer must not keep back an alarm.
            self._looked = now
            self._checkpoint = threading.Thread(target=call.protect, args=(self.say,), daemon=True)
            self._checkpoint.start()

    def _rate(self, now: float, readings: int) -> float:
        """Readings per second lately."""
        marks = self._marks
        marks.append((now, readings))
        while now - marks[0][0] > _RATE_OVER:
            marks.popleft()
        start, before = marks[0]
        return (readings - before) / (now - start) if now > start else 0.0

    def show(self, progress: Progress, rate: float) -> None:
        """Show what was seen so far."""

    def say(self, text: str) -> None:
        """Say a sentence."""

    def alarm(self, alarm: dict[str, Any]) -> None:
        """Show an alarm and run the command."""
        if self.command:
            self.command.call(orjson.dumps(alarm) + b"\n")

    def command_failed(self, why: str) -> None:
        """The command for an alarm did not run well; following goes on."""
        self.say(f"--on-alarm: {why}")

    def asked(self) -> str:
        """Ctrl-C once leaves the file for later, twice says that it is finished."""
        if len(self._pressed) >= 2:
            return "finish"
        if self._pressed and monotonic() - self._pressed[0] > TWICE:
            return "stop"
        return ""

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Hear Ctrl-C meanwhile."""

        def pressed(_signal: int, _frame: FrameType | None) -> None:
            self._pressed.append(monotonic())
            if len(self._pressed) == 1:
                self.say(
                    f"Ctrl-C again within {TWICE:g} s: the file is finished and taken in. "
                    "Otherwise following stops, and the same command goes on."
                )

        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = signal.signal(signal.SIGINT, pressed)
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, before)


class Lines(Watcher):
    """One JSON line a second, and one for each alarm."""

    def _put(self, event: str, facts: dict[str, Any]) -> None:
        line = {"event": event, "at": clock.now().isoformat(timespec="milliseconds"), **facts}
        sys.stdout.write(orjson.dumps(line).decode() + "\n")
        sys.stdout.flush()

    def show(self, progress: Progress, rate: float) -> None:
        """One line."""
        self._put(
            "seen",
            {
                "lot": progress.lot,
                "file": progress.file,
                "readings": progress.readings,
                "labels_per_second": round(rate, 1),
                "outcomes": dict(progress.outcomes),
                "alarms_open": progress.alarms_open,
                "doubtful": [doubt.as_dict() for doubt in progress.doubts],
                "note": SO_FAR,
            },
        )

    def say(self, text: str) -> None:
        """For people, so not among the lines."""
        typer.echo(text, err=True)

    def alarm(self, alarm: dict[str, Any]) -> None:
        """One line, and the command."""
        self._put("alarm", alarm)
        super().alarm(alarm)

    def command_failed(self, why: str) -> None:
        """One line."""
        self._put("command_failed", {"why": why})

    def taken(self, summary: dict[str, Any]) -> None:
        """One line with what `inspect take --json` says."""
        self._put("taken", summary)

    def ended(self, result: dict[str, Any]) -> None:
        """The last line."""
        self._put("ended", {name: result[name] for name in ("finished", "readings", "alarms_open")})


class Screen(Watcher):
    """A terminal: counts, alarms, the last doubtful labels."""

    every = 0.25

    def __init__(self) -> None:
        super().__init__()
        from rich.console import Console
        from rich.live import Live

        self._told: deque[str] = deque(maxlen=6)
        self._live = Live(
            console=Console(), auto_refresh=False, screen=False, redirect_stderr=False
        )

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Hear Ctrl-C and hold the screen meanwhile."""
        with super().listening(), self._live:
            yield

    def show(self, progress: Progress, rate: float) -> None:
        """Draw the screen anew."""
        from rich.text import Text

        self._live.update(Text("\n".join(self._lines(progress, rate))), refresh=True)

    def _lines(self, progress: Progress, rate: float) -> Iterator[str]:
        yield f"Lot {progress.lot}, following {progress.file}"
        yield f"  {many(progress.readings, 'reading')}, labels a second: {rate:,.0f}"
        for word, count in sorted(progress.outcomes.items(), key=lambda one: -one[1]):
            yield f"  {word.replace('_', ' '):18}{count:>12,}"
        yield f"  {'alarms open':18}{progress.alarms_open:>12,}" + (
            f"   serialkeeper alarm list {progress.lot}" if progress.alarms_open else ""
        )
        yield from (f"  {line}" for line in self._told)
        if progress.doubts:
            yield f"  last doubtful:{'line':>8} {'position':>10} {'lane':>5} {'row':>7}  finding"
        for doubt in reversed(progress.doubts):
            yield (
                f"  {doubt.line:>22,} {doubt.position or '-':>10} {doubt.lane or '-':>5} "
                f"{doubt.row or '-':>7}  {doubt.word}"
            )
        yield f"{SO_FAR} {NO_STOP}"
        yield CAUTION

    def say(self, text: str) -> None:
        """Shown with the next drawing."""
        self._told.append(text)

    def alarm(self, alarm: dict[str, Any]) -> None:
        """Printed above the screen, where it stays; and the command."""
        self._live.console.print(f"ALARM {alarm['id']}: {alarm_text(alarm)}", highlight=False)
        super().alarm(alarm)
