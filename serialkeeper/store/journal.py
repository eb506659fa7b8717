"""A look at what the record keeps: chains, entries, parts, originals, and rows by their key."""

from __future__ import annotations

import zlib
from collections.abc import Collection, Iterator
from functools import cache
from typing import Any

from sqlalchemy import Connection, Select, Table, bindparam, func, select
from sqlmodel import SQLModel

from serialkeeper.rules.chain import BLOCK, Entry, LotKey, PartRef, parse
from serialkeeper.store import bulk
from serialkeeper.store.pack_tables import Packed
from serialkeeper.store.tables import Chain, EntryRow, Model, Original, PartRow, made_of, table_of

LARGEST_PIECE = 1 << 24
"""Bytes of a kept file in one piece, at most; ours hold a sixteenth of it."""


class Journal:
    """The journal through one connection."""

    def __init__(self, connection: Connection) -> None:
        self.connection = connection

    def chains(self) -> list[Chain]:
        """The heads of all chains."""
        return self._all(Chain)

    def chain(self, chain: LotKey) -> Chain:
        """One chain's head."""
        return self._expect(Chain, **chain.row())

    def find_chain(self, chain: LotKey) -> Chain | None:
        """One chain's head, if there is such a chain."""
        return self._one(Chain, **chain.row())

    def hash_at(self, chain: LotKey, seq: int) -> bytes:
        """The hash of one entry of a chain; empty if there is none."""
        found = self._one(EntryRow, **chain.row(), seq=seq)
        return found.hash if found else b""

    def stored_entries(
        self, chain: LotKey, *, after: int = 0
    ) -> Iterator[tuple[int, bytes, bytes]]:
        """(seq, body, hash) of a chain's entries in order, of those after one."""
        table = table_of(EntryRow)
        query = (
            select(table.c.seq, table.c.body, table.c.hash)
            .where(table.c.product_id == chain.product_id, table.c.lot_id == chain.lot_id)
            .where(table.c.seq > after)
            .order_by(table.c.seq)
        )
        for row in self.connection.execute(query).yield_per(1000):
            yield row.seq, row.body, row.hash

    def entries(
        self, chain: LotKey, *, verbs: Collection[str] = (), but: Collection[str] = ()
    ) -> Iterator[Entry]:
        """A chain's entries in order.

        Args:
            verbs: only those of these verbs, if any are named; the others are not even parsed.
            but: not those of these.
        """
        wanted, others = endings(verbs), endings(but)
        for _, body, _ in self.stored_entries(chain):
            if body.endswith(wanted) if verbs else not body.endswith(others):
                yield parse(body)

    def newest_first(self, chain: LotKey, *, before: int = 0) -> Iterator[tuple[int, bytes]]:
        """(seq, body) of a chain's entries from the newest on, or from before one."""
        table = table_of(EntryRow)
        query = (
            select(table.c.seq, table.c.body)
            .where(table.c.product_id == chain.product_id, table.c.lot_id == chain.lot_id)
            .order_by(table.c.seq.desc())
        )
        if before:
            query = query.where(table.c.seq < before)
        for row in self.connection.execute(query).yield_per(200):
            yield row.seq, row.body

    def entry(self, chain: LotKey, seq: int) -> Entry:
        """One entry of a chain, which is there."""
        return parse(self._expect(EntryRow, **chain.row(), seq=seq).body)

    def newest_of(self, chain: LotKey, verbs: Collection[str]) -> Entry | None:
        """A chain's newest entry with one of these verbs."""
        ends = endings(verbs)
        table = table_of(EntryRow)
        query = (
            select(table.c.body)
            .where(table.c.product_id == chain.product_id, table.c.lot_id == chain.lot_id)
            .order_by(table.c.seq.desc())
        )
        bodies = self.connection.execute(query).yield_per(100).scalars()
        return next((parse(body) for body in bodies if body.endswith(ends)), None)

    def parts(self, key: LotKey, block: int, *, kind: str = "") -> list[PartRow]:
        """All parts of one block in order of entry: the whole life of its labels."""
        more = {"part_kind": kind} if kind else {}
        return self._all(PartRow, **key.row(), block=block, **more)

    def part(self, key: LotKey, seq: int, ref: PartRef) -> bytes | None:
        """The bytes of one part, or None if it is not there as the entry names it."""
        named = {"part_kind": ref.kind, "first": ref.first, "count": ref.count}
        which = {**key.row(), "block": ref.block, "seq": seq, **named}
        found = self.connection.execute(_by(PartRow, tuple(which)), which).mappings().first()
        return found["data"] if found else None

    def original(self, key: LotKey, sha256: str) -> Iterator[bytes]:
        """A kept file, piece by piece, as it came."""
        for _, data in self.packed_original(key, sha256):
            yield unpacked(data)

    def packed_original(self, key: LotKey, sha256: str) -> Iterator[tuple[int, bytes]]:
        """A kept file's pieces as they are kept, with their numbers."""
        columns = table_of(Original).c
        query = (
            select(columns.piece, columns.data)
            .where(columns.product_id == key.product_id, columns.lot_id == key.lot_id)
            .where(columns.sha256 == sha256)
            .order_by(columns.piece)
        )
        for row in self.connection.execute(query).yield_per(1):
            yield row.piece, row.data

    def rows(self, table: Table, key: LotKey | None = None) -> Iterator[dict[str, Any]]:
        """Every row of a table, or of a lot in it, for the replay's comparison."""
        query = select(table)
        if key:
            lot = table.c.id if table.name == "lot" else table.c.lot_id
            query = query.where(table.c.product_id == key.product_id, lot == key.lot_id)
        for row in self.connection.execute(query).yield_per(1000).mappings():
            yield dict(row)

    def packed_block(self, key: LotKey, block: int) -> list[tuple[int, int, int]]:
        """Position, pack's lot and pack of each packed unit of one block."""
        c = table_of(Packed).c
        query = (
            select(c.position, c.pack_lot, c.pack)
            .where(c.product_id == key.product_id, c.lot_id == key.lot_id)
            .where(c.position.between(block * BLOCK + 1, (block + 1) * BLOCK))
            .order_by(c.position)
        )
        return [(row[0], row[1], row[2]) for row in self.connection.execute(query)]

    def label_block(self, key: LotKey, block: int) -> bulk.Rows:
        """One block's labels as the table has them, column by column."""
        return bulk.read_rows(self.connection, key, block * BLOCK + 1, (block + 1) * BLOCK)

    def count_rows(self, table: Table) -> int:
        """How many rows a table has."""
        return int(self.connection.execute(select(func.count()).select_from(table)).scalar_one())

    def _all(self, model: type[Model], **key: Any) -> list[Model]:
        rows = self.connection.execute(_by(model, tuple(key)), key).mappings()
        return [made_of(row, model) for row in rows]

    def _one(self, model: type[Model], **key: Any) -> Model | None:
        found = self.connection.execute(_by(model, tuple(key)), key).mappings().first()
        return made_of(found, model) if found else None

    def _expect(self, model: type[Model], **key: Any) -> Model:
        found = self._one(model, **key)
        if found is None:
            raise LookupError(f"no {model.__name__} with {key}")
        return found


def endings(verbs: Collection[str]) -> tuple[bytes, ...]:
    """How the bytes of entries with these verbs end: in canonical form the verb stands last."""
    return tuple(f'"verb":"{verb}"}}'.encode() for verb in verbs)


def unpacked(piece: bytes) -> bytes:
    """A piece of a kept file as it came; never more than a piece may hold, however it was packed.

    Raises `zlib.error`, `EOFError` for what is no whole piece.
    """
    packer = zlib.decompressobj(wbits=31)
    data = packer.decompress(piece, LARGEST_PIECE)
    if packer.unconsumed_tail:
        raise zlib.error(f"a piece holds more than {LARGEST_PIECE:,} bytes")
    if not packer.eof or packer.unused_data:
        raise EOFError("a piece that does not end where it should")
    return data


@cache
def _by(model: type[SQLModel], names: tuple[str, ...]) -> Select[Any]:
    """The statement that finds rows by these columns, in order of their key; built once."""
    table = table_of(model)
    wanted = (table.c[name] == bindparam(name) for name in names)
    return select(table).where(*wanted).order_by(*table.primary_key.columns)
