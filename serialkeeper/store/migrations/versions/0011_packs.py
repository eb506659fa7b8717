"""Packs: levels of products and lots, SSCCs, packs, and which unit is in which."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")
LOT = {"product_id": WHOLE, "lot_id": WHOLE}


def upgrade() -> None:
    for table in ("product", "lot"):
        op.add_column(table, sa.Column("packs", TEXT, nullable=False, server_default=""))
    numbers = ("first", "count")
    op.create_table(
        "sscc_range",
        *_columns({"id": WHOLE}),
        *_plain(("company",), ("extension", *numbers, "for_product", "for_lot")),
        sa.UniqueConstraint("company", "extension", "first"),
        sqlite_strict=True,
        sqlite_with_rowid=True,
    )
    op.create_table(
        "sscc_stock",
        *_columns({**LOT, "id": WHOLE}),
        *_plain(("company",), ("extension", *numbers, "used")),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_table(
        "pack",
        *_columns({**LOT, "id": WHOLE}),
        *_plain(("level", "key", "state"), ("parent_lot", "parent")),
        sa.UniqueConstraint("key", "product_id"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("pack_inside", "pack", ["product_id", "parent_lot", "parent"])
    op.create_table(
        "packed",
        *_columns({**LOT, "position": WHOLE}),
        *_plain((), ("pack_lot", "pack")),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_table(
        "pack_label",
        *_columns({**LOT, "pack": WHOLE, "copy_number": WHOLE}),
        *_plain(("state", "content", "reason", "by", "at"), ()),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("packed_inside", "packed", ["product_id", "pack_lot", "pack"])


def _columns(key: dict[str, sa.Integer]) -> list[sa.Column[Any]]:
    return [
        sa.Column(name, kind, primary_key=True, nullable=False, autoincrement=False)
        for name, kind in key.items()
    ]


def _plain(texts: tuple[str, ...], numbers: tuple[str, ...]) -> list[sa.Column[Any]]:
    return [
        *(sa.Column(name, TEXT, nullable=False) for name in texts),
        *(sa.Column(name, NUMBER, nullable=False) for name in numbers),
    ]
