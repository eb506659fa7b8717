"""The tables of labels that are bad on purpose; see `store.tables` for what all tables share."""

from __future__ import annotations

from typing import ClassVar

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from serialkeeper.store.columns import OPTIONS, key, text, whole


class Challenge(SQLModel, table=True):
    """A set of labels that are bad on purpose: `each` trials of each of the `kinds`; the numbers on
    them follow from the `first` one's index (`rules.challenges.Numbers`)."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "challenge"
    __table_args__ = OPTIONS
    product_id: int = key()
    lot_id: int = key()
    id: int = key()
    kinds: str = text()
    each: int = whole()
    first: int = whole()
    name: str = text()
    sha256: str = text()
    at: str = text()


class ChallengeRun(SQLModel, table=True):
    """A set shown to a reader: for each label its finding or `good`, and a letter of
    `rules.challenges.OUTCOMES`."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "challenge_run"
    __table_args__ = (UniqueConstraint("product_id", "lot_id", "sha256"), OPTIONS)
    product_id: int = key()
    lot_id: int = key()
    id: int = key()
    challenge: int = whole()
    occasion: str = text()
    name: str = text()
    station: str = text()
    profile: str = text()
    sha256: str = text()
    size: int = whole()
    findings: str = text()
    outcomes: str = text()
    at: str = text()


class Plant(SQLModel, table=True):
    """A label on the web that was made bad on purpose; `serial` is the number that it carries
    instead of its own, empty where it carries its own."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "plant"
    __table_args__ = OPTIONS
    product_id: int = key()
    lot_id: int = key()
    position: int = key()
    challenge_kind: str = text()
    serial: str = text()
    person: str = text()
    at: str = text()
