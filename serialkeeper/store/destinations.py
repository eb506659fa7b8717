"""Destinations, and what of a lot they have, as the record knows it."""

from __future__ import annotations

import fcntl
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import fields
from datetime import timedelta
from time import sleep
from typing import IO, Any

from sqlalchemy import RowMapping, Select, delete, insert, select, text
from sqlalchemy.exc import DBAPIError

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import HOUSE, LotKey, parse, written
from serialkeeper.rules.destinations import Destination
from serialkeeper.rules.documents import DELIVERED, Document, cleaned
from serialkeeper.rules.unit_events import HANDED_OUT
from serialkeeper.store.destination_tables import DestinationRow, DocumentRow, Sending
from serialkeeper.store.engines import file_of
from serialkeeper.store.failures import speaking_plainly
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot, made_of, table_of
from serialkeeper.store.view import View, key_of

NOTED_EVERY = 60.0
"""Seconds after which a sender that has nothing to tell says that it is still there."""

_LOCKS = 0x7365_6E64
"""Marks our locks among those of a server that anybody may name."""


def destinations_of(view: View) -> list[Destination]:
    """All destinations, retired ones too, in order of entry."""
    table = table_of(DestinationRow)
    rows = view.connection.execute(select(table).order_by(table.c.id)).mappings()
    return [Destination(**row) for row in rows]


def destination(view: View, name: str) -> Destination:
    """A destination in use, by name. Refuses `destination_unknown`."""
    there = [one for one in destinations_of(view) if not one.retired]
    for one in there:
        if one.name == name:
            return one
    raise Refused(
        "destination_unknown",
        "The record knows no such destination in use.",
        expected=", ".join(one.name for one in there[:20]) or "none yet",
        came=name,
        remedy="Check the name (events status), or add it: events destination.",
    )


def documents_of(view: View, key: LotKey, destination: int) -> list[Document]:
    """A lot's documents for a destination, in order."""
    table = table_of(DocumentRow)
    query = _documents(key, destination).order_by(table.c.number)
    return [_document(row) for row in view.connection.execute(query).mappings()]


def last_document(view: View, key: LotKey, destination: int) -> Document | None:
    """A lot's last document for a destination; it tells how far the lot has come there."""
    table = table_of(DocumentRow)
    query = _documents(key, destination).order_by(table.c.number.desc()).limit(1)
    row = view.connection.execute(query).mappings().first()
    return _document(row) if row else None


def _documents(key: LotKey, destination: int) -> Select[Any]:
    c = table_of(DocumentRow).c
    return select(*(c[one.name] for one in fields(Document))).where(
        c.product_id == key.product_id, c.lot_id == key.lot_id, c.destination == destination
    )


def _document(row: RowMapping) -> Document:
    return Document(**row)


def document(view: View, key: LotKey, destination: int, number: int) -> Document:
    """One document, which is there."""
    c = table_of(DocumentRow).c
    query = _documents(key, destination).where(c.number == number)
    return _document(view.connection.execute(query).mappings().one())


def is_done(view: View, lot: Lot, last: Document | None) -> bool:
    """Whether it is plain without the lot's events that its last document was the last one: the
    chain holds no later entry that can have caused an event."""
    if last is None:
        return not lot.labels
    if last.state != DELIVERED or last.more or last.owed:
        return False
    later = view.stored_entries(key_of(lot), after=last.seq)
    return all(parse(body).verb in HANDED_OUT for _, body, _ in later)


# -- senders -------------------------------------------------------------------------------------


def sendings_of(view: View) -> dict[int, Sending]:
    """How destinations were met last, by their numbers."""
    rows = view.connection.execute(select(table_of(Sending))).mappings()
    return {row["destination"]: made_of(row, Sending) for row in rows}


def note_sendings(
    record: Record, found: Iterable[Mapping[str, Any]], rests: Mapping[str, float] | None = None
) -> None:
    """Keep how destinations were met, for whoever looks: what changed, what hinders, and each of
    them once a minute.

    Args:
        found: what a sending tells of them.
        rests: after how many seconds each is looked at again, by name; None by a sender that ends.
    """
    with record.read() as view:
        numbers = {one.name: one.id for one in destinations_of(view)}
        before = sendings_of(view)
    now, rows = record.now(), []
    for one in found:
        last, rest = before.get(numbers[one["destination"]]), None
        if rests is not None:
            rest = max(rests[one["destination"]], NOTED_EVERY)
        row = {
            "destination": numbers[one["destination"]],
            "at": written(now),
            "person": record.person,
            "station": record.station,
            "outcome": one["outcome"],
            "why": cleaned(one["why"] or ""),
            "next": "" if rest is None else written(now + timedelta(seconds=rest)),
        }
        fresh = last and last.at > written(now - timedelta(seconds=NOTED_EVERY))
        same = last and (last.outcome, last.why) == (row["outcome"], row["why"])
        quiet = fresh and same and not row["why"] and bool(last and last.next) == bool(row["next"])
        if one["outcome"] != "busy" and not quiet:
            rows.append(row)
    if not rows:
        return
    table = table_of(Sending)
    with record.work() as work:
        work.lock((HOUSE,))
        if not work.setting("moved_to"):  # then nothing is written here any more
            which = [row["destination"] for row in rows]
            work.connection.execute(delete(table).where(table.c.destination.in_(which)))
            work.connection.execute(insert(table), rows)


def is_sending(record: Record, destination: int) -> bool:
    """Whether a process sends to a destination just now."""
    path = file_of(record.engine)
    if path is not None:
        try:
            with path.with_name(f"{path.name}-send{destination}").open() as gate:
                fcntl.flock(gate, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except FileNotFoundError:
            return False
        except BlockingIOError:
            return True
        return False
    with record.read() as view:
        asked = text(
            "SELECT count(*) FROM pg_locks JOIN pg_database ON pg_database.oid = database "
            "WHERE locktype = 'advisory' AND datname = current_database() "
            "AND classid = :ours AND objid = :destination AND objsubid = 2"
        )
        values = {"ours": _LOCKS, "destination": destination}
        return bool(view.connection.execute(asked, values).scalar_one())


@contextmanager
def only_sender(record: Record, destination: int) -> Iterator[bool]:
    """Be the only process that sends to a destination; False if another one is.

    Whoever dies lets go of it. Where it is lost unseen, with the connection to a server, a second
    sender finds what the first one has prepared, and asks what became of it before it sends.
    """
    path = file_of(record.engine)
    if path is not None:
        with path.with_name(f"{path.name}-send{destination}").open("a") as gate:
            yield _locked(gate)
        return
    with speaking_plainly(record.url), record.engine.connect() as connection:
        alone = connection.execution_options(isolation_level="AUTOCOMMIT")
        values = {"ours": _LOCKS, "destination": destination}
        asked = text("SELECT pg_try_advisory_lock(:ours, :destination)")
        mine = bool(alone.execute(asked, values).scalar_one())
        try:
            yield mine
        finally:
            with suppress(DBAPIError):  # a server that is gone has let go of it
                alone.execute(text("SELECT pg_advisory_unlock(:ours, :destination)"), values)


def _locked(gate: IO[str]) -> bool:
    """Whether the lock is ours; who only looks at it (`is_sending`) has it for a moment, and not
    twice."""
    for pause in (0.05, 0.0):
        try:
            fcntl.flock(gate, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except BlockingIOError:
            sleep(pause)
    return False
