"""What a record weighs at rest, by what the bytes are for; one small function per database."""

from __future__ import annotations

from job import Job
from sqlalchemy import Connection, text

PARTS, ORIGINALS, LABELS = "parts", "originals", "label rows"
LABEL_INDEX, REST = "label indexes", "all else"

_ORIGINAL_BYTES = text("SELECT coalesce(sum(length(data)), 0) FROM original")


def at_rest(job: Job) -> dict[str, int]:
    """Bytes by kind. SQLite: pages in use, after a checkpoint; PostgreSQL: tables with what is
    dead in them, as the disk has them."""
    with job.record.read() as view:
        sizes = _SIZES[view.connection.dialect.name](view.connection)
    weights = dict.fromkeys((LABELS, LABEL_INDEX, PARTS, ORIGINALS, REST), 0)
    for kind, size in sizes:
        weights[kind] += size
    return weights


def _sqlite(connection: Connection) -> list[tuple[str, int]]:
    """By table and index from `dbstat`; where that is not compiled in, originals and all else."""
    options = connection.execute(text("PRAGMA compile_options")).scalars().all()
    if "ENABLE_DBSTAT_VTAB" not in options:
        pages, size = (
            connection.execute(text(f"PRAGMA {name}")).scalar_one()
            for name in ("page_count", "page_size")
        )
        originals = connection.execute(_ORIGINAL_BYTES).scalar_one()
        return [(ORIGINALS, originals), (REST, pages * size - originals)]
    rows = connection.execute(
        text(
            "SELECT s.tbl_name, s.type, d.pgsize FROM dbstat('main', 1) AS d "
            "JOIN sqlite_schema AS s ON s.name = d.name"
        )
    )
    return [(_kind(table, index=kind == "index"), size) for table, kind, size in rows]


def _postgresql(connection: Connection) -> list[tuple[str, int]]:
    """By table, what is stored out of line with it, and its indexes."""
    rows = connection.execute(
        text(
            "SELECT relname, pg_table_size(oid), pg_indexes_size(oid) FROM pg_class "
            "WHERE relkind = 'r' AND relnamespace = current_schema()::regnamespace"
        )
    ).all()
    return [(_kind(table, index=False), size) for table, size, _ in rows] + [
        (_kind(table, index=True), size) for table, _, size in rows
    ]


_SIZES = {"sqlite": _sqlite, "postgresql": _postgresql}


def _kind(table: str, *, index: bool) -> str:
    if table == "label":
        return LABEL_INDEX if index else LABELS
    return {"part": PARTS, "original": ORIGINALS}.get(table, REST)
