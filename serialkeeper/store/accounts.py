"""What the tables say of a lot's labels, and what its journal says: two accounts of the same."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select

from serialkeeper.rules.agreement import ACTIVE, NEVER, Letters
from serialkeeper.rules.chain import BLOCK
from serialkeeper.rules.parts import UNCHANGED, unpack_states
from serialkeeper.store.pack_tables import Packed, PackRow
from serialkeeper.store.tables import Label, Lot, table_of
from serialkeeper.store.telling import last_telling
from serialkeeper.store.view import View, key_of


def numbers_of(view: View, lot: Lot) -> list[list[str]]:
    """The lot's numbers from the journal, block by block."""
    key = key_of(lot)
    return [
        view.serials(key, first, min(BLOCK, lot.labels - first + 1))
        for first in range(1, lot.labels + 1, BLOCK)
    ]


def recorded(view: View, lot: Lot, first: int, count: int) -> tuple[list[str], Letters]:
    """Numbers and letters of successive labels from their table."""
    c = table_of(Label).c
    query = (
        select(c.serial, c.state)
        .where(c.product_id == lot.product_id, c.lot_id == lot.id)
        .where(c.position >= first, c.position < first + count)
        .order_by(c.position)
    )
    rows = view.connection.execute(query).all()
    letters = np.frombuffer("".join(state for _, state in rows).encode(), np.uint8)
    return [serial for serial, _ in rows], active(letters)


def accepted(view: View, lot: Lot) -> Letters:
    """The letter of each label by position, from 1, as the entries of the journal say it."""
    letters: Letters = np.zeros(lot.labels + 1, np.uint8)
    key = key_of(lot)
    for entry in view.entries(key):
        for ref in entry.parts:
            if ref.kind == "states":
                data = view.part(key, entry.seq, ref) or b""
                new = unpack_states(ref.first, ref.count, data).state
                some = letters[ref.first : ref.first + ref.count]
                np.copyto(some, new, where=new != UNCHANGED)
        for first, last, _, target in entry.data.get("moves", ()):
            letters[first : last + 1] = ord(target)
    return active(letters)


def active(letters: Letters) -> Letters:
    """The letters of what is or was active; `NEVER` for all others."""
    return np.where(np.isin(letters, ACTIVE), letters, NEVER).astype(np.uint8)


def packed(view: View, lot: Lot) -> tuple[NDArray[np.int64], list[str]]:
    """The packed units' positions, and the key of the pack around each."""
    unit, pack = table_of(Packed).c, table_of(PackRow).c
    query = (
        select(unit.position, pack.key)
        .where(unit.product_id == lot.product_id, unit.lot_id == lot.id)
        .where(pack.product_id == unit.product_id, pack.lot_id == unit.pack_lot)
        .where(pack.id == unit.pack)
        .order_by(unit.position)
    )
    rows = view.connection.execute(query).all()
    return np.array([place for place, _ in rows], np.int64), [key for _, key in rows]


def unchecked(view: View, lot: Lot) -> str:
    """Why a lot's accounts are not known to agree, in words; empty if they were checked after the
    last entry that can have caused an event."""
    last = last_telling(view, lot)
    checks = [one for one in view.entries(key_of(lot)) if one.verb == "events checked"]
    if not checks:
        return f"the lot was not checked yet: events check {lot.number}"
    if not checks[-1].data["agrees"]:
        return f"the last check found a difference: events check {lot.number}"
    if last is not None and checks[-1].data["entry"] != last.seq:
        return f"something happened after the last check: events check {lot.number}"
    return ""
