"""Kill a step at an instant of its own, so that a busy machine does not move the instant."""

from __future__ import annotations

import random
import signal
from collections.abc import Iterator

from ready import ran

OPENED = """
import signal
import sys
from pathlib import Path
import serialkeeper as sk
record = sk.open_record(sys.argv[1], person="Line Lead")
"""


def killed(after: float, step: str, *arguments: str) -> bool:
    """Run a step of the record `arguments[0]` in a process of its own; whether it was cut short.

    The system ends the process once it has used `after` seconds (more than 0) of processor time
    in the step. Like `kill -9`, this runs none of its code any more. Anything else that goes
    wrong fails the test.
    """
    timer = f"signal.setitimer(signal.ITIMER_PROF, {after})\n"
    code = ran(OPENED + timer + step, *arguments)
    assert code in (0, -signal.SIGPROF), f"the step ended with {code}"
    return code != 0


def cuts(chance: random.Random, step: str, *arguments: str) -> Iterator[None]:
    """Repeat a step, and kill it at instants that come later each time, until it runs to its end.

    Comes back after each kill, of which a fast machine sees fewer.
    """
    latest = 0.03
    while killed(chance.uniform(latest / 2.2, latest), step, *arguments):
        yield
        latest *= 2.2
