"""Camera profiles: the texts that are kept, and which one a take was read by."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
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
}


def upgrade() -> None:
    op.create_table(
        "profile",
        sa.Column("id", WHOLE, primary_key=True, nullable=False, autoincrement=False),
        *(sa.Column(name, TEXT, nullable=False) for name in ("name", "text", "sha256", "at")),
        sa.UniqueConstraint("name"),
        sqlite_strict=True,
        sqlite_with_rowid=True,
    )
    # A column added to `take` would stand after its constraints, and the table would not be
    # written as a fresh one is. It is small and replayed, so it is made anew.
    columns = ", ".join(f'"{name}"' for name in TAKE if name != "profile")
    op.execute(f"CREATE TEMPORARY TABLE old_take AS SELECT {columns} FROM take")
    op.drop_table("take")
    op.create_table(
        "take",
        *(
            sa.Column(
                name,
                kind,
                primary_key=name in ("product_id", "lot_id", "id"),
                nullable=False,
                autoincrement=False,
            )
            for name, kind in TAKE.items()
        ),
        sa.UniqueConstraint("product_id", "lot_id", "sha256"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.execute(f"INSERT INTO take ({columns}, profile) SELECT {columns}, '' FROM old_take")
    op.execute("DROP TABLE old_take")
