"""Findings name the labels that the readings do not tell apart."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.add_column("finding", sa.Column("together", TEXT, nullable=False, server_default=""))
