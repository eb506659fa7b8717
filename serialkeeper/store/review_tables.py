"""The table of reviews."""

from __future__ import annotations

from typing import ClassVar

from sqlmodel import SQLModel

from serialkeeper.store.columns import OPTIONS, key_column, text_column, whole_column


class ReviewRow(SQLModel, table=True):
    """A group of the review list that was signed: what it was, by whom it was done, up to which
    entry (`through`), and what the signature is bound to. `position` is that of a critical finding,
    0 for a whole group; `examples` are the labels that were opened."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "review"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    seq: int = key_column()
    what: str = text_column()
    reason: str = text_column()
    by: str = text_column()
    second: str = text_column()
    position: int = whole_column()
    through: int = whole_column()
    count: int = whole_column()
    digest: str = text_column()
    examples: str = text_column()
    person: str = text_column()
    note: str = text_column()
    at: str = text_column()
