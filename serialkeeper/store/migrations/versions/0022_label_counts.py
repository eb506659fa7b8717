"""Labels by state, counted as they are moved; here they are counted once."""

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None

WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")
LETTERS = {
    "allocated": "a",
    "issued": "i",
    "verified": "v",
    "commissioned": "c",
    "rejected": "r",
    "pulled": "R",
    "voided": "x",
    "decommissioned": "d",
}


def upgrade() -> None:
    op.create_table(
        "label_count",
        *(
            sa.Column(name, WHOLE, primary_key=True, nullable=False, autoincrement=False)
            for name in ("product_id", "lot_id")
        ),
        *(sa.Column(name, NUMBER, nullable=False) for name in LETTERS),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    counts = ", ".join(
        f"count(CASE WHEN label.state = '{one}' THEN 1 END)" for one in LETTERS.values()
    )
    op.execute(
        f"INSERT INTO label_count (product_id, lot_id, {', '.join(LETTERS)}) "
        f"SELECT lot.product_id, lot.id, {counts} FROM lot LEFT JOIN label "
        "ON label.product_id = lot.product_id AND label.lot_id = lot.id "
        "GROUP BY lot.product_id, lot.id"
    )
