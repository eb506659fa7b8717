"""Chains and entries are kept by product, stations have names, PostgreSQL guards its journal.

Every key of a lot's rows begins with its product from here on, the journal's too, so that a
database on several machines can keep a product's rows together.
"""

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
Kind = sa.types.TypeEngine[Any]
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")
PRODUCT = "coalesce((SELECT product_id FROM lot WHERE lot.id = old.lot_id), 0)"

STOP = "BEGIN SELECT RAISE(ABORT, 'entry is append-only'); END"
REFUSE = "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change"
GUARDS = {
    "sqlite": [
        f"CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry {STOP}",
        f"CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry {STOP}",
        "CREATE TRIGGER entry_no_replace BEFORE INSERT ON entry WHEN EXISTS (SELECT 1 FROM entry "
        "WHERE product_id = NEW.product_id AND lot_id = NEW.lot_id AND seq = NEW.seq) "
        f"{STOP}",
    ],
    "postgresql": [
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION USING MESSAGE = TG_ARGV[0], "
        "ERRCODE = 'restrict_violation'; END $$",
        *(
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            f"{REFUSE}('{table} is append-only')"
            for table in ("entry", "part", "original")
        ),
        "CREATE TRIGGER label_no_delete BEFORE DELETE OR TRUNCATE ON label "
        f"{REFUSE}('labels are never deleted')",
        "ALTER TABLE part ALTER COLUMN data SET STORAGE EXTERNAL",
        "ALTER TABLE original ALTER COLUMN data SET STORAGE EXTERNAL",
    ],
}
"""PostgreSQL's stand here for all tables: it has been a record's database from here on."""


def upgrade() -> None:
    op.create_table(
        "station",
        sa.Column("id", WHOLE, primary_key=True, nullable=False, autoincrement=False),
        sa.Column("name", TEXT, nullable=False),
        sa.Column("location", NUMBER, nullable=False),
        sa.Column("added", TEXT, nullable=False),
        sa.UniqueConstraint("name"),
        sqlite_strict=True,
        sqlite_with_rowid=True,
    )
    lot = {"product_id": WHOLE, "lot_id": WHOLE}
    # The triggers of `entry` go with the table.
    op.execute("CREATE TEMPORARY TABLE old_chain AS SELECT id AS lot_id, count, head FROM chain")
    op.execute(
        "CREATE TEMPORARY TABLE old_entry AS SELECT chain AS lot_id, seq, body, hash FROM entry"
    )
    op.drop_table("chain")
    op.drop_table("entry")
    _create("chain", lot, {"count": NUMBER, "head": sa.LargeBinary()})
    _create("entry", {**lot, "seq": WHOLE}, {"body": sa.LargeBinary(), "hash": sa.LargeBinary()})
    for table, columns in (("chain", "lot_id, count, head"), ("entry", "lot_id, seq, body, hash")):
        op.execute(
            f"INSERT INTO {table} (product_id, {columns}) SELECT {PRODUCT}, {columns} "
            f"FROM old_{table} AS old"
        )
        op.execute(f"DROP TABLE old_{table}")
    for statement in GUARDS[op.get_bind().dialect.name]:
        op.execute(statement)


def _create(name: str, key: Mapping[str, Kind], columns: Mapping[str, Kind]) -> None:
    op.create_table(
        name,
        *(
            sa.Column(column, kind, primary_key=True, nullable=False, autoincrement=False)
            for column, kind in key.items()
        ),
        *(sa.Column(column, kind, nullable=False) for column, kind in columns.items()),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
