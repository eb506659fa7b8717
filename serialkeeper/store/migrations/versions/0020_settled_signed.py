"""No table changes: from here on it is signed what became of a document that was stuck."""

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing: the entry `record migrated` tells how many entries came before."""
