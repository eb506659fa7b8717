"""Runs: clearance, challenges, stops, clock checks and grades."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")


def upgrade() -> None:
    texts = ("word", "station", "occasion", "outcome", "detail", "person", "second", "reason", "at")
    op.create_table(
        "run_event",
        *(
            sa.Column(name, WHOLE, primary_key=True, nullable=False, autoincrement=False)
            for name in ("product_id", "lot_id", "seq")
        ),
        sa.Column("run", NUMBER, nullable=False),
        *(sa.Column(name, TEXT, nullable=False) for name in texts),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
