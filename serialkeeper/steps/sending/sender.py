"""Sending to one destination: a lot's documents, prepared in the journal, brought, and their fate
noted; so that a sender that died is followed by one that knows what to ask."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import ExitStack, nullcontext
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from threading import Event as Signal
from typing import TYPE_CHECKING, Any

from serialkeeper.errors import Damaged, Refused, SerialKeeperError, Unavailable
from serialkeeper.outside.shelf import lay
from serialkeeper.rules import documents
from serialkeeper.rules.captures import Pace
from serialkeeper.rules.chain import HOUSE, written
from serialkeeper.rules.destinations import CAPTURE, FOLDER, Destination
from serialkeeper.rules.documents import (
    DELIVERED,
    NOT_STORED,
    PREPARED,
    STUCK,
    Document,
    Load,
    Outcome,
)
from serialkeeper.store.destinations import (
    destinations_of,
    document,
    is_done,
    last_document,
)
from serialkeeper.store.record import Record, Work
from serialkeeper.store.release import held_back, kept_back
from serialkeeper.store.sending_reads import LotReads
from serialkeeper.store.tables import Lot
from serialkeeper.store.telling import events_of, header_of
from serialkeeper.store.view import View, key_of

if TYPE_CHECKING:
    from serialkeeper.outside.courier import Courier

Tell = Callable[[dict[str, Any]], None]
"""Is told of each document that arrived."""

UP_TO_DATE, KEPT_BACK, LEFT = "up_to_date", "kept_back", "left"
"""How a lot is left: all of it arrived; its gate is shut; its document is open or comes later.
Beside them `stuck`: a person has to look."""

_VERBS = {
    DELIVERED: "document delivered",
    NOT_STORED: "document not stored",
    STUCK: "document stuck",
}


@dataclass(slots=True)
class _Ready:
    """A document that was prepared, with its events and bytes."""

    lot: Lot
    document: Document
    load: Load
    data: bytes
    fresh: bool = False


class _Hindered(Exception):
    """A destination takes nothing now."""

    def __init__(self, error: SerialKeeperError) -> None:
        self.error = error


class _Changed(Exception):
    """Somebody changed the destination, or retired it, since this sending began."""


@dataclass
class _Standing:
    """How a lot stands at a destination after this call."""

    lot: Lot
    documents: int = 0
    events: int = 0
    state: str = LEFT
    why: list[str] = field(default_factory=list)

    def describe(self) -> dict[str, Any]:
        told = {"lot": self.lot.number, "gtin": self.lot.gtin, "state": self.state}
        return told | {"documents": self.documents, "events": self.events, "why": self.why}


class Sender:
    """Sends to one destination."""

    def __init__(
        self, record: Record, target: Destination, tell: Tell, stopping: Signal, pace: Pace
    ) -> None:
        self.record, self.target, self.tell, self.stopping = record, target, tell, stopping
        self.trouble, self.outcome = "", "sent"
        self.pace, self.opened = pace, ExitStack()
        self.courier: Courier | None = None
        self.reads = LotReads()

    def run(self, named: Lot | None) -> dict[str, Any]:
        """Send what there is of one lot, or of all."""
        with self.record.read() as view:
            lots = [named] if named else view.lots()
        found: list[_Standing] = []
        with self.opened:
            try:
                for lot in lots:
                    if self.target.wants(lot.gtin) and not self.stopping.is_set():
                        found.append(_Standing(lot))
                        self._lot(found[-1])
            except _Hindered as hindered:
                self._hindered(hindered.error)
            except _Changed:
                self.outcome, self.trouble = "unavailable", "It was changed meanwhile: send again."
                if self._now().retired:
                    self.outcome, self.trouble = "sent", "It was retired meanwhile."
        found = [one for one in found if one.documents or one.state != UP_TO_DATE]
        outcome = self.outcome
        if any(one.state == STUCK for one in found):
            outcome = "needs_person"
        return {
            "destination": self.target.name,
            "outcome": outcome,
            "why": self.trouble or None,
            "asks_for": self.courier.asks_for if self.courier else 0.0,
            "lots": [one.describe() for one in found],
        }

    def _open(self) -> None:
        """Get ready to send to a capture interface, and hear what it takes."""
        from serialkeeper.outside.courier import Courier
        from serialkeeper.outside.repository import Repository

        target, reach = self.target, self.target.reach
        try:
            secrets = {name: getattr(reach, name) for name in ("token", "certificate", "key")}
            repository = self.opened.enter_context(
                Repository(
                    target.place,
                    name=target.name,
                    authority=reach.authority,
                    stopping=self.stopping,
                    **secrets,
                )
            )
            self.courier = Courier(
                repository,
                name=target.name,
                behaviour=reach.behaviour,
                knows_ids=reach.knows_ids,
                pace=self.pace,
                stopping=self.stopping,
            )
            events, size = self.courier.greet()
        except SerialKeeperError as error:
            raise _Hindered(error) from None
        self._limit(events, size)

    def _limit(self, events: int, size: int) -> None:
        """Make documents no larger than that; 0 says nothing."""
        target = self.target
        self.target = replace(
            target,
            most_events=min(target.most_events, events or target.most_events),
            most_bytes=min(target.most_bytes, size or target.most_bytes),
        )

    def _hindered(self, error: SerialKeeperError) -> None:
        """Nothing goes there any more in this call."""
        if isinstance(error, Damaged):
            raise error
        if self.stopping.is_set():
            return
        self.trouble = error.in_short
        self.outcome = "unavailable" if isinstance(error, Unavailable) else "needs_person"

    def _lot(self, standing: _Standing) -> None:
        """Send a lot's documents, one after the other."""
        while not self.stopping.is_set():
            ready = self._next(standing)
            if ready is None:
                return
            outcome = self._deliver(ready)
            self._note(ready, outcome)
            if outcome.hindrance:
                raise _Hindered(outcome.hindrance)
            if outcome.why == "in_doubt":
                standing.state, standing.why = STUCK, [outcome.why, outcome.said]
                raise _Hindered(_in_doubt(self.target.name))
            if outcome.state == DELIVERED:
                standing.documents += 1
                standing.events += ready.document.count - len(outcome.missing)
                self.tell(
                    {"destination": self.target.name, "lot": standing.lot.number}
                    | {name: getattr(ready.document, name) for name in ("name", "count", "sha256")}
                )

    def _next(self, standing: _Standing) -> _Ready | None:
        """The lot's open document, or its next one, prepared; None if nothing is to be sent."""
        while True:
            made = None
            with self.record.read() as view:
                lot = standing.lot = view.lot_at(key_of(standing.lot))
                last = last_document(view, key_of(lot), self.target.id)
                if not self._is_due(view, standing, last):
                    return None
                reached = self.courier is not None or self.target.what != CAPTURE
                if reached and last and last.state == PREPARED:
                    return self._again(view, lot, last)
                if reached:
                    made = self._made(view, lot, last)
            if not reached:
                self._open()  # no look at the record lasts as long as a receiver may take
            elif made is None:
                standing.state = UP_TO_DATE
                return None
            elif ready := self._prepare(lot, last, *made):
                return ready

    def _is_due(self, view: View, standing: _Standing, last: Document | None) -> bool:
        """Whether something of the lot may be sent, as far as can be told without its events."""
        self._check_same(view)
        lot = standing.lot
        standing.state = UP_TO_DATE
        if last and last.state == STUCK:
            standing.state, standing.why = STUCK, [last.why, last.said][: 1 + bool(last.said)]
            return False
        if is_done(view, lot, last):
            return False
        self.reads.look(view, lot)
        # Holds may stand in other lots' chains too, so they are always asked for.
        known = self.reads.open
        standing.why = held_back(view, lot) if known else kept_back(view, lot, self.target)
        self.reads.open = known or not standing.why
        standing.state = KEPT_BACK if standing.why else LEFT
        return not standing.why

    def _again(self, view: View, lot: Lot, last: Document) -> _Ready:
        """An open document once more, from what the journal says of it."""
        made = documents.those(events_of(view, lot), last.places)
        parties = last.sender, last.receiver
        header = header_of(view, lot, *parties, name=last.name, seq=last.seq)
        return _Ready(lot, last, made, documents.written(made, asdict(last), header))

    def _made(
        self, view: View, lot: Lot, last: Document | None
    ) -> tuple[dict[str, Any], Load, bytes] | None:
        """The lot's next document: what the journal will say of it, its events and its bytes; None
        if the lot has caused nothing more."""
        target = self.target
        through, owed = (last.through, last.owes) if last else (0, [])
        due = self.reads.due(view, lot, through)
        if owed:
            due = documents.at_places(events_of(view, lot), owed)
        limits = {"most_events": target.most_events, "most_bytes": target.most_bytes}
        made = documents.load(due, last=not owed, **limits)
        if not made.events:
            return None
        number = last.number + 1 if last else 1
        told = {
            "destination": target.id,
            "number": number,
            **{name: getattr(target, name) for name in ("form", "links", "sender", "receiver")},
            "created": written(self.record.now()),
            "name": documents.file_name(lot.gtin, lot.number, number, target.form),
            "through": through,
            "owed": last.owed if last else "",
            "seq": view.chain(key_of(lot)).count,
        }
        header = self.reads.header(view, lot, target.sender, target.receiver, name=told["name"])
        data = documents.written(made, told, header)
        while len(data) > target.most_bytes and len(made.events) > 1:
            made = made.first_half()
            data = documents.written(made, told, header)
        units, listed = documents.plain_list(made.events) if target.what == FOLDER else (0, b"")
        told |= {"events": documents.write_runs(made.places), "count": len(made.events)}
        told |= {"sha256": _sha256(data), "size": len(data)}
        told |= {"units": units, "list_sha256": _sha256(listed) if listed else ""}
        return told | {"more": int(made.more)}, made, data

    def _prepare(
        self, lot: Lot, last: Document | None, told: dict[str, Any], made: Load, data: bytes
    ) -> _Ready | None:
        """Say in the journal what is about to be sent; None if somebody was faster, or the lot may
        not be sent any more."""
        key = key_of(lot)
        with self.record.work(key) as work:
            if not self._still(work, lot, last):
                return None
            work.write(key, "document prepared", told)
            ready = document(work, key, self.target.id, told["number"])
        return _Ready(lot, ready, made, data, fresh=True)

    def _still(self, work: Work, lot: Lot, last: Document | None) -> bool:
        """Whether the lot and the destination stand as they did when the document was made."""
        self._check_same(work)
        now = work.lot_at(key_of(lot))
        same = last_document(work, key_of(lot), self.target.id) == last
        return same and now.state == lot.state and not held_back(work, now)

    def _now(self, view: View | None = None) -> Destination:
        """The destination as it stands now."""
        with nullcontext(view) if view else self.record.read() as look:
            return next(one for one in destinations_of(look) if one.id == self.target.id)

    def _check_same(self, view: View) -> None:
        """Raises where the destination is not what it was. What is sent goes where, and how, the
        record says at that moment."""
        now = self._now(view)
        if now.retired or now.at != self.target.at:
            raise _Changed

    def _deliver(self, ready: _Ready) -> Outcome:
        """Bring a document to its destination; raises if its fate stays open for now."""
        if _sha256(ready.data) != ready.document.sha256:
            return Outcome(STUCK, "other_bytes", "This version writes the document differently.")
        if not ready.fresh and ready.document.form != self.target.form:
            return Outcome(STUCK, "in_doubt", "It was prepared in another form, before a change.")
        try:
            if self.courier is None:
                return _lay(Path(self.target.place), ready)
            return self._carry(self.courier, ready)
        except SerialKeeperError as error:
            raise _Hindered(error) from None

    def _carry(self, courier: Courier, ready: _Ready) -> Outcome:
        """To a capture interface."""

        def accepted(receipt: str, answer: str) -> None:
            which = {"destination": ready.document.destination, "number": ready.document.number}
            self._write(ready, "document accepted", {**which, "receipt": receipt, "answer": answer})

        marks = [(event.id, event.declared is not None) for event in ready.load.events]
        job = ready.document.receipt
        return courier.deliver(ready.data, marks, fresh=ready.fresh, job=job, accepted=accepted)

    def _note(self, ready: _Ready, outcome: Outcome) -> None:
        """Say in the journal what became of a document, unless somebody did meanwhile."""
        made = ready.document
        told: dict[str, Any] = {"destination": made.destination, "number": made.number}
        if outcome.state == DELIVERED:
            told |= {"receipt": outcome.receipt, **made.after(outcome.missing)}
        if outcome.answer:
            told["answer"] = outcome.answer
        if outcome.why:
            told |= {"why": outcome.why, "said": documents.cleaned(outcome.said)}
        self._limit(outcome.most_events, outcome.most_bytes)
        learnt = bool(outcome.most_events or outcome.most_bytes)
        self._write(ready, _VERBS[outcome.state], told, learnt=learnt)

    def _write(
        self, ready: _Ready, verb: str, told: dict[str, Any], *, learnt: bool = False
    ) -> None:
        """Tell the journal of an open document, unless somebody did meanwhile; with it the limits
        that were learnt."""
        key, made = key_of(ready.lot), ready.document
        with self.record.work(*((key, HOUSE) if learnt else (key,))) as work:
            now = last_document(work, key, made.destination)
            if now and (now.number, now.state) == (made.number, PREPARED):
                work.write(key, verb, told)
                if learnt:
                    names = ("id", "most_events", "most_bytes")
                    limits = {name: getattr(self.target, name) for name in names}
                    work.write(HOUSE, "limits learnt", limits)


def _in_doubt(name: str) -> Unavailable:
    """What to say of a receiver that leaves open what it has: it gets no second such document."""
    return Unavailable(
        "receiver_unavailable",
        f"Destination {name} leaves open whether it has a document.",
        expected="an answer, or one to the question which events it has",
        came="neither",
        remedy="Ask whoever keeps the receiver, then decide: events settle. Other lots are tried "
        "later.",
    )


def _lay(folder: Path, ready: _Ready) -> Outcome:
    """Into a folder: the plain list first, so that whoever sees the document finds it."""
    name = ready.document.name
    _, listed = documents.plain_list(ready.load.events)
    try:
        lay(folder, documents.list_name(name), listed)
        lay(folder, name, ready.data)
    except Refused as error:
        return Outcome(STUCK, error.word, error.where)
    return Outcome(DELIVERED, receipt=str(folder / name))


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
