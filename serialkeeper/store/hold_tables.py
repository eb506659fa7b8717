"""The table of holds."""

from __future__ import annotations

from typing import ClassVar

from sqlmodel import SQLModel

from serialkeeper.store.columns import OPTIONS, key_column, text_column, whole_column


class HoldRow(SQLModel, table=True):
    """What is neither packed nor sent until it is lifted: the whole lot, labels at `positions`
    (those of a roll then, if `roll` is not 0), or a pack that was made in the lot."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "hold"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    what: str = text_column()
    positions: str = text_column()
    roll: int = whole_column()
    pack: int = whole_column()
    key: str = text_column()
    reason: str = text_column()
    reference: str = text_column()
    by: str = text_column()
    at: str = text_column()
    lifted_by: str = text_column()
    lifted_at: str = text_column()
    lifted_reason: str = text_column()
