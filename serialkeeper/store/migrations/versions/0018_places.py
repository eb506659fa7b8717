"""Where a lot is worked on, and its production order, for its events."""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    for name in ("place", "production_order"):
        op.add_column("lot", sa.Column(name, TEXT, nullable=False, server_default=""))
