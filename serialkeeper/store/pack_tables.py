"""The tables of packs: their keys, what is in what, and the SSCCs that are left."""

from __future__ import annotations

from typing import ClassVar

from sqlalchemy import Index, UniqueConstraint
from sqlmodel import SQLModel

from serialkeeper.store.columns import OPTIONS, ROWID, key_column, text_column, whole_column


class SsccRange(SQLModel, table=True):
    """SSCCs that a lot was given, told by the house: `count` serial references from `first`, of
    one company prefix and extension digit. None is ever given twice."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "sscc_range"
    __table_args__ = (UniqueConstraint("company", "extension", "first"), ROWID)
    id: int = key_column()
    company: str = text_column()
    extension: int = whole_column()
    first: int = whole_column()
    count: int = whole_column()
    for_product: int = whole_column()
    for_lot: int = whole_column()


class SsccStock(SQLModel, table=True):
    """The same range in the lot's hands: the first `used` of its SSCCs name packs."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "sscc_stock"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    company: str = text_column()
    extension: int = whole_column()
    first: int = whole_column()
    count: int = whole_column()
    used: int = whole_column()


class PackRow(SQLModel, table=True):
    """A bundle, case or pallet. `lot_id` is the lot that it was made in; `key` its SSCC, or
    GTIN/NUMBER; `parent_lot` and `parent` the pack around it, 0 for none."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "pack"
    __table_args__ = (
        UniqueConstraint("key", "product_id"),  # the text first: a scan tells no product
        Index("pack_inside", "product_id", "parent_lot", "parent"),
        OPTIONS,
    )
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    level: str = text_column()
    key: str = text_column()
    state: str = text_column()
    parent_lot: int = whole_column()
    parent: int = whole_column()


class Packed(SQLModel, table=True):
    """Which pack a unit is in; one row a unit, so that none is in two."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "packed"
    __table_args__ = (Index("packed_inside", "product_id", "pack_lot", "pack"), OPTIONS)
    product_id: int = key_column()
    lot_id: int = key_column()
    position: int = key_column()
    pack_lot: int = whole_column()
    pack: int = whole_column()


class PackLabel(SQLModel, table=True):
    """One label of a pack: `copy` counts those of the same pack. `state` is made, checked or
    torn; `reason` why it was torn."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "pack_label"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    pack: int = key_column()
    copy_number: int = key_column()
    state: str = text_column()
    content: str = text_column()
    reason: str = text_column()
    by: str = text_column()
    at: str = text_column()
