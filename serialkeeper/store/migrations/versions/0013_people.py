"""People have passwords and can retire; wrong passwords are counted."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")


def upgrade() -> None:
    for name in ("retired", "password"):
        op.add_column("person", sa.Column(name, TEXT, nullable=False, server_default=""))
    op.add_column("person", sa.Column("temporary", NUMBER, nullable=False, server_default="0"))
    _table("credential", "person", (), ("data",), rowid=False)
    _table("attempt", "person", ("failures",), ("until",), rowid=False)
    _table(
        "sign_in_alarm",
        "id",
        ("person", "failures"),
        ("station", "at", "cleared_by", "cleared_at", "cause"),
    )
    _table("password_rules", "id", ("shortest", "failures"), ("at",))


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
