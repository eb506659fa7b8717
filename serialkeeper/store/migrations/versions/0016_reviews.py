"""Reviews that were signed."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")


def upgrade() -> None:
    op.create_table(
        "review",
        *(
            sa.Column(name, WHOLE, primary_key=True, nullable=False, autoincrement=False)
            for name in ("product_id", "lot_id", "seq")
        ),
        *(sa.Column(name, TEXT, nullable=False) for name in ("what", "reason", "by", "second")),
        *(sa.Column(name, NUMBER, nullable=False) for name in ("position", "through", "count")),
        *(
            sa.Column(name, TEXT, nullable=False)
            for name in ("digest", "examples", "person", "note", "at")
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
