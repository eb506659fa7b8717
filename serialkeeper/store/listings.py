"""Lists of a lot that grow with it: its labels, its moves, its packs, what is reviewed of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import select

from serialkeeper.rules.chain import BLOCK, LotKey, PartRef
from serialkeeper.rules.holds import Hold, in_order, stretches
from serialkeeper.rules.jobs import read_runs
from serialkeeper.rules.ledger import Ledger
from serialkeeper.rules.levels import levels_of
from serialkeeper.rules.moves import State
from serialkeeper.rules.parts import EVIDENCE
from serialkeeper.rules.review import REFERENCE
from serialkeeper.rules.rolls import Places
from serialkeeper.rules.tables import Row
from serialkeeper.store import packs as store
from serialkeeper.store.holds import open_holds
from serialkeeper.store.pack_bulk import Pack
from serialkeeper.store.pack_tables import Packed, PackRow
from serialkeeper.store.plans import places_of
from serialkeeper.store.reviews import reviews_of, to_review
from serialkeeper.store.tables import Lot, table_of
from serialkeeper.store.view import View, key_of
from serialkeeper.store.webs import evidence_of


def labels_of(view: View, lot: Lot, state: str = "") -> Iterator[dict[str, Any]]:
    """The labels of a lot in position order, a block at a time; see `steps.reports.list_labels`."""
    key = key_of(lot)
    places = places_of(view, lot) if view.jobs(key) else Places.of([], lot.labels)
    for start in range(1, lot.labels + 1, BLOCK):
        last = min(start + BLOCK - 1, lot.labels)
        letters = view.states(key, start, last)
        serials = view.serials(key, start, len(letters)) if letters else []
        found = {row.position: row for row in view.findings(key, first=start, last=last)}
        evidence = evidence_of(view, key, start, len(letters)).tobytes().decode()
        for offset, serial in enumerate(serials):
            position = start + offset
            letter = chr(letters[offset])
            word = State(letter).word
            row = found.get(position)
            if state == "doubtful":
                if word != "rejected" and not (row and row.state == "open"):
                    continue
            elif state and word != state:
                continue
            yield {
                "position": position,
                "serial": serial,
                "state": word,
                "finding": row.word if row else None,
                "detail": row.detail if row else None,
                "was_active": letter in (State.PULLED, State.COMMISSIONED, State.DECOMMISSIONED),
                "evidence": EVIDENCE[evidence[offset]],
                "ambiguous_with": [
                    other for other in read_runs(row.together if row else "") if other != position
                ],
                **_place(places, position),
            }


def _place(places: Places, position: int) -> dict[str, int | None]:
    job, row, lane = places.cell(position)
    return {"job": job or None, "row": row or None, "lane": lane or None}


def pack_rows(view: View, lot: Lot, there: Sequence[Pack]) -> list[dict[str, Any]]:
    """Packs of a lot, each with how much is in it and what holds it."""
    holds = open_holds(view, lot.product_id)
    inner = store.contents_of(view, there, holds)
    for one in holds:
        if one.pack:
            _note_around(view, key_of(lot), inner, one)
    full = {one.name: one.holds for one in levels_of(lot.packs)}
    return [_pack(pack, inner[pack.lot_id, pack.id], full[pack.level]) for pack in there]


def _note_around(
    view: View, key: LotKey, inner: dict[tuple[int, int], store.Contents], hold: Hold
) -> None:
    """Add the hold on a pack to everything in it."""
    held = store.pack_at(view, key.product_id, hold.lot_id, hold.pack)
    for pack in store.tree_of(view, held):
        if (pack.lot_id, pack.id) in inner:
            inner[pack.lot_id, pack.id].holds.add(hold)


def _pack(pack: Pack, inner: store.Contents, holds: int) -> dict[str, Any]:
    return {
        "key": pack.key,
        "level": pack.level,
        "state": pack.state,
        "holds": holds,
        "held": inner.direct,
        "units": sum(inner.units.values()),
        "doubtful": inner.doubtful,
        "loose": not pack.parent,
        "held_by": [one.name for one in in_order(inner.holds)],
    }


# -- as tables, whose columns `rules.tables` names -------------------------------------------------


def label_table(view: View, lot: Lot) -> Iterator[Row]:
    """Every label, with the key of the pack that it is in."""
    key = key_of(lot)
    packed: dict[int, str] = {}
    through = 0
    for one in labels_of(view, lot):
        position = one["position"]
        if position > through:
            through = position + BLOCK - 1
            packed = _packs_around(view, key, position, through)
        yield (
            position,
            lot.gtin,
            one["serial"],
            lot.number,
            lot.expiry,
            one["state"],
            "yes" if one["was_active"] else "no",
            one["finding"],
            one["detail"],
            one["evidence"],
            one["job"],
            one["row"],
            one["lane"],
            packed.get(position),
        )


def _packs_around(view: View, key: LotKey, first: int, last: int) -> dict[int, str]:
    unit, pack = table_of(Packed).c, table_of(PackRow).c
    query = (
        select(unit.position, pack.key)
        .where(unit.product_id == key.product_id, unit.lot_id == key.lot_id)
        .where(unit.position.between(first, last), pack.product_id == unit.product_id)
        .where(pack.lot_id == unit.pack_lot, pack.id == unit.pack)
    )
    return {row[0]: row[1] for row in view.connection.execute(query)}


def move_table(view: View, lot: Lot) -> Iterator[Row]:
    """Every move, in stretches; one of a single label names its number."""
    key = key_of(lot)
    ledger = Ledger(key, lot.labels)
    kept: tuple[int, list[str]] = (0, [])
    for entry in view.entries(key):
        who = (entry.person, entry.role, entry.second, entry.station, entry.reason)

        def data(ref: PartRef, seq: int = entry.seq) -> bytes:
            return view.part(key, seq, ref) or b""

        for first, last, source, target in ledger.read(entry, data):
            serial = ""
            if first == last:
                start = (first - 1) // BLOCK * BLOCK + 1
                if kept[0] != start:
                    # What an interrupted allocation has still to bring is in no part yet.
                    there = len(view.states(key, start, min(start + BLOCK - 1, lot.labels)))
                    kept = start, view.serials(key, start, there)
                serial = kept[1][first - start]
            span = (first, last, last - first + 1)
            states = (_state(source), _state(target))
            yield (entry.seq, entry.at, entry.verb, *who, *span, *states, serial)


def _state(letter: str) -> str:
    if not letter:
        return ""
    return State(letter).word + ", was active" * (letter == State.PULLED)


def pack_table(view: View, lot: Lot) -> Iterator[Row]:
    """Every pack that was made in the lot, with the key of the one around it."""
    there = store.packs_of(view, key_of(lot))
    keys = {(one.lot_id, one.id): one.key for one in there}
    for pack, row in zip(there, pack_rows(view, lot, there), strict=True):
        around, outer = (pack.parent_lot, pack.parent), ""
        if pack.parent:
            if around not in keys:
                keys[around] = store.pack_at(view, pack.product_id, *around).key
            outer = keys[around]
        told = (row[name] for name in ("level", "key", "state", "holds", "held", "units"))
        yield (*told, row["doubtful"], outer, ", ".join(row["held_by"]))


def review_table(view: View, lot: Lot) -> Iterator[Row]:
    """What is still to be reviewed, item by item in stretches of labels; then what was."""
    for group in to_review(view, lot):
        who = (group.kind, group.reason, group.person, group.second)
        grave = "yes" if group.critical else "no"
        begin = ("to review", group.digest[:REFERENCE], grave, *who)
        for item in group.items:
            told = (item.seq, item.at, item.told)
            if not len(item.positions):
                yield (*begin, *told, None, None, None, item.things, None, None, None)
            for first, last, step in stretches(item.positions):
                labels = (last - first) // step + 1
                yield (*begin, *told, first, last, step, labels, None, None, None)
    for one in reviews_of(view, key_of(lot)):
        who = (one.kind, one.reason, one.by, one.second)
        place = one.position or None
        yield (
            *("reviewed", one.digest[:REFERENCE], "", *who, one.through, None, None),
            *(place, place, 1 if place else None, one.count, one.person, one.at, one.note),
        )


MADE = {"labels": label_table, "moves": move_table, "packs": pack_table, "review": review_table}
"""What makes each table's rows."""
