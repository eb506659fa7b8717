"""The column types of every table: TEXT, INTEGER and BLOB only (SQLite STRICT)."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Integer, LargeBinary, Text
from sqlmodel import Field

TEXT = Text().with_variant(Text(collation="C"), "postgresql")
OPTIONS = {"sqlite_strict": True, "sqlite_with_rowid": False}
ROWID = {"sqlite_strict": True}


def key(kind: Any = Integer) -> Any:
    """A column of the primary key; its values are given by our code."""
    return Field(primary_key=True, sa_type=kind, sa_column_kwargs={"autoincrement": False})


def text() -> Any:
    """A text."""
    return Field(sa_type=TEXT)


def whole() -> Any:
    """A whole number."""
    return Field(sa_type=Integer)


def octets() -> Any:
    """Bytes."""
    return Field(sa_type=LargeBinary)
