"""How destinations were met last, for people who look."""

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    names = ("at", "person", "station", "outcome", "why", "next")
    op.create_table(
        "sending",
        sa.Column("destination", sa.Integer(), primary_key=True, autoincrement=False),
        *(sa.Column(name, TEXT, nullable=False) for name in names),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
