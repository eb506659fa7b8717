"""What a lot report needs of the lot's labels: read block by block, kept as small arrays."""

from __future__ import annotations

from collections import Counter
from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import func, select

from serialkeeper.rules.chain import BLOCK, HOUSE, LotKey, block_of
from serialkeeper.rules.charts import CRITICAL, NONE, OTHER, bins_of
from serialkeeper.rules.chronicle import local, told_of
from serialkeeper.rules.events import write_time
from serialkeeper.rules.jobs import Web, shape_of
from serialkeeper.rules.moves import DECOMMISSION_REASONS, State
from serialkeeper.rules.pages import MOST_ROWS
from serialkeeper.rules.parts import EVIDENCE, NO_GRADE, NO_TIME, unpack_states
from serialkeeper.rules.progress import Counted
from serialkeeper.rules.recovery import FIGURES
from serialkeeper.rules.report_facts import (
    ABSENT,
    CUT,
    NOTHING,
    PERHAPS,
    WAITING,
    Out,
    Outs,
    Readings,
)
from serialkeeper.rules.review import CRITICAL as GRAVE
from serialkeeper.rules.review import FOUND
from serialkeeper.rules.rolls import Fate, Places
from serialkeeper.store.line_tables import FindingRow, Proof
from serialkeeper.store.pack_tables import PackRow
from serialkeeper.store.plans import fates_of
from serialkeeper.store.tables import Lot, table_of
from serialkeeper.store.view import View, key_of
from serialkeeper.store.webs import serials_at

_BEST = 40
"""The best grade, in tenths."""


def web_of(view: View, lot: Lot) -> Web:
    """Where the lot's labels stand, as they were printed."""
    jobs = view.jobs(key_of(lot))
    return Web.of([shape_of(job.ranges, job.lanes, job.by) for job in jobs], lot.labels)


def readings_of(view: View, lot: Lot, seen: Counted) -> Readings:
    """What was read of the labels, block by block.

    Args:
        seen: is told how many labels are done, and of how many.
    """
    key, edges = key_of(lot), bins_of(lot.labels)
    grades = np.zeros(NO_GRADE + 1, dtype=np.int64)
    evidence: Counter[str] = Counter()
    times = np.zeros(len(edges) - 1, dtype=np.int64)
    first, last = 0, 0
    for start in range(1, lot.labels + 1, BLOCK):
        size = min(BLOCK, lot.labels - start + 1)
        grade, how, when = _block(view, key, start, size)
        read = how != ord(".")
        grades += np.bincount(grade[read], minlength=NO_GRADE + 1)
        evidence.update(how[read].tobytes().decode())
        timed = when[when != NO_TIME]
        if len(timed):
            first = min(first, int(timed.min())) if first else int(timed.min())
            last = max(last, int(timed.max()))
        _note_times(times, edges, start, when)
        seen(start + size - 1, lot.labels)
    return Readings(
        grades=tuple(grades[: _BEST + 1].tolist()),
        ungraded=int(grades[NO_GRADE]),
        evidence={str(EVIDENCE[letter]): count for letter, count in sorted(evidence.items())},
        times=tuple(write_time(one) if one else "" for one in times.tolist()),
        first=write_time(first) if first else "",
        last=write_time(last) if last else "",
    )


def _block(
    view: View, key: LotKey, start: int, size: int
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.int64]]:
    """Of each label of a block the last grade and evidence that a take told, and the first time."""
    grade = np.full(size, NO_GRADE, dtype=np.uint8)
    how = np.full(size, ord("."), dtype=np.uint8)
    when = np.full(size, NO_TIME, dtype=np.int64)
    for part in view.parts(key, block_of(start), kind="states"):
        states = unpack_states(part.first, part.count, part.data)
        span = slice(part.first - start, part.first - start + part.count)
        for kept, told, nothing in (
            (grade, states.grade, NO_GRADE),
            (how, states.evidence, ord(".")),
        ):
            new = told != nothing
            kept[span][new] = told[new]
        new = (states.time != NO_TIME) & (when[span] == NO_TIME)
        when[span][new] = states.time[new]
    return grade, how, when


def _note_times(
    times: NDArray[np.int64], edges: NDArray[np.int64], start: int, when: NDArray[np.int64]
) -> None:
    """Note for each bar the time of its first label of this block that has one."""
    timed = np.flatnonzero(when != NO_TIME)
    bars = np.searchsorted(edges, timed + start, side="right") - 1
    for bar in np.unique(bars).tolist():
        if not times[bar]:
            times[bar] = when[timed[np.searchsorted(bars, bar)]]


def found_of(view: View, lot: Lot) -> list[tuple[int, str, str, int]]:
    """How many findings of each take, word and state."""
    c, key = table_of(FindingRow).c, key_of(lot)
    query = (
        select(c.take, c.word, c.state, func.count())
        .where(c.product_id == key.product_id, c.lot_id == key.lot_id)
        .group_by(c.take, c.word, c.state)
        .order_by(c.take, c.word, c.state)
    )
    return [(row[0], row[1], row[2], int(row[3])) for row in view.connection.execute(query)]


def marks_of(view: View, lot: Lot) -> NDArray[np.uint8]:
    """NONE, OTHER or CRITICAL by position: the worst that any take found."""
    c, key = table_of(FindingRow).c, key_of(lot)
    marks = np.full(lot.labels + 1, NONE, dtype=np.uint8)
    mine = (c.product_id == key.product_id, c.lot_id == key.lot_id)
    grave = c.word.in_(GRAVE[FOUND])
    for which, mark in ((~grave, OTHER), (grave, CRITICAL)):
        rows = view.connection.execute(select(c.position).where(*mine, which))
        for some in rows.scalars().partitions(BLOCK):
            marks[np.array(some, dtype=np.int64)] = mark
    return marks


