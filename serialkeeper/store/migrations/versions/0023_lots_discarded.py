"""No table changes: from here on it is signed that a lot was discarded."""

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing: the entry `record migrated` tells how many entries came before."""
