"""The tables of people, what is kept of their passwords, and of wrong ones."""

from __future__ import annotations

from typing import ClassVar

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from serialkeeper.store.columns import (
    OPTIONS,
    ROWID,
    added_text_column,
    added_whole_column,
    key_column,
    text_column,
    whole_column,
)


class Person(SQLModel, table=True):
    """Somebody who works on the record; names stay for ever. `retired` is when, or empty;
    `password` the SHA-256 of the credential in force; `temporary` 1 until its owner changed it;
    `badge` the SHA-256 of a badge's text, `pin` that of what is kept of its PIN."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "person"
    __table_args__ = (UniqueConstraint("name"), ROWID)
    id: int = key_column()
    name: str = text_column()
    role: str = text_column()
    account: str = text_column()
    added: str = text_column()
    retired: str = added_text_column()
    password: str = added_text_column()
    temporary: int = added_whole_column()
    badge: str = added_text_column()
    pin: str = added_text_column()


class Credential(SQLModel, table=True):
    """What is kept of a person's password: Argon2id, its SHA-256 stands in an entry."""

    kind: ClassVar[str] = "sealed"
    __tablename__ = "credential"
    __table_args__ = OPTIONS
    person: int = key_column()
    data: str = text_column()


class Pin(SQLModel, table=True):
    """What is kept of a badge's PIN: Argon2id of both, its SHA-256 stands in an entry."""

    kind: ClassVar[str] = "sealed"
    __tablename__ = "pin"
    __table_args__ = OPTIONS
    person: int = key_column()
    data: str = text_column()


class Session(SQLModel, table=True):
    """Somebody is at a station from `begun` on, until it is `ended` or not `used` for too long;
    `sha256` is that of the key that the station keeps."""

    kind: ClassVar[str] = "working"
    __tablename__ = "session"
    __table_args__ = OPTIONS
    id: int = key_column()
    person: int = whole_column()
    station: str = text_column()
    sha256: str = text_column()
    begun: str = text_column()
    used: str = text_column()
    ended: str = text_column()


class TokenRow(SQLModel, table=True):
    """What a script signs in with, in a person's name; `may` are its scopes, `until` its last day,
    `revoked` when somebody ended it."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "token"
    __table_args__ = ROWID
    id: int = key_column()
    person: int = whole_column()
    purpose: str = text_column()
    may: str = text_column()
    until: str = text_column()
    sha256: str = text_column()
    at: str = text_column()
    revoked: str = text_column()


class Attempt(SQLModel, table=True):
    """Wrong passwords in a row of a person, of all unknown names together as person 0, and until
    when none is tried; what begins and ends a row of them that alarms stands in the journal."""

    kind: ClassVar[str] = "working"
    __tablename__ = "attempt"
    __table_args__ = OPTIONS
    person: int = key_column()
    failures: int = whole_column()
    until: str = text_column()


class SignInAlarm(SQLModel, table=True):
    """Many wrong passwords in a row, until an administrator has cleared it."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "sign_in_alarm"
    __table_args__ = ROWID
    id: int = key_column()
    person: int = whole_column()
    failures: int = whole_column()
    station: str = text_column()
    at: str = text_column()
    cleared_by: str = text_column()
    cleared_at: str = text_column()
    cause: str = text_column()


class PasswordRules(SQLModel, table=True):
    """What the firm wants of passwords; the newest row holds."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "password_rules"
    __table_args__ = ROWID
    id: int = key_column()
    shortest: int = whole_column()
    failures: int = whole_column()
    at: str = text_column()
    idle: int = added_whole_column()
