"""The column types of every table: TEXT, INTEGER and BLOB only (SQLite STRICT)."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Integer, LargeBinary, Text
from sqlmodel import Field

TEXT = Text().with_variant(Text(collation="C"), "postgresql")
OPTIONS = {"sqlite_strict": True, "sqlite_with_rowid": False}
ROWID = {"sqlite_strict": True}


def key_column(kind: Any = Integer) -> Any:
    """A part of the primary key."""
    return Field(primary_key=True, sa_type=kind, sa_column_kwargs={"autoincrement": False})


def text_column() -> Any:
    """A text; keys sort by their bytes."""
    return Field(sa_type=TEXT)


def added_text_column() -> Any:
    """A text that rows from before it have empty."""
    return Field(sa_type=TEXT, sa_column_kwargs={"server_default": ""})


def added_whole_column() -> Any:
    """A whole number that rows from before it have as 0."""
    return Field(sa_type=Integer, sa_column_kwargs={"server_default": "0"})


def whole_column() -> Any:
    """A whole number."""
    return Field(sa_type=Integer)


def blob_column() -> Any:
    """Bytes."""
    return Field(sa_type=LargeBinary)
