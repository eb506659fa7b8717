"""Badges and PINs, sessions at stations, and tokens for scripts."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")


def upgrade() -> None:
    for name in ("badge", "pin"):
        op.add_column("person", sa.Column(name, TEXT, nullable=False, server_default=""))
    idle = sa.Column("idle", NUMBER, nullable=False, server_default="0")
    op.add_column("password_rules", idle)
    _table("pin", "person", (), ("data",), rowid=False)
    _table(
        "session", "id", ("person",), ("station", "sha256", "begun", "used", "ended"), rowid=False
    )
    texts = ("purpose", "may", "until", "sha256", "at", "revoked")
    _table("token", "id", ("person",), texts)


def _table(
    name: str, key: str, numbers: tuple[str, ...], texts: tuple[str, ...], *, rowid: bool = True
) -> None:
    op.create_table(
        name,
        sa.Column(key, WHOLE, primary_key=True, nullable=False, autoincrement=False),
        *(sa.Column(column, NUMBER, nullable=False) for column in numbers),
        *(sa.Column(column, TEXT, nullable=False) for column in texts),
        sqlite_strict=True,
        sqlite_with_rowid=rowid,
    )
