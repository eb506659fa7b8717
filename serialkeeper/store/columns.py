"""The column types of every table: TEXT, INTEGER and BLOB only (SQLite STRICT).

In PostgreSQL keys are `integer`, all other whole numbers `bigint`, texts sort by their bytes."""

from __future__ import annotations

from typing import Any

from sqlalchemy import BigInteger, Integer, LargeBinary, Text
from sqlmodel import Field

WHOLE = Integer().with_variant(BigInteger(), "postgresql")
TEXT = Text().with_variant(Text(collation="C"), "postgresql")
OPTIONS = {"sqlite_strict": True, "sqlite_with_rowid": False}
ROWID = {"sqlite_strict": True}
FILL = {"postgresql_with": {"fillfactor": 45}}
"""Room in PostgreSQL's pages for the labels' next states, so that a move touches no index."""


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
    return Field(sa_type=WHOLE, sa_column_kwargs={"server_default": "0"})


def whole_column() -> Any:
    """A whole number."""
    return Field(sa_type=WHOLE)


def blob_column() -> Any:
    """Bytes."""
    return Field(sa_type=LargeBinary)
