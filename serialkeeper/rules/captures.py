"""What to do next with a document on its way to a capture interface, given what came back.

    POST /capture            what it means                        next
    202                      a capture job was made               follow it
    another 2xx              stored or not, it does not say       ask
    429, or no connection    nothing is stored                    again, later
    413                      nothing is stored: too large         split
    400, 409, 422 ...        nothing is stored: refused           a person
    3xx, 401, 403 to 406, 415   nothing is stored                 a person, for all documents
    408, 5xx, no answer      stored or not, nobody knows          ask

A job that ended well has stored everything; one that ended badly is asked about, too, since
`proceed` stores what it can. Asked is GET /events by event ID. An event that is declared an error
bears the ID that it always had, so an event is known by its ID and whether it is declared.

Source: EPCIS 2.0 (ISO/IEC 19987), REST bindings; RFC 9110 for the statuses, RFC 9457 for problems,
RFC 9110 section 10.2.3 for Retry-After.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from enum import Enum
from typing import Any

import orjson

UNSENT, LOST = 0, -1
"""Statuses of what has no answer: nothing left this side; something did, and no answer came."""

LIMIT_HEADERS = ("gs1-epcis-capture-limit", "gs1-epcis-capture-file-size-limit")
"""Events and bytes that one document may have."""

Mark = tuple[str, bool]
"""What an event is known by: its ID, and whether it is declared an error."""


class Next(Enum):
    """What is done next."""

    FOLLOW = "follow the capture job"
    ASK = "ask which events are stored"
    AGAIN = "the same once more, later"
    SPLIT = "make smaller documents"
    PERSON = "the document waits for a person"
    STOP = "the destination waits for a person"
    STORED = "all of it is stored"
    FAILED = "the capture job did not store all of it"
    LATER = "the capture job is at work"


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back.

    Attributes:
        status: of HTTP, UNSENT or LOST.
        headers: with names in small letters.
        body: as it came, no more of it than was wanted.
        why: in words, where there is no answer, or none that can be used.
    """

    status: int
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""
    why: str = ""

    @property
    def said(self) -> str:
        """The answer in words, as far as it has any."""
        if self.why:
            return self.why
        told = _object(self.body)
        words = [told[name] for name in ("title", "detail") if isinstance(told.get(name), str)]
        return f"HTTP {self.status}" + "".join(f" {word}" for word in words)

    def number(self, header: str) -> int:
        """A whole number in a header; 0 for none."""
        text = self.headers.get(header, "").strip()
        return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else 0

    def wait(self, now: datetime) -> float | None:
        """Seconds that the receiver wants us to wait; None if it says nothing of it."""
        text = self.headers.get("retry-after", "").strip()
        if not text:
            return None
        if text.isascii() and text.isdigit() and len(text) < 10:
            return float(text)
        try:
            until = parsedate_to_datetime(text)
        except ValueError:
            return None
        if until.tzinfo is None:
            until = until.replace(tzinfo=UTC)
        return max(0.0, (until - now).total_seconds())


@dataclass(frozen=True, slots=True)
class Pace:
    """How patient a sender is, in seconds.

    Attributes:
        tries: at one document, or question.
        first, most: what the waits between them grow from, and to; each is drawn from 0 on.
        look, looks: between two looks at a capture job; for so long, before it is left for later.
        longest: the longest wait that a receiver may ask for; longer ones leave it for later.
    """

    tries: int = 8
    first: float = 0.5
    most: float = 30.0
    look: float = 0.5
    looks: float = 300.0
    longest: float = 60.0


def after_post(answer: Answer) -> Next:
    """What to do after a document was sent."""
    match answer.status:
        case 202:
            return Next.FOLLOW
        case 413:
            return Next.SPLIT
        case 429 | 425 | 0:
            return Next.AGAIN
        case 401 | 403 | 404 | 405 | 406 | 415:
            return Next.STOP
        case status if 300 <= status < 400:
            return Next.STOP
        case 408 | -1:
            return Next.ASK
        case status if 400 <= status < 500:
            return Next.PERSON
    return Next.ASK


def after_look(answer: Answer) -> Next:
    """What to do after a look at a capture job. That it goes well so far says nothing."""
    if answer.status in (UNSENT, LOST, 408, 425, 429) or answer.status >= 500:
        return Next.AGAIN
    if answer.status in (401, 403):
        return Next.STOP
    told = _object(answer.body) if answer.status == 200 else {}
    match told.get("running"), told.get("success"):
        case True, _:
            return Next.LATER
        case False, True:
            return Next.STORED
        case False, False:
            return Next.FAILED
    return Next.ASK


def errors_of(answer: Answer) -> str:
    """What a capture job says that went wrong."""
    found = _object(answer.body).get("errors")
    problems = [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []
    words = [str(one[name]) for one in problems[:20] for name in ("title", "detail") if name in one]
    return "; ".join(words) or "the capture job failed"


def marks_in(body: bytes) -> list[Mark] | None:
    """The events of an answer to a question; None for what is no such answer."""
    told = _object(body)
    for name in ("epcisBody", "queryResults", "resultsBody"):
        inner = told.get(name)
        told = inner if isinstance(inner, dict) else {}
    events = told.get("eventList")
    if not isinstance(events, list) or not all(isinstance(one, dict) for one in events):
        return None
    return [(str(one.get("eventID", "")), "errorDeclaration" in one) for one in events]


def may_answer(answer: Answer) -> Next:
    """What to do with an answer to the question which events are stored, unless it is one: AGAIN
    later, STOP, or PERSON if the receiver does not answer such questions."""
    if answer.status in (UNSENT, LOST, 408, 425, 429, 500) or answer.status > 501:
        return Next.AGAIN
    return Next.STOP if answer.status in (401, 403) else Next.PERSON


def learnt(answer: Answer, *, events: int, size: int) -> tuple[int, int]:
    """Limits of events and bytes after a document was too large: those that the receiver tells, or
    half as many events; 0 for none of a kind."""
    most_events, most_bytes = (answer.number(name) for name in LIMIT_HEADERS)
    fewer = most_events if most_events < events else 0
    smaller = most_bytes if most_bytes < size else 0
    return (fewer, smaller) if fewer or smaller else (max(1, events // 2), 0)


def _object(body: bytes) -> dict[str, Any]:
    try:
        told = orjson.loads(body)
    except orjson.JSONDecodeError:
        return {}
    return told if isinstance(told, dict) else {}
