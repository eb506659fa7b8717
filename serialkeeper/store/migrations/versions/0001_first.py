"""The first schema: house, lots, labels, journal, originals."""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")
BYTES = sa.LargeBinary()


def table(name: str, key: str, columns: dict[str, Any], *more: SchemaItem, rowid: bool) -> None:
    """One strict table; `key` names the primary key's columns."""
    keys = key.split()
    op.create_table(
        name,
        *(
            sa.Column(
                column,
                NUMBER if kind is WHOLE and column not in keys else kind,
                primary_key=column in keys,
                nullable=False,
                autoincrement=False,
            )
            for column, kind in columns.items()
        ),
        *more,
        sqlite_strict=True,
        sqlite_with_rowid=rowid,
        postgresql_with={"fillfactor": 45} if name == "label" else {},
    )


LOT = {"product_id": WHOLE, "lot_id": WHOLE}


def upgrade() -> None:
    table("setting", "name", {"name": TEXT, "value": TEXT}, rowid=False)
    table(
        "person",
        "id",
        {"id": WHOLE, "name": TEXT, "role": TEXT, "account": TEXT, "added": TEXT},
        sa.UniqueConstraint("name"),
        rowid=True,
    )
    table(
        "product",
        "id",
        {
            "id": WHOLE,
            "gtin": TEXT,
            "name": TEXT,
            "prefix_length": WHOLE,
            "ai_order": TEXT,
            "serial_length": WHOLE,
            "minimum_grade": WHOLE,
            "prefix_start": WHOLE,
            "prefix_step": WHOLE,
            "prefixes_used": WHOLE,
        },
        sa.UniqueConstraint("gtin"),
        rowid=True,
    )
    table(
        "lot",
        "product_id id",
        {
            "product_id": WHOLE,
            "id": WHOLE,
            "number": TEXT,
            "expiry": TEXT,
            "target": WHOLE,
            "state": TEXT,
            "labels": WHOLE,
            "commission_at": TEXT,
            "market": TEXT,
            "artwork": TEXT,
            "gtin": TEXT,
            "prefix_length": WHOLE,
            "ai_order": TEXT,
            "minimum_grade": WHOLE,
            "group_limit": WHOLE,
        },
        sa.UniqueConstraint("product_id", "number"),
        rowid=False,
    )
    table(
        "allocation",
        "product_id lot_id id",
        {
            **LOT,
            "id": WHOLE,
            "source": TEXT,
            "first": WHOLE,
            "count": WHOLE,
            "done": WHOLE,
            "prefix_first": WHOLE,
            "prefix_count": WHOLE,
        },
        rowid=False,
    )
    table(
        "label",
        "product_id lot_id position",
        {**LOT, "position": WHOLE, "serial": TEXT, "state": TEXT},
        sa.UniqueConstraint("serial", "product_id"),
        # Records of before 2026-11 say the same by a pattern, which takes longer.
        sa.CheckConstraint(
            " OR ".join(f"state = '{letter}'" for letter in "aivcrRxd"), name="label_state"
        ),
        rowid=False,
    )
    table(
        "job",
        "product_id lot_id id",
        {
            **LOT,
            "id": WHOLE,
            "first": WHOLE,
            "last": WHOLE,
            "count": WHOLE,
            "lanes": WHOLE,
            "rows": WHOLE,
            "by": TEXT,
            "ranges": TEXT,
            "name": TEXT,
            "sha256": TEXT,
            "size": WHOLE,
        },
        rowid=False,
    )
    table(
        "take",
        "product_id lot_id id",
        {
            **LOT,
            "id": WHOLE,
            "name": TEXT,
            "station": TEXT,
            "sha256": TEXT,
            "size": WHOLE,
            "jobs": WHOLE,
            "readings": WHOLE,
            "state": TEXT,
            "through": WHOLE,
            "at": TEXT,
        },
        sa.UniqueConstraint("product_id", "lot_id", "sha256"),
        rowid=False,
    )
    table(
        "finding",
        "product_id lot_id position take",
        {
            **LOT,
            "position": WHOLE,
            "take": WHOLE,
            "word": TEXT,
            "seen": TEXT,
            "detail": TEXT,
            "state": TEXT,
        },
        rowid=False,
    )
    table(
        "departure",
        "product_id lot_id seq first",
        {**LOT, "seq": WHOLE, "first": WHOLE, "last": WHOLE, "state": TEXT, "reason": TEXT},
        rowid=False,
    )
    table(
        "tally",
        "product_id lot_id id",
        {
            **LOT,
            "id": WHOLE,
            "term": TEXT,
            "value": WHOLE,
            "witness": TEXT,
            "reason": TEXT,
            "at": TEXT,
        },
        rowid=False,
    )
    table("chain", "id", {"id": WHOLE, "count": WHOLE, "head": BYTES}, rowid=True)
    table(
        "entry",
        "chain seq",
        {"chain": WHOLE, "seq": WHOLE, "body": BYTES, "hash": BYTES},
        rowid=False,
    )
    table(
        "part",
        "product_id lot_id block seq part_kind",
        {
            **LOT,
            "block": WHOLE,
            "seq": WHOLE,
            "part_kind": TEXT,
            "first": WHOLE,
            "count": WHOLE,
            "data": BYTES,
        },
        rowid=True,
    )
    table(
        "original",
        "product_id lot_id sha256 piece",
        {**LOT, "sha256": TEXT, "piece": WHOLE, "data": BYTES},
        rowid=True,
    )
    if op.get_bind().dialect.name == "sqlite":  # PostgreSQL's come with 0010
        _add_triggers()


def _add_triggers() -> None:
    for name, same in (
        ("entry", "chain = NEW.chain AND seq = NEW.seq"),
        (
            "part",
            "product_id = NEW.product_id AND lot_id = NEW.lot_id AND block = NEW.block "
            "AND seq = NEW.seq AND part_kind = NEW.part_kind",
        ),
        (
            "original",
            "product_id = NEW.product_id AND lot_id = NEW.lot_id "
            "AND sha256 = NEW.sha256 AND piece = NEW.piece",
        ),
    ):
        stop = f"BEGIN SELECT RAISE(ABORT, '{name} is append-only'); END"
        op.execute(f"CREATE TRIGGER {name}_no_update BEFORE UPDATE ON {name} {stop}")
        op.execute(f"CREATE TRIGGER {name}_no_delete BEFORE DELETE ON {name} {stop}")
        op.execute(
            f"CREATE TRIGGER {name}_no_replace BEFORE INSERT ON {name} "
            f"WHEN EXISTS (SELECT 1 FROM {name} WHERE {same}) {stop}"
        )
    stop = "BEGIN SELECT RAISE(ABORT, 'labels are never deleted'); END"
    op.execute(f"CREATE TRIGGER label_no_delete BEFORE DELETE ON label {stop}")
