"""What comes in files: locations, imported numbers and what is printed with them."""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")
WHOLE = {
    "product_id",
    "lot_id",
    "id",
    "position",
    "first",
    "count",
    "size",
    "prefix_length",
    "part_of",
}


def _kind(column: str, key: list[str]) -> sa.types.TypeEngine[Any]:
    if column not in WHOLE:
        return TEXT
    return sa.Integer() if column in key else NUMBER


def table(name: str, key: str, columns: str, *more: SchemaItem, rowid: bool = False) -> None:
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
        sqlite_with_rowid=rowid,
    )


def upgrade() -> None:
    table(
        "location",
        "id",
        "id gln extension name zone prefix_length part_of",
        sa.UniqueConstraint("gln", "extension"),
        rowid=True,
    )
    table(
        "number_import",
        "product_id lot_id id",
        "product_id lot_id id first count issuer usable_until form extras ai_order name sha256 "
        "size at",
    )
    table("extra", "product_id lot_id position", "product_id lot_id position elements")
