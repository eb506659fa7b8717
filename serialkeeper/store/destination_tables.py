"""The tables of destinations, and of the documents that go to them."""

from __future__ import annotations

from typing import ClassVar

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from serialkeeper.store.columns import OPTIONS, ROWID, key_column, text_column, whole_column


class DestinationRow(SQLModel, table=True):
    """Where events go: `rules.destinations.Destination`."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "destination"
    __table_args__ = (UniqueConstraint("name"), ROWID)
    id: int = key_column()
    name: str = text_column()
    what: str = text_column()
    place: str = text_column()
    form: str = text_column()
    links: int = whole_column()
    sender: str = text_column()
    receiver: str = text_column()
    products: str = text_column()
    as_it_happens: int = whole_column()
    most_events: int = whole_column()
    most_bytes: int = whole_column()
    options: str = text_column()
    at: str = text_column()
    retired: str = text_column()


class Sending(SQLModel, table=True):
    """How a destination was met last: when, by whom and where; what came of it, and why nothing is
    taken there; by when a sender that keeps going looks again, empty after one that does not."""

    kind: ClassVar[str] = "working"
    __tablename__ = "sending"
    __table_args__ = OPTIONS
    destination: int = key_column()
    at: str = text_column()
    person: str = text_column()
    station: str = text_column()
    outcome: str = text_column()
    why: str = text_column()
    next: str = text_column()


class DocumentRow(SQLModel, table=True):
    """Events of a lot on their way to a destination: `rules.documents.Document`."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "document"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    destination: int = key_column()
    number: int = key_column()
    events: str = text_column()
    count: int = whole_column()
    form: str = text_column()
    links: int = whole_column()
    sender: str = text_column()
    receiver: str = text_column()
    created: str = text_column()
    name: str = text_column()
    sha256: str = text_column()
    size: int = whole_column()
    units: int = whole_column()
    list_sha256: str = text_column()
    state: str = text_column()
    why: str = text_column()
    said: str = text_column()
    receipt: str = text_column()
    through: int = whole_column()
    owed: str = text_column()
    seq: int = whole_column()
    more: int = whole_column()
    prepared: str = text_column()
    ended: str = text_column()
