"""The tables of labels that are bad on purpose; see `store.tables` for what all tables share."""

from __future__ import annotations

from typing import ClassVar

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from serialkeeper.store.columns import OPTIONS, key_column, text_column, whole_column


class Challenge(SQLModel, table=True):
    """A set of labels that are bad on purpose: `each` trials of each of the `kinds`; the numbers on
    them follow from the `first` one's index (`rules.challenges.Numbers`)."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "challenge"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    kinds: str = text_column()
    each: int = whole_column()
    first: int = whole_column()
    name: str = text_column()
    sha256: str = text_column()
    at: str = text_column()


class ChallengeRun(SQLModel, table=True):
    """A set shown to a reader: for each label its finding or `good`, and a letter of
    `rules.challenges.OUTCOMES`."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "challenge_run"
    __table_args__ = (UniqueConstraint("product_id", "lot_id", "sha256"), OPTIONS)
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    challenge: int = whole_column()
    occasion: str = text_column()
    name: str = text_column()
    station: str = text_column()
    profile: str = text_column()
    sha256: str = text_column()
    size: int = whole_column()
    findings: str = text_column()
    outcomes: str = text_column()
    at: str = text_column()


class Plant(SQLModel, table=True):
    """A label on the web that was made bad on purpose; `serial` is the number that it carries
    instead of its own, empty where it carries its own."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "plant"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    position: int = key_column()
    challenge_kind: str = text_column()
    serial: str = text_column()
    person: str = text_column()
    at: str = text_column()
