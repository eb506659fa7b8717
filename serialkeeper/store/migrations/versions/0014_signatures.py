"""Entries are signed; the tables stay as they are."""

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing changes: earlier versions must not go on writing entries without signatures."""
