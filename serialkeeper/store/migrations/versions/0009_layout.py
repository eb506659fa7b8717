"""Products and lots keep their label layout: symbol, space and human-readable lines."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    for table in ("product", "lot"):
        op.add_column(table, sa.Column("layout", TEXT, nullable=False, server_default=""))
