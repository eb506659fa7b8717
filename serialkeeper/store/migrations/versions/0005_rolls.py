"""Rolls: what they are, what was noted on them, taken off, put in, and proven by reading again."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")

TAKE: dict[str, Any] = {
    "product_id": WHOLE,
    "lot_id": WHOLE,
    "id": WHOLE,
    "name": TEXT,
    "station": TEXT,
    "sha256": TEXT,
    "size": NUMBER,
    "jobs": NUMBER,
    "readings": NUMBER,
    "state": TEXT,
    "through": NUMBER,
    "at": TEXT,
    "profile": TEXT,
    "roll": NUMBER,
}

NEW: dict[str, tuple[tuple[str, ...], dict[str, Any], tuple[str, ...]]] = {
    "roll": (
        ("id",),
        {
            "parent": NUMBER,
            "job": NUMBER,
            "lane": NUMBER,
            "first_row": NUMBER,
            "last_row": NUMBER,
            "wound": TEXT,
            "state": TEXT,
        },
        (),
    ),
    "mark": (
        ("id",),
        {
            "roll": NUMBER,
            "word": TEXT,
            "row": NUMBER,
            "labels": NUMBER,
            "expected": NUMBER,
            "reason": TEXT,
            "by": TEXT,
            "at": TEXT,
        },
        (),
    ),
    "removal": (
        ("position", "seq"),
        {"roll": NUMBER, "neighbour": NUMBER, "by": TEXT, "at": TEXT},
        (),
    ),
    "replacement": (
        ("bad",),
        {"spare": NUMBER, "roll": NUMBER, "seq": NUMBER, "reason": TEXT, "by": TEXT, "at": TEXT},
        ("product_id", "lot_id", "spare"),
    ),
    "proof": (
        ("position", "take"),
        {"seq": NUMBER, "word": TEXT, "evidence": TEXT, "detail": TEXT},
        (),
    ),
}


def upgrade() -> None:
    _make_takes_anew()
    for table, (key, columns, unique) in NEW.items():
        _create(table, ("product_id", "lot_id", *key), columns, unique)


def _create(
    table: str, key: tuple[str, ...], columns: dict[str, Any], unique: tuple[str, ...]
) -> None:
    op.create_table(
        table,
        *(
            sa.Column(name, WHOLE, primary_key=True, nullable=False, autoincrement=False)
            for name in key
        ),
        *(sa.Column(name, kind, nullable=False) for name, kind in columns.items()),
        *([sa.UniqueConstraint(*unique)] if unique else []),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )


def _make_takes_anew() -> None:
    """A column added to `take` would stand after its constraints; see 0003."""
    columns = ", ".join(f'"{name}"' for name in TAKE if name != "roll")
    op.execute(f"CREATE TEMPORARY TABLE old_take AS SELECT {columns} FROM take")
    op.drop_table("take")
    key = ("product_id", "lot_id", "id")
    values = {name: kind for name, kind in TAKE.items() if name not in key}
    _create("take", key, values, ("product_id", "lot_id", "sha256"))
    op.execute(f"INSERT INTO take ({columns}, roll) SELECT {columns}, 0 FROM old_take")
    op.execute("DROP TABLE old_take")
