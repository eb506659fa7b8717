"""Findings name the entry that told them, so that it shows what came after a label was cut out."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")


def upgrade() -> None:
    op.add_column("finding", sa.Column("seq", NUMBER, nullable=False, server_default="0"))
