"""Brings a document to a capture interface, and finds out what became of it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from threading import Event
from time import monotonic, sleep
from typing import TypeVar

from tenacity import (
    RetryCallState,
    Retrying,
    retry_if_exception_type,
    stop_after_attempt,
    stop_when_event_set,
    wait_random_exponential,
)

from serialkeeper.errors import Refused, SerialKeeperError, Unavailable
from serialkeeper.outside.repository import Repository
from serialkeeper.rules import captures
from serialkeeper.rules.captures import UNSENT, Answer, Mark, Next, Pace
from serialkeeper.rules.documents import DELIVERED, NOT_STORED, STUCK, Outcome

Accepted = Callable[[str, str], None]
"""Is told where the capture job is, and the SHA-256 of the answer that says so."""

Done = TypeVar("Done", Answer, Outcome)


class Later(Exception):
    """The same once more, after so many seconds; None for as long as chance says."""

    def __init__(self, answer: Answer, after: float | None) -> None:
        self.answer, self.after = answer, after


class Courier:
    """Brings documents to one capture interface.

    Args:
        name: the destination's, for refusals.
        behaviour: `rollback` or `proceed`.
        knows_ids: the receiver passes over events that it has already.
        stopping: once it is set, nothing is tried again, and what is under way is ended soon.

    Attributes:
        asks_for: for how many seconds the receiver wants to be left alone; 0 if it said nothing.
    """

    def __init__(
        self,
        repository: Repository,
        *,
        name: str,
        behaviour: str,
        knows_ids: bool,
        pace: Pace,
        stopping: Event,
    ) -> None:
        self.repository, self.name, self.behaviour = repository, name, behaviour
        self.knows_ids, self.pace, self.stopping = knows_ids, pace, stopping
        self.asks_for = 0.0

    def greet(self) -> tuple[int, int]:
        """Limits of events and bytes that the receiver tells, 0 for none; before anything is
        prepared, so that nothing is while it does not answer.

        Refuses `receiver_unavailable`, `receiver_refuses`.
        """
        answer = self._trying(self._greet)
        events, size = (answer.number(name) for name in captures.LIMIT_HEADERS)
        return events, size

    def _greet(self) -> Answer:
        answer = self.repository.options()
        if answer.status == UNSENT:
            raise self.unavailable(answer)
        match captures.may_answer(answer):
            case Next.AGAIN if answer.status != 500:
                raise self.later(answer)
            case Next.STOP:
                raise self.refuses(answer)
        return answer

    def deliver(
        self, data: bytes, marks: Sequence[Mark], *, fresh: bool, job: str, accepted: Accepted
    ) -> Outcome:
        """Bring a document there.

        Args:
            marks: what its events are known by, in order.
            fresh: nothing of it has left so far.
            job: where its capture job is, if that was told already.
            accepted: is told where it is.

        Raises what `greet` does where nothing can be known now: the document is then still open.
        """
        way = _Way(self, data, marks, accepted)
        way.next = Next.FOLLOW if job else Next.AGAIN if fresh else Next.ASK
        way.job, way.unknown = job, not fresh
        try:
            return self._trying(way.go)
        except SerialKeeperError as error:
            if way.unknown:
                raise
            return Outcome(NOT_STORED, error.word, error.came, hindrance=error)

    def _trying(self, step: Callable[[], Done]) -> Done:
        """Do a step again and again, until it is done or the pace says that it is enough."""
        again = Retrying(
            retry=retry_if_exception_type(Later),
            wait=self._wait,
            sleep=self._sleep,
            stop=stop_after_attempt(self.pace.tries) | stop_when_event_set(self.stopping),
            reraise=True,
        )
        try:
            return again(step)
        except Later as later:
            raise self.unavailable(later.answer, later.after) from None

    def _sleep(self, seconds: float) -> None:
        self.stopping.wait(seconds)

    def _wait(self, state: RetryCallState) -> float:
        """As long as the receiver says, and chance on top, so that not all come back at once."""
        error = state.outcome.exception() if state.outcome else None
        drawn = wait_random_exponential(self.pace.first, self.pace.most)(state)
        if isinstance(error, Later) and error.after is not None:
            return error.after + min(drawn, self.pace.first)
        return drawn

    def later(self, answer: Answer) -> Later | Unavailable:
        """What to raise for an answer that says nothing now."""
        after = answer.wait(datetime.now(UTC))
        if after is not None and after > self.pace.longest:
            return self.unavailable(answer, after)
        return Later(answer, after)

    def unavailable(self, answer: Answer, after: float | None = None) -> Unavailable:
        """The refusal of a receiver that says nothing now."""
        self.asks_for = after or 0.0
        wait = f"It asks to wait for {after:,.0f} s." if after else "It is tried again."
        return Unavailable(
            "receiver_unavailable",
            f"Destination {self.name} does not answer as it should.",
            where=str(self.repository.url),
            expected="an answer",
            came=answer.said,
            remedy=f"{wait} Nothing is lost: send again.",
        )

    def refuses(self, answer: Answer) -> Refused:
        """The refusal of a receiver that wants nothing from us."""
        return Refused(
            "receiver_refuses",
            f"Destination {self.name} takes nothing from us.",
            where=str(self.repository.url),
            expected="HTTP 202 for a document",
            came=answer.said,
            remedy="Check its URL, the token and the certificates; then send again.",
        )


class _Way:
    """One document's way."""

    def __init__(
        self, courier: Courier, data: bytes, marks: Sequence[Mark], accepted: Accepted
    ) -> None:
        self.courier, self.data, self.marks, self.accepted = courier, data, marks, accepted
        self.next = Next.AGAIN
        self.job = self.refusal = self.answer = ""
        self.unknown = self.waited = False

    def go(self) -> Outcome:
        """Go on from where it stands, until something is known; raises Later to wait."""
        self.waited = True
        steps = {Next.AGAIN: self._post, Next.FOLLOW: self._follow, Next.ASK: self._ask}
        while True:
            outcome = steps[self.next]()
            if outcome:
                return outcome

    def _post(self) -> Outcome | None:
        courier = self.courier
        if not self.waited:  # it was posted before, and nothing is known of it
            raise courier.later(Answer(UNSENT, why="it answers, and has none of the events"))
        self.waited = False
        answer = courier.repository.post(self.data, courier.behaviour)
        self._digest(answer)
        step = captures.after_post(answer)
        if step is Next.FOLLOW:
            self.job = courier.repository.job_of(answer)
            self.unknown = True
            if self.job:
                self.accepted(self.job, self.answer)
            self.next = Next.FOLLOW if self.job else Next.ASK
            return None
        if step is Next.ASK:
            self.unknown, self.next = True, Next.ASK
            raise courier.later(answer)
        match step:
            case Next.AGAIN:
                raise courier.later(answer)
            case Next.STOP:
                raise courier.refuses(answer)
            case Next.SPLIT if len(self.marks) > 1:
                few, small = captures.learnt(answer, events=len(self.marks), size=len(self.data))
                return Outcome(
                    NOT_STORED, "too_large", answer.said, most_events=few, most_bytes=small
                )
        why = "too_large" if step is Next.SPLIT else "refused"
        return Outcome(STUCK, why, answer.said, answer=self.answer)

    def _follow(self) -> Outcome | None:
        courier, until = self.courier, monotonic() + self.courier.pace.looks
        while True:
            answer = courier.repository.look(self.job)
            self._digest(answer)
            match captures.after_look(answer):
                case Next.STORED:
                    return Outcome(DELIVERED, receipt=self.job, answer=self.answer)
                case Next.FAILED:
                    self.refusal, self.next = captures.errors_of(answer), Next.ASK
                    return None
                case Next.ASK:
                    self.next = Next.ASK
                    return None
                case Next.STOP:
                    raise courier.refuses(answer)
                case Next.AGAIN:
                    raise courier.later(answer)
            if monotonic() > until:
                raise courier.unavailable(Answer(UNSENT, why="its capture job is still at work"))
            sleep(
                courier.pace.look
            )  # a job that is at work is looked at until nothing is waited for

    def _ask(self) -> Outcome | None:
        courier = self.courier
        if courier.knows_ids and not self.refusal:
            self.next = Next.AGAIN
            return None
        found = courier.repository.which(self.marks)
        if isinstance(found, Answer):
            match captures.may_answer(found):
                case Next.AGAIN:
                    raise courier.later(found)
                case Next.STOP:
                    raise courier.refuses(found)
            if self.refusal and courier.behaviour == "rollback":
                return Outcome(STUCK, "refused", self.refusal, answer=self.answer)
            return Outcome(STUCK, "in_doubt", self.refusal or found.said, answer=self.answer)
        missing = [place for place, mark in enumerate(self.marks) if mark not in found]
        if not missing:
            return Outcome(DELIVERED, receipt=self.job, answer=self.answer)
        if len(missing) < len(self.marks):
            said = self.refusal
            return Outcome(DELIVERED, "partly_stored", said, self.job, missing, self.answer)
        if self.refusal:
            return Outcome(STUCK, "refused", self.refusal, answer=self.answer)
        self.next, self.unknown = Next.AGAIN, False
        return None

    def _digest(self, answer: Answer) -> None:
        self.answer = hashlib.sha256(answer.body).hexdigest() if answer.body else ""
