"""Destinations of events, and documents on their way to them."""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.Integer()
NUMBER = sa.Integer().with_variant(sa.BigInteger(), "postgresql")

DESTINATION = (
    *("name", "what", "place", "form", "links", "sender", "receiver", "products"),
    "as_it_happens",
    *("most_events", "most_bytes", "options", "at", "retired"),
)
DOCUMENT = (
    *(
        "events",
        "count",
        "form",
        "links",
        "sender",
        "receiver",
        "created",
        "name",
        "sha256",
        "size",
        "units",
        "list_sha256",
    ),
    *("state", "why", "said", "receipt", "through", "owed", "seq", "more", "prepared", "ended"),
)
NUMBERS = (
    "as_it_happens",
    "most_events",
    "most_bytes",
    "count",
    "links",
    "size",
    "units",
    "through",
    "seq",
    "more",
)


def upgrade() -> None:
    op.create_table(
        "destination",
        sa.Column("id", WHOLE, primary_key=True, nullable=False, autoincrement=False),
        *(
            sa.Column(name, NUMBER if name in NUMBERS else TEXT, nullable=False)
            for name in DESTINATION
        ),
        sa.UniqueConstraint("name"),
        sqlite_strict=True,
    )
    op.create_table(
        "document",
        *(
            sa.Column(name, WHOLE, primary_key=True, nullable=False, autoincrement=False)
            for name in ("product_id", "lot_id", "destination", "number")
        ),
        *(
            sa.Column(name, NUMBER if name in NUMBERS else TEXT, nullable=False)
            for name in DOCUMENT
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