def proofs_of(view: View, lot: Lot) -> dict[str, int]:
    """How often further passes said what of a label."""
    c, key = table_of(Proof).c, key_of(lot)
    query = (
        select(c.word, func.count())
        .where(c.product_id == key.product_id, c.lot_id == key.lot_id)
        .group_by(c.word)
    )
    return {str(word): int(count) for word, count in view.connection.execute(query)}


def packs_by_state(view: View, lot: Lot) -> list[dict[str, Any]]:
    """How many packs of each level are in each state."""
    c, key = table_of(PackRow).c, key_of(lot)
    query = (
        select(c.level, c.state, func.count().label("packs"))
        .where(c.product_id == key.product_id, c.lot_id == key.lot_id)
        .group_by(c.level, c.state)
        .order_by(c.level, c.state)
    )
    return [dict(row) for row in view.connection.execute(query).mappings()]


def recoveries_of(view: View, lot: Lot) -> list[dict[str, Any]]:
    """Every time since the lot was opened that the record was brought back from a backup and went
    on: of which moment the backup is, who restored it and who said that it goes on, and what that
    did to the whole record."""
    made, there = list[dict[str, Any]](), False
    sealed = restored = None
    for entry in view.entries(HOUSE):
        match entry.verb:
            case "lot registered":
                there = there or entry.data["lot_id"] == lot.id
            case "backup sealed":
                sealed = entry
            case "record restored":
                restored = entry
            case "record recovered" if there and sealed and restored:
                figures = {name: entry.data[name] for name in FIGURES}
                told = {
                    **told_of(entry),
                    "figures": figures,
                    "generation": entry.data["generation"],
                }
                told |= {"sealed": local(sealed.at, sealed.offset), "file": restored.data["from"]}
                told |= {"restored": local(restored.at, restored.offset)}
                made.append({**told, "restored_by": f"{restored.person} ({restored.role})"})
    return made


def outs_of(view: View, lot: Lot, web: Web) -> Outs:
    """Labels that are not simply good; only so many as a table shows are told one by one."""
    left_good = [name for name, fate in DECOMMISSION_REASONS.items() if fate.ledger == "good"]
    missing, shown = list[Fate](), list[Fate]()
    counts: Counter[tuple[str, str, str]] = Counter()
    for fate in fates_of(view, lot, among=_looked_at(view, lot, web)).values():
        good = fate.state in (State.COMMISSIONED, State.VERIFIED)
        if (good and not fate.missing()) or fate.reason in left_good or not web.row[fate.position]:
            continue
        left = _left(fate)
        counts[fate.state.word, fate.reason, left] += 1
        (shown if left in (ABSENT, CUT) else missing).append(fate)
    by_place = attrgetter("position")
    listed = [*sorted(missing, key=by_place), *sorted(shown, key=by_place)][:MOST_ROWS]
    return Outs(dict(counts), _told(view, lot, listed))


def _looked_at(view: View, lot: Lot, web: Web) -> NDArray[np.bool_]:
    """Printed labels that were read, or decided on, by position."""
    told = view.states(key_of(lot), 1, lot.labels)
    # What an interrupted allocation has still to bring has no row yet.
    letters = np.frombuffer(b"a" + told.ljust(lot.labels, b"a"), np.uint8)
    waiting = [ord(State.ALLOCATED), ord(State.ISSUED)]
    there: NDArray[np.bool_] = (web.row > 0) & ~np.isin(letters, waiting)
    return there


def _left(fate: Fate) -> str:
    """How it is known that a label left the web, as `report_facts.LEFT` says it."""
    if fate.state in (State.REJECTED, State.PULLED, State.ISSUED):
        return WAITING
    if fate.missing():
        return PERHAPS if fate.gone else NOTHING
    return ABSENT if fate.absent > fate.seen else CUT


def _told(view: View, lot: Lot, listed: list[Fate]) -> list[Out]:
    key = key_of(lot)
    cuts = {(one.position, one.seq): one for one in view.removals(key)}
    proofs = {(one.position, one.seq): one for one in view.proofs(key)}
    spares = {one.bad: one.spare for one in view.replacements(key)}
    places = Places.of(
        [(job.id, shape_of(job.ranges, job.lanes, job.by)) for job in view.jobs(key)], lot.labels
    )
    numbers = serials_at(view, lot, [one.position for one in listed])
    made = []
    for fate in listed:
        missing, _, _ = fate.missing().partition(": ")  # what to do stands above the table, once
        told = [missing] if missing else []
        if fate.absent > fate.seen:
            proof = proofs[fate.position, fate.absent]
            told.append(f"proven absent by take {proof.take} ({proof.evidence or 'neighbours'})")
        if fate.removed > fate.seen:
            cut = cuts[fate.position, fate.removed]
            beside = f", beside position {cut.neighbour:,}" if cut.neighbour else ""
            told.append(f"cut out of roll {cut.roll} by {cut.by}, {cut.at}{beside}")
        spare = spares.get(fate.position, 0)
        made.append(
            Out(
                fate.position,
                *places.cell(fate.position),
                numbers[fate.position],
                fate.state.word,
                fate.reason,
                "; ".join(told),
                spare,
            )
        )
    return made
