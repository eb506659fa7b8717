"""The tables of what came in files: locations, imported numbers and what is printed with them."""

from __future__ import annotations

from typing import ClassVar

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from serialkeeper.store.columns import OPTIONS, ROWID, key_column, text_column, whole_column


class Location(SQLModel, table=True):
    """A site or part of it; `part_of` is the id of the location around it, 0 for none."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "location"
    __table_args__ = (UniqueConstraint("gln", "extension"), ROWID)
    id: int = key_column()
    gln: str = text_column()
    extension: str = text_column()
    name: str = text_column()
    zone: str = text_column()
    prefix_length: int = whole_column()
    part_of: int = whole_column()


class NumberImport(SQLModel, table=True):
    """Numbers that came in a file; `id` is their allocation's.

    `usable_until` is the last day on which they may be printed, `extras` the identifiers that are
    printed with them, `ai_order` the printed order with `+` for the extras (`rules.imported`)."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "number_import"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    first: int = whole_column()
    count: int = whole_column()
    issuer: str = text_column()
    usable_until: str = text_column()
    form: str = text_column()
    extras: str = text_column()
    ai_order: str = text_column()
    name: str = text_column()
    sha256: str = text_column()
    size: int = whole_column()
    at: str = text_column()


class Extra(SQLModel, table=True):
    """What is printed with one imported number beside the usual elements, as it stands in files."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "extra"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    position: int = key_column()
    elements: str = text_column()
