"""Backups: one consistent look at a record as a file of its own, whatever lines write meanwhile;
and the entries with which a restored record goes on."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import select

from serialkeeper.rules.chain import HOUSE, LotKey, block_of
from serialkeeper.rules.moves import OPEN_LOT, RESTORED, State
from serialkeeper.rules.pack_entries import NUMBERED, capacity
from serialkeeper.rules.progress import CHECKED, COPIED
from serialkeeper.rules.recovery import BACKUP, EMPTY_PACKS, SSCC_MARGIN, jump, prefix_jump
from serialkeeper.store.copying import copy_house, copy_lots
from serialkeeper.store.engines import file_of, open_engine
from serialkeeper.store.failures import speaking_plainly
from serialkeeper.store.opening import open_copy
from serialkeeper.store.pack_tables import PackRow, SsccRange, SsccStock
from serialkeeper.store.packing import used_ssccs
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Lot, table_of
from serialkeeper.store.verify import verify
from serialkeeper.store.view import View, key_of


@dataclass(frozen=True)
class _Frozen:
    """A record as one look at it shows it, for everything that is read of it.

    Attributes:
        url: the record's.
        view: the look.
    """

    url: str
    view: View

    @contextmanager
    def read(self) -> Iterator[View]:
        """That same look."""
        yield self.view


def write_backup(record: Record, path: Path) -> dict[str, Any]:
    """Write all of a record into a new SQLite file, sealed and checked as `record verify` does.

    An SQLite record is copied page by page within one look; of a server's the journal is copied
    and carried out anew.

    Args:
        path: an empty file, of mode 0600; with nothing beside it.

    Returns:
        chains, entries, parts, labels, and heads (one SHA-256 over all of them).
    """
    if file_of(record.engine):
        _copy_pages(record, path)
        engine = open_engine(f"sqlite:///{path}", station=record.station)
        target = replace(record, engine=engine, url=f"sqlite:///{path}", moved_to="")
        try:
            with target.read() as view:
                checked = verify(view, partial(record.seen, CHECKED))
            _seal(target)
        finally:
            target.close()
    else:
        with open_copy(f"sqlite:///{path}", record, create=True) as target:
            with record.read() as view:
                frozen: Any = _Frozen(record.url, view)
                copy_lots(frozen, target, partial(record.seen, COPIED))
                with target.alone() as work:
                    checked = copy_house(frozen, work)
            _seal(target)
    told = {name: checked[name] for name in ("chains", "entries", "parts")}
    path.with_name(f"{path.name}-turn").unlink(missing_ok=True)
    return told


def _copy_pages(record: Record, path: Path) -> None:
    """SQLite's own copy of a database in one step: others go on writing, and are not in it."""
    with (
        speaking_plainly(record.url),
        closing(record.engine.raw_connection()) as connection,
        closing(sqlite3.connect(path)) as target,
    ):
        connection.driver_connection.backup(target)  # type: ignore[union-attr]


def _seal(target: Record) -> None:
    """From here on the file is a backup: nobody works on it."""
    with target.alone() as work:
        work.lock((HOUSE,))
        generation = int(work.setting("generation") or 1) + 1
        work.write(HOUSE, "backup sealed", {"to": BACKUP, "generation": generation})


def bring_back(backup: Record, target: Record, name: str) -> dict[str, Any]:
    """Carry out a backup's journal at another place, check it there, and let it wait for its
    recovery.

    Args:
        name: the backup's, for the entry.

    Returns:
        generation, chains, entries, parts, labels and heads.
    """
    copy_lots(backup, target, partial(backup.seen, COPIED))
    with target.alone() as work:
        if not work.find_chain(HOUSE):  # nobody was faster
            sums = copy_house(backup, work)
            generation = int(work.setting("generation")) + 1
            told = {"from": name, "generation": generation, **sums}
            work.write(HOUSE, "record restored", told)
    with target.read() as view:
        last = list(view.entries(HOUSE))[-1]
    told = dict(last.data)
    return {name: told[name] for name in ("generation", "chains", "entries", "parts", "labels")}


# -- recovery ------------------------------------------------------------------------------------


def jump_ahead(work: Work, record: Record, second: str) -> dict[str, Any]:
    """Write, in a restored record, all that keeps it from giving out what the other one gave out
    since the backup. Every chain concerned is locked here.

    Args:
        second: who confirms the recovery, and so all of this.

    Returns:
        prefixes, ssccs: how many were jumped; allocations: how many were moved to fresh prefixes;
        imports: how many unfinished ones were given up; voided: labels that were not printed;
        given_up: SSCCs in hand; packs: those ended that had a key and were never filled; lots:
        those concerned; sscc_from: where a company prefix and extension digit begin that were
        never used.
    """
    lots = [lot for lot in work.lots() if lot.state in OPEN_LOT]
    empty = _never_filled(work)
    concerned = sorted({*map(key_of, lots), *_with_stock(work), *empty})
    work.lock(concerned)  # nobody works beside this, so that the house may be locked already
    words = ("prefixes", "ssccs", "allocations", "imports", "voided", "given_up", "packs")
    told = dict.fromkeys(words, 0)
    for product in work.products():
        told["prefixes"] += _reserve_prefixes(
            work, product.id, 0, prefix_jump(product.prefixes_used, record.chance)
        )
    told["ssccs"] = _reserve_ssccs(work, record)
    for lot in lots:
        told["imports"] += _give_up_import(work, lot, second)
        told["allocations"] += _move_allocations(work, lot, second)
        told["voided"] += _void_unprinted(work, lot, second)
    for key in concerned:
        told["given_up"] += _give_up_ssccs(work, key, second)
        if ids := empty.get(key):
            told["packs"] += len(ids)
            data = {"packs": ids, "note": EMPTY_PACKS}
            work.write(key, "packs decommissioned", data, reason="other", second=second)
    begin = int(work.setting("sscc_from") or 0)  # past an earlier recovery, too
    begin += SSCC_MARGIN + int.from_bytes(record.chance(8), "big") % SSCC_MARGIN
    return {**told, "lots": len(concerned), "sscc_from": begin}


