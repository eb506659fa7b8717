"""Holds on lots, labels and packs."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
TEXTS = ("reference", "reason", "by", "at", "lifted_by", "lifted_at", "lifted_reason")


def upgrade() -> None:
    op.create_table(
        "hold",
        *(
            sa.Column(name, sa.Integer(), primary_key=True, nullable=False, autoincrement=False)
            for name in ("product_id", "lot_id", "id")
        ),
        sa.Column("what", TEXT, nullable=False),
        sa.Column("positions", TEXT, nullable=False),
        sa.Column("pack", sa.Integer(), nullable=False),
        *(sa.Column(name, TEXT, nullable=False) for name in TEXTS),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
