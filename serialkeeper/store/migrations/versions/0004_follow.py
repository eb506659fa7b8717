"""Files that are followed while they grow, alarms with what was said of them, alarm rules."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")
LOT: dict[str, Any] = {"product_id": WHOLE, "lot_id": WHOLE, "id": WHOLE}

FOLLOW = {
    "name": TEXT,
    "station": TEXT,
    "profile": TEXT,
    "size": NUMBER,
    "sha256": TEXT,
    "readings": NUMBER,
    "state": TEXT,
    "take": NUMBER,
    "at": TEXT,
}
ALARM = {
    "name": TEXT,
    "station": TEXT,
    "take": NUMBER,
    "follow": NUMBER,
    "word": TEXT,
    "lane": NUMBER,
    "first": NUMBER,
    "last": NUMBER,
    "labels": NUMBER,
    "at": TEXT,
    "state": TEXT,
    "person": TEXT,
    "cause": TEXT,
    "restart_check": TEXT,
    "held_first": NUMBER,
    "held_last": NUMBER,
    "acknowledged": TEXT,
}
RULES = {"station": TEXT, "in_a_row": NUMBER, "share": NUMBER, "window": NUMBER, "at": TEXT}


def table(name: str, key: dict[str, Any], columns: dict[str, Any], *, rowid: bool) -> None:
    op.create_table(
        name,
        *(
            sa.Column(column, kind, primary_key=column in key, nullable=False, autoincrement=False)
            for column, kind in {**key, **columns}.items()
        ),
        sqlite_strict=True,
        sqlite_with_rowid=rowid,
    )


def upgrade() -> None:
    table("follow", LOT, FOLLOW, rowid=False)
    table("alarm", LOT, ALARM, rowid=False)
    table("alarm_rules", {"id": WHOLE}, RULES, rowid=True)
