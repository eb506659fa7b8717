"""Findings name the entry that told them, so that it shows what came after a label was cut out."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("finding", sa.Column("seq", sa.Integer(), nullable=False, server_default="0"))
