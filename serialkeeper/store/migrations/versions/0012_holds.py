"""Holds on lots, labels, rolls and packs."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")


def upgrade() -> None:
    keys = ("product_id", "lot_id", "id")
    lifted = ("lifted_by", "lifted_at", "lifted_reason")
    op.create_table(
        "hold",
        *(
            sa.Column(name, WHOLE, primary_key=True, nullable=False, autoincrement=False)
            for name in keys
        ),
        *(sa.Column(name, TEXT, nullable=False) for name in ("what", "positions")),
        *(sa.Column(name, NUMBER, nullable=False) for name in ("roll", "pack")),
        *(
            sa.Column(name, TEXT, nullable=False)
            for name in ("key", "reason", "reference", "by", "at", *lifted)
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
