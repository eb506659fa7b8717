"""How far a long step is, and how that is told."""

from __future__ import annotations

from collections.abc import Callable

Seen = Callable[[str, int, int], None]
"""Is told what is counted (`numbers`, `labels`, `entries`), how many are done, and of how many; 0
where nobody knows."""


Counted = Callable[[int, int], None]
"""The same, where it is known what is counted."""

CHECKED, COPIED = "entries and blocks checked", "entries copied"
"""What several steps count."""


def nobody(what: str, done: int, of: int) -> None:
    """Tells nobody."""


def place(what: str, done: int, of: int) -> str:
    """How far it is.

    >>> place("labels", 1200, 5000), place("events", 7, 0)
    ('1,200 of 5,000 labels', '7 events')
    """
    return f"{done:,} of {of:,} {what}" if of else f"{done:,} {what}"


def line(what: str, done: int, of: int, since: int, seconds: float) -> str:
    """The same with the rate, and the time that is left at that rate.

    Args:
        since: how many were done when somebody began to look.
        seconds: how long ago that was.

    >>> line("labels", 3000, 5000, 1000, 4.0), line("labels", 10, 20, 10, 1.0)
    ('3,000 of 5,000 labels, 500/s, 4 s left', '10 of 20 labels')
    """
    told = place(what, done, of)
    rate = (done - since) / seconds if seconds > 0 else 0.0
    if rate <= 0:
        return told
    left = f", {_span((of - done) / rate)} left" if of > done else ""
    return f"{told}, {rate:,.0f}/s{left}" if rate >= 1 else f"{told}{left}"


def _span(seconds: float) -> str:
    """A time for people; one second at least."""
    whole = max(round(seconds), 1)
    if whole < 100:
        return f"{whole} s"
    minutes = round(whole / 60)
    return f"{minutes} min" if minutes < 100 else f"{round(minutes / 60)} h"
