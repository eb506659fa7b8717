"""Labels that are bad on purpose: sets, what readers made of them, and planted ones."""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")
WHOLE = {"product_id", "lot_id", "id", "position", "each", "first", "challenge", "size"}


def _kind(column: str, key: list[str]) -> sa.types.TypeEngine[Any]:
    if column not in WHOLE:
        return TEXT
    return sa.Integer() if column in key else NUMBER


def table(name: str, key: str, columns: str, *more: SchemaItem) -> None:
    """One strict table; `key` names the primary key's columns."""
    op.create_table(
        name,
        *(
            sa.Column(
                column,
                _kind(column, key.split()),
                primary_key=column in key.split(),
                nullable=False,
                autoincrement=False,
            )
            for column in columns.split()
        ),
        *more,
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )


def upgrade() -> None:
    table(
        "challenge",
        "product_id lot_id id",
        "product_id lot_id id kinds each first name sha256 at",
    )
    table(
        "challenge_run",
        "product_id lot_id id",
        "product_id lot_id id challenge occasion name station profile sha256 size findings "
        "outcomes at",
        sa.UniqueConstraint("product_id", "lot_id", "sha256"),
    )
    table(
        "plant",
        "product_id lot_id position",
        "product_id lot_id position challenge_kind serial person at",
    )
