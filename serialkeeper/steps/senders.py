"""The hand-off as people look at it: who sends, what hinders, who opens a gate, what was sent."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import documents
from serialkeeper.rules.chain import written
from serialkeeper.rules.documents import NOT_STORED, Document
from serialkeeper.rules.rights import RIGHTS
from serialkeeper.store.destination_tables import Sending
from serialkeeper.store.destinations import (
    NOTED_EVERY,
    destination,
    destinations_of,
    documents_of,
    is_sending,
    last_document,
    sendings_of,
)
from serialkeeper.store.record import Record
from serialkeeper.store.release import OPENS, keeping
from serialkeeper.store.telling import events_of, header_of
from serialkeeper.store.view import View, key_of


def look(record: Record, waiting: Iterable[tuple[str, str]] = ()) -> dict[str, Any]:
    """How senders and gates stand.

    Args:
        waiting: destinations and lots that wait there.

    Returns:
        `senders`, by destination: whether one is `sending` just now, and whether one `keeps_going`;
        when, by whom and where it was tried last (`at`, `person`, `station`), the `outcome` and
        `why`, and by when the `next` try is due; None for what never was. `lots`, in the order of
        `waiting`: in its `gate` what keeps it shut, as a word and in full, and which roles may end
        that; the last document, if it was `not_stored`.
    """
    with record.read() as view:
        there = [one for one in destinations_of(view) if not one.retired]
        last = sendings_of(view)
        lots = [_waits(view, *one) for one in waiting]
    now = record.now()
    senders = {
        one.name: _sender(is_sending(record, one.id), last.get(one.id), now) for one in there
    }
    return {"senders": senders, "lots": lots}


def _sender(sending: bool, last: Sending | None, now: datetime) -> dict[str, Any]:
    names = ("at", "person", "station", "outcome", "why", "next")
    told = {name: getattr(last, name) or None if last else None for name in names}
    late = written(now - timedelta(seconds=NOTED_EVERY))
    return {"sending": sending, "keeps_going": bool(last and last.next > late), **told}


def _waits(view: View, name: str, lot: str) -> dict[str, Any]:
    """What keeps a lot back and who may end it, and what became of the last try."""
    found, target = view.lot(lot), destination(view, name)
    last = last_document(view, key_of(found), target.id)
    gate = [
        {"by": one.by, "why": one.why, "roles": list(RIGHTS[OPENS[one.by]])}
        for one in keeping(view, found, target)
    ]
    hindered = last.describe() if last and last.state == NOT_STORED else None
    return {"gate": gate, "not_stored": hindered}


def last_check(record: Record, lot: str) -> dict[str, Any]:
    """The state of a lot and its last check: when, by whom, whether its accounts agreed; None if
    it was never checked.

    Refuses `lot_unknown`.
    """
    with record.read() as view:
        found = view.lot(lot)
        checks = [one for one in view.entries(key_of(found)) if one.verb == "events checked"]
    told = None
    if checks:
        data = {name: checks[-1].data[name] for name in ("agrees", "numbers", "events", "sha256")}
        told = {"at": checks[-1].at, "person": checks[-1].person, **data}
    return {"state": found.state, "checked": told}


def documents_there(record: Record, name: str, lot: str) -> dict[str, Any]:
    """All documents of a lot for a destination, the newest first.

    Refuses `destination_unknown`, `lot_unknown`.
    """
    with record.read() as view:
        found, target = view.lot(lot), destination(view, name)
        sent = documents_of(view, key_of(found), target.id)
        return {
            "destination": target.describe(),
            "lot": found.number,
            "gtin": found.gtin,
            "state": found.state,
            "documents": [one.describe() for one in reversed(sent)],
        }


def document(
    record: Record, name: str, lot: str, number: int, *, out: Path, listed: bool = False
) -> dict[str, Any]:
    """A document once more as a file: the bytes that were sent, or are to be sent again.

    Args:
        out: the folder in which the file gets the document's own name.
        listed: the plain list beside it instead.

    Refuses `destination_unknown`, `lot_unknown`, `document_unknown`, `document_differs`.
    """
    with record.read() as view:
        found, target = view.lot(lot), destination(view, name)
        sent = documents_of(view, key_of(found), target.id)
        one = next((row for row in sent if row.number == number), None)
        if one is None or (listed and not one.list_sha256):
            raise Refused(
                "document_unknown",
                "There is no such document, or no plain list beside it.",
                where=f"{name}, lot {found.full_name}",
                expected=f"1 to {len(sent):,}" if sent else "no document yet",
                came=str(number),
                remedy="Look at the documents: events status.",
            )
        made = documents.those(events_of(view, found), one.places)
        header = header_of(view, found, one.sender, one.receiver, name=one.name, seq=one.seq)
    told = {name: getattr(one, name) for name in ("form", "links", "created")}
    data = documents.plain_list(made.events)[1] if listed else documents.written(made, told, header)
    _check_same(one, data, one.list_sha256 if listed else one.sha256)
    file = out / (documents.list_name(one.name) if listed else one.name)
    with Delivery(file) as delivery:
        delivery.write(data)
        sha256 = delivery.sync()
        delivery.deliver()
    return {"file": str(file), "sha256": sha256}


def _check_same(one: Document, data: bytes, sha256: str) -> None:
    """Refuses `document_differs`."""
    if (came := hashlib.sha256(data).hexdigest()) != sha256:
        raise Refused(
            "document_differs",
            "This version of the program writes the document with other bytes.",
            where=one.name,
            expected=f"SHA-256 {sha256}",
            came=came,
            remedy="Read it with the version that sent it, or ask the receiver for its copy.",
        )
