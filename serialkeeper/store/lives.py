"""One label's life, read back from the journal, and what the lists hold of it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from serialkeeper.rules import signatures
from serialkeeper.rules.chain import Entry, LotKey, block_of
from serialkeeper.rules.events import write_time
from serialkeeper.rules.moves import State
from serialkeeper.rules.pack_entries import keys_of
from serialkeeper.rules.parts import (
    EVIDENCE,
    NO_GRADE,
    NO_TIME,
    UNCHANGED,
    unpack_packs,
    unpack_states,
)
from serialkeeper.store.tables import Lot, PartRow
from serialkeeper.store.view import Found, View, key_of

_NO_MOVES = ("reviewed", "events written", "followed", "alarms acknowledged", "counted")
"""Verbs of entries that move no label, and that may be many."""

_Parts = Mapping[tuple[int, str], PartRow]


def life_of(view: View, lot: Lot, position: int) -> list[dict[str, Any]]:
    """Every move of one label, in order."""
    return lives_of(view, lot, [position])[position]


def lives_of(view: View, lot: Lot, positions: Collection[int]) -> dict[int, list[dict[str, Any]]]:
    """Every move of some labels, in order; the journal is read once for all of them."""
    key = key_of(lot)
    blocks = {block: view.parts(key, block) for block in {block_of(one) for one in positions}}
    parts = {
        position: {
            (part.seq, part.part_kind): part
            for part in blocks[block_of(position)]
            if part.first <= position < part.first + part.count
        }
        for position in positions
    }
    lives: dict[int, list[dict[str, Any]]] = {position: [] for position in positions}
    state = dict.fromkeys(positions, "")
    for entry in view.entries(key, but=_NO_MOVES):
        for position, life in lives.items():
            if step := _step(entry, position, parts[position]):
                target, before = step.pop("to", ""), state[position]
                life.append(
                    {
                        **_signature(entry),
                        "from": State(before).word if before else None,
                        "to": State(target).word if target else None,
                        **step,
                    }
                )
                state[position] = target or before
    return lives


def _step(entry: Entry, position: int, parts: _Parts) -> dict[str, Any]:
    """What an entry did to one label; empty for nothing."""
    if entry.verb in ("packed", "unpacked"):
        parted = next((one for (seq, _), one in parts.items() if seq == entry.seq), None)
        return _pack_step(entry, position, parted)
    if entry.verb == "issued":
        if any(first <= position <= last for first, last in entry.data["ranges"]):
            return {"to": State.ISSUED.value, "job": entry.data["id"]}
        return {}
    step: dict[str, Any] = {}
    for ref in entry.parts:
        part = parts.get((entry.seq, ref.kind))
        if part is None or ref.kind in ("findings", "proofs", "extras", "packs"):
            continue
        if ref.kind == "serials":
            step["to"] = State.ALLOCATED.value
        else:
            step |= _reading(part.first, part.count, part.data, position)
    for first, last, _, target in entry.data.get("moves", ()):
        if first <= position <= last:
            step["to"] = target
    return step


def _pack_step(entry: Entry, position: int, part: PartRow | None) -> dict[str, Any]:
    """Which pack the label went into, or came out of."""
    for first, last, _, _, key in entry.data.get("units", ()):
        if first <= position <= last:
            return {"pack": key}
    pack = int(unpack_packs(part.data)[position - part.first]) if part else 0
    return {"pack": keys_of([entry])[pack]} if pack else {}


def _reading(first: int, count: int, data: bytes, position: int) -> dict[str, Any]:
    states = unpack_states(first, count, data)
    index = position - first
    step: dict[str, Any] = {}
    if states.state[index] != UNCHANGED:
        step["to"] = chr(states.state[index])
    if states.evidence[index] != ord("."):
        step["evidence"] = EVIDENCE[chr(states.evidence[index])]
    if states.grade[index] != NO_GRADE:
        step["in_line_grade"] = f"{states.grade[index] / 10:.1f}"
    if states.time[index] != NO_TIME:
        step["read_at"] = write_time(int(states.time[index]))
    return step


def _signature(entry: Entry) -> dict[str, Any]:
    return {
        "entry": entry.seq,
        "verb": entry.verb,
        "at": entry.at,
        "person": entry.person,
        "second": entry.second or None,
        "station": entry.station,
        "reason": entry.reason or None,
        "evidence_given": entry.data.get("evidence") or None,
        "signatures": signatures.shown(entry),
    }


def on_rolls(view: View, key: LotKey, position: int) -> dict[str, Any]:
    """Where the label was taken off, what stands in its place, and in whose place it stands."""
    spare, bad = view.replaced(key, position), view.replacing(key, position)
    return {
        "taken_off": [
            {"roll": one.roll, "at": one.at, "by": one.by, "neighbour": one.neighbour}
            for one in view.removals_at(key, position)
        ],
        "replaced_by": spare.spare if spare else None,
        "replaces": bad.bad if bad else None,
        "presence": [
            {"take": one.take, "presence": one.word, "detail": one.detail}
            for one in view.proofs_at(key, position)
        ],
    }


def describe(row: Found) -> dict[str, Any]:
    """A finding, as answers tell it."""
    return {
        "take": row.take,
        "finding": row.word,
        "detail": row.detail,
        "seen": row.seen,
        "state": row.state,
    }
