"""The table of runs."""

from __future__ import annotations

from typing import ClassVar

from sqlmodel import SQLModel

from serialkeeper.store.columns import OPTIONS, key_column, text_column, whole_column


class RunEvent(SQLModel, table=True):
    """Something that happened in a run, from its start to its end; `seq` is the entry that tells
    it, `detail` what else it tells, in canonical JSON."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "run_event"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    seq: int = key_column()
    run: int = whole_column()
    word: str = text_column()
    station: str = text_column()
    occasion: str = text_column()
    outcome: str = text_column()
    detail: str = text_column()
    person: str = text_column()
    second: str = text_column()
    reason: str = text_column()
    at: str = text_column()
