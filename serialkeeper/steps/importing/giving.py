"""The numbers of a file that is in order get their positions in a lot's plan.

They are given a few blocks per transaction, so that others need not wait. No number of the file
can be printed before all are there; after an interruption the same file goes on where it stopped,
and until it is finished the product gets no other numbers.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1, imported
from serialkeeper.rules.chain import BLOCK, HOUSE, LotKey, Part
from serialkeeper.rules.moves import OPEN_LOT, check_lot
from serialkeeper.rules.parts import pack_extras, pack_serials
from serialkeeper.steps.importing.looking import Look, look_around, look_through, read_again
from serialkeeper.store.import_tables import NumberImport
from serialkeeper.store.numbers import IMPORTED, check_product
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

BLOCKS_AT_ONCE = 5
"""Blocks per transaction: few enough to let others in, enough to share the wait for the disk."""


def import_numbers(
    record: Record, name: str, path: Path, *, issuer: str = "", usable_until: date | None = None
) -> dict[str, Any]:
    """Take numbers of a file into a lot; file order is position order.

    Args:
        name: an approved lot.
        path: one number a line: bare, as an element string, or as a Digital Link URI; see
            `rules.imported`.
        issuer: who gave them.
        usable_until: the last day on which they may be printed.

    Refuses `import_rows` with every bad row, `import_header`, `import_encoding`, `import_empty`,
    `file_missing`, `import_claimed`, `lot_not_approved`, `lot_state`, `allocation_unfinished`,
    `numbers_expired`, `bad_value`. A file that was taken before changes nothing; one that was
    interrupted is finished by the same call.
    """
    record.check_may("numbers imported")
    _check(record, issuer, usable_until)
    with record.read() as view:
        lot = view.lot(name)
        check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        facts = _facts(view, lot)
    look = look_through(path, facts)
    told = {"issuer": issuer.strip()}
    told["usable_until"] = usable_until.isoformat() if usable_until else ""
    data = told | _told_of(path, look, facts)
    made, begun = None, False
    while made is None:
        with record.read() as view:
            made = _earlier(view, lot, look.sha256, len(look.serials), path)
            begun = made is not None
            there = view.count_numbers(lot.product_id)
            if not begun:
                look_around(view, lot, path, look)
        made = made or _begin(record, lot, path, data, there)
    with record.read() as view:
        done = _done(view, made)
    already = done == made.count
    if not already:
        _write(record, lot, path, look, facts, made, done)
    return {
        **_describe(lot, made),
        "already_taken": already,
        "resumed": begun and not already,
        "notes": [] if begun else look.notes,
    }


def _told_of(path: Path, look: Look, facts: imported.Facts) -> dict[str, Any]:
    """What the journal tells of a file."""
    return {
        "count": len(look.serials),
        "form": look.form.kind,
        "extras": " ".join(look.form.extras),
        "ai_order": " ".join(look.form.order(facts.order)),
        "name": path.name,
        "sha256": look.sha256,
        "size": look.size,
    }


def _begin(
    record: Record, lot: Lot, path: Path, data: dict[str, Any], there: int
) -> NumberImport | None:
    """Give the file its place in the plan; None if the product changed since it was looked at.

    From here until the last number is there, no other numbers are given to the product: so none
    of the file's can be taken meanwhile.
    """
    key = key_of(lot)
    with record.work(key, HOUSE) as work:
        lot = work.lot(lot.full_name)
        if old := _earlier(work, lot, data["sha256"], data["count"], path):
            return old  # another process was faster
        check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        check_product(work, lot.product_id, "random", IMPORTED)
        if work.count_numbers(lot.product_id) != there:
            return None
        row = {"id": len(work.allocations(key)) + 1, "first": lot.labels + 1, **data}
        state = "running" if lot.state == "reconciled" else lot.state
        work.write(key, "numbers imported", {**row, "lot_state": state})
        return _earlier(work, lot, data["sha256"], data["count"], path)


def _check(record: Record, issuer: str, usable_until: date | None) -> None:
    if len(issuer) > 120 or not issuer.isprintable():
        raise Refused(
            "bad_value",
            "The issuer's name cannot be kept.",
            where="issuer",
            expected="up to 120 printable characters",
            came=issuer,
            remedy="Correct it.",
        )
    today = record.now().date()
    if usable_until and usable_until < today:
        raise Refused(
            "numbers_expired",
            "The numbers may not be used any more.",
            where="their last day",
            expected=f"{today.isoformat()} or later",
            came=usable_until.isoformat(),
            remedy="Check the date; ask the issuer for new numbers.",
        )


def _facts(view: View, lot: Lot) -> imported.Facts:
    return imported.Facts(
        gtin=lot.gtin,
        lot=lot.number,
        expiry=gs1.write_date(date.fromisoformat(lot.expiry)),
        order=tuple(lot.ai_order.split()),
        serial_length=view.product_of(lot).serial_length,
    )


def _earlier(view: View, lot: Lot, sha256: str, numbers: int, path: Path) -> NumberImport | None:
    """The import of the same bytes, of so many numbers, into this lot. Refuses `import_claimed`
    for another lot, and for one that was given up."""
    for one in view.imports_of(lot.product_id):
        if one.sha256 == sha256 and one.lot_id != lot.id:
            other = view.lot_of(one)
            raise Refused(
                "import_claimed",
                "The numbers of this file belong to another lot already.",
                where=str(path),
                expected=f"a file for lot {lot.number}",
                came=f"the file of lot {other.number}, taken in {one.at}",
                remedy="Check which file this is; a number is given to one label only.",
            )
        if one.sha256 == sha256:
            _check_whole(one, numbers, path)
            return one
    return None


def _check_whole(one: NumberImport, numbers: int, path: Path) -> None:
    """Refuses `import_claimed` for a file that was given up half taken in."""
    if one.count < numbers:
        raise imported.given_up(str(path), one.count, numbers)


def _done(view: View, made: NumberImport) -> int:
    """How many numbers of a file have their positions. Refuses `import_claimed` if somebody gave it
    up meanwhile."""
    key = LotKey(made.product_id, made.lot_id)
    one = next(one for one in view.allocations(key) if one.id == made.id)
    if one.count < made.count:
        raise imported.given_up(made.name, one.count, made.count)
    return one.done


def _write(
    record: Record,
    lot: Lot,
    path: Path,
    look: Look,
    facts: imported.Facts,
    made: NumberImport,
    done: int,
) -> None:
    """Give the numbers from `done` on their positions, a few blocks per transaction.

    Refuses `import_rows` if the file is another one now.
    """
    parts: list[Part] = []
    end = blocks = 0
    for frame in _blocks(path, look, facts, made.first):
        start, end = end, end + frame.height
        if start < done:  # written before the interruption, or by another process
            continue
        parts.append(pack_serials(made.first + start, _lines(frame["serial"])))
        if look.form.extras:
            parts.append(pack_extras(made.first + start, _lines(frame["extras"])))
        blocks += 1
        if blocks == BLOCKS_AT_ONCE or end == made.count:
            done = _chunk(record, key_of(lot), made, done, end, parts)
            record.seen("numbers", done, made.count)
            parts, blocks = [], 0


def _chunk(
    record: Record, key: LotKey, made: NumberImport, start: int, end: int, parts: list[Part]
) -> int:
    """Numbers start..end - 1 of a file in one transaction; gives how many there are then."""
    with record.work(key) as work:
        done = _done(work, made)
        if done != start:  # another process goes on with the same file
            return done
        work.write(key, "allocated", {"allocation": made.id, "done": end}, parts=parts)
    return end


def _blocks(path: Path, look: Look, facts: imported.Facts, first: int) -> Iterator[pl.DataFrame]:
    """The rows of a file, cut where blocks of positions end."""
    waiting = pl.DataFrame()
    room = BLOCK - (first - 1) % BLOCK
    for frame in read_again(path, look, facts):
        waiting = pl.concat([waiting, frame]) if waiting.height else frame
        while waiting.height >= room:
            yield waiting.head(room)
            waiting, room = waiting.slice(room), BLOCK
    if waiting.height:
        yield waiting


def _lines(texts: pl.Series) -> bytes:
    return "".join(itertools.chain.from_iterable((text, "\n") for text in texts.to_list())).encode()


def _describe(lot: Lot, row: NumberImport) -> dict[str, Any]:
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "import": row.id,
        "count": row.count,
        "first": row.first,
        "last": row.first + row.count - 1,
        "form": row.form,
        "extras": row.extras.split(),
        "order": row.ai_order.split(),
        "issuer": row.issuer or None,
        "usable_until": row.usable_until or None,
        "name": row.name,
        "sha256": row.sha256,
    }