def _reserve_prefixes(work: Work, product: int, lot: int, count: int) -> int:
    used = work.product_with(product).prefixes_used
    data = {"product_id": product, "lot_id": lot, "first": used, "count": count}
    work.write(HOUSE, "prefixes reserved", data)
    return count


def _reserve_ssccs(work: Work, record: Record) -> int:
    """Leave SSCCs of every company prefix and extension digit in use to nobody."""
    c = table_of(SsccRange).c
    pairs = work.connection.execute(select(c.company, c.extension).distinct()).all()
    number, jumped = work.count_rows(table_of(SsccRange)), 0
    for company, extension in sorted(tuple(pair) for pair in pairs):
        used = used_ssccs(work, company, extension)
        count = jump(SSCC_MARGIN, capacity(company) - used, record.chance)
        number, jumped = number + 1, jumped + count
        data = {"id": number, "company": company, "extension": extension}
        data |= {"first": used, "count": count, "for_product": 0, "for_lot": 0}
        work.write(HOUSE, "ssccs reserved", data)
    return jumped


def _move_allocations(work: Work, lot: Lot, second: str) -> int:
    """Let unfinished allocations go on under prefixes that nobody else draws from."""
    key, moved = key_of(lot), 0
    for one in work.allocations(key):
        if one.done >= one.count or not one.prefix_count:
            continue
        # The block that is next may have begun under the old prefix; it goes on under a new one.
        before = block_of(one.first + one.done) - block_of(one.first)
        fresh = work.product_of(lot).prefixes_used
        _reserve_prefixes(work, lot.product_id, lot.id, one.prefix_count - before)
        data = {"allocation": one.id, "prefix_first": fresh - before}
        work.write(key, "allocation moved", data, reason=RESTORED, second=second)
        moved += 1
    return moved


def _void_unprinted(work: Work, lot: Lot, second: str) -> int:
    """Void what is allocated: the other record may have printed it since."""
    key = key_of(lot)
    letters = np.frombuffer(work.states(key, 1, lot.labels), np.uint8)
    places = np.flatnonzero(letters == ord(State.ALLOCATED)) + 1
    if not len(places):
        return 0
    edges = np.flatnonzero(np.diff(places) > 1)
    firsts = [int(places[0]), *(int(places[edge + 1]) for edge in edges)]
    lasts = [*(int(places[edge]) for edge in edges), int(places[-1])]
    allocated, voided = State.ALLOCATED.value, State.VOIDED.value
    moves = [[first, last, allocated, voided] for first, last in zip(firsts, lasts, strict=True)]
    data = {"moves": moves, "lot_state": lot.state}
    work.write(key, "voided", data, reason=RESTORED, second=second)
    return len(places)


def _give_up_import(work: Work, lot: Lot, second: str) -> int:
    """Take no more numbers of a file that was being taken in: the other record may have finished
    it, and printed them."""
    for one in work.allocations(key_of(lot)):
        if one.done < one.count and not one.prefix_count:
            data = {"id": one.id, "first": one.first, "done": one.done, "of": one.count}
            work.write(key_of(lot), "import given up", data, reason=RESTORED, second=second)
            return 1  # it is the last of its lot: nothing is allocated while it is unfinished
    return 0


def _never_filled(view: View) -> dict[LotKey, list[int]]:
    """The packs of each lot that have their key and were never filled: the other record may have
    filled them."""
    c = table_of(PackRow).c
    query = select(c.product_id, c.lot_id, c.id).where(c.state == NUMBERED).order_by(c.id)
    found: dict[LotKey, list[int]] = {}
    for product, lot, id_ in view.connection.execute(query):
        found.setdefault(LotKey(product, lot), []).append(int(id_))
    return found


def _with_stock(view: View) -> list[LotKey]:
    c = table_of(SsccStock).c
    query = select(c.product_id, c.lot_id).where(c.used < c["count"]).distinct()
    return [LotKey(*row) for row in view.connection.execute(query)]


def _give_up_ssccs(work: Work, key: LotKey, second: str) -> int:
    """Use none of the SSCCs that a lot has in hand any more."""
    c = table_of(SsccStock).c
    query = (
        select(c.id, c["count"], c.used)
        .where(c.product_id == key.product_id, c.lot_id == key.lot_id, c.used < c["count"])
        .order_by(c.id)
    )
    rows = work.connection.execute(query).all()
    left = sum(int(count) - int(used) for _, count, used in rows)
    if rows:
        data = {"ranges": [[int(id_), int(count)] for id_, count, _ in rows], "left": left}
        work.write(key, "ssccs given up", data, reason=RESTORED, second=second)
    return left
