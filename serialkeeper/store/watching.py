"""What a page that looks on at the line asks the record; nothing here walks over a lot's labels."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import and_, func, select, text

from serialkeeper.rules.chain import Entry, LotKey, parse
from serialkeeper.rules.moves import State
from serialkeeper.rules.parts import NO_TIME, unpack_states
from serialkeeper.store.line_tables import FindingRow
from serialkeeper.store.tables import Chain, EntryRow, Label, PartRow, table_of
from serialkeeper.store.view import UNFINISHED, Found, View

LONGEST_MINUTES = 10.0
"""Minutes back from the last reading that a rate is told of."""

_OPEN_RUNS = text(
    "SELECT station, product_id, lot_id, run FROM run_event AS begun WHERE word = 'started' "
    "AND NOT EXISTS (SELECT 1 FROM run_event AS done "
    "WHERE done.product_id = begun.product_id AND done.lot_id = begun.lot_id "
    "AND done.run = begun.run AND done.word = 'ended') ORDER BY station"
)


def open_runs(view: View) -> list[tuple[str, LotKey, int]]:
    """Station, lot and number of every run that is open."""
    rows = view.connection.execute(_OPEN_RUNS)
    return [(row.station, LotKey(row.product_id, row.lot_id), row.run) for row in rows]


def journal_length(view: View) -> int:
    """How many entries all chains have together: another number, and something has happened."""
    counts = table_of(Chain).c["count"]
    return int(view.connection.execute(select(func.sum(counts))).scalar_one())


def newest_entries(view: View, key: LotKey, most: int) -> list[Entry]:
    """A chain's last entries, the newest first."""
    c = table_of(EntryRow).c
    query = (
        select(c.body)
        .where(c.product_id == key.product_id, c.lot_id == key.lot_id)
        .order_by(c.seq.desc())
        .limit(most)
    )
    return [parse(body) for body in view.connection.execute(query).scalars()]


def open_findings(view: View, key: LotKey) -> list[tuple[int, str, str]]:
    """Position, word and the label's state of every open finding, by position and take."""
    found, label = table_of(FindingRow).c, table_of(Label).c
    same = and_(
        label.product_id == found.product_id,
        label.lot_id == found.lot_id,
        label.position == found.position,
    )
    query = (
        select(found.position, found.word, label.state)
        .join_from(table_of(FindingRow), table_of(Label), same)
        .where(found.product_id == key.product_id, found.lot_id == key.lot_id)
        .where(found.state == "open")
        .order_by(found.position, found["take"])
    )
    return [(row[0], row[1], row[2]) for row in view.connection.execute(query)]


def findings_at(view: View, key: LotKey, positions: Sequence[int]) -> list[Found]:
    """What was ever found wrong with some labels, by position and take."""
    c = table_of(FindingRow).c
    query = (
        select(c.position, c.take, c.word, c.seen, c.detail, c.state, c.together, c.seq)
        .where(c.product_id == key.product_id, c.lot_id == key.lot_id)
        .where(c.position.in_(positions))
        .order_by(c.position, c["take"])
    )
    return [Found(*row) for row in view.connection.execute(query)]


def letters_at(view: View, key: LotKey, positions: Sequence[int]) -> dict[int, str]:
    """The states of some labels, by position."""
    c = table_of(Label).c
    found: dict[int, str] = {}
    for start in range(0, len(positions), 500):
        some = positions[start : start + 500]
        query = select(c.position, c.state).where(
            c.product_id == key.product_id, c.lot_id == key.lot_id, c.position.in_(some)
        )
        found |= {row[0]: row[1] for row in view.connection.execute(query)}
    return found


def rejected_alone(view: View, key: LotKey, count: int) -> list[int]:
    """Rejected labels that no open finding stands against: a mistaken decommissioning that was
    taken back leaves such. They are looked for only where the counts say that there are some.

    Args:
        count: how many there are.
    """
    label, found = table_of(Label).c, table_of(FindingRow).c
    told = select(found.position).where(
        found.product_id == key.product_id, found.lot_id == key.lot_id, found.state == "open"
    )
    query = (
        select(label.position)
        .where(label.product_id == key.product_id, label.lot_id == key.lot_id)
        .where(label.state.in_((State.REJECTED.value, State.PULLED.value)))
        .where(label.position.not_in(told))
        .limit(count)
    )
    return list(view.connection.execute(query).scalars()) if count else []


def reading_now(view: View, key: LotKey) -> dict[str, Any] | None:
    """The file that is being read: followed while it grows, or taken in just now."""
    for follow in view.follows(key):
        if follow.state in UNFINISHED:
            told = {"file": follow.name, "station": follow.station, "readings": follow.readings}
            return {**told, "followed": True, "at": follow.at}
    for take in view.takes(key):
        if take.state != "finished":
            told = {"file": take.name, "station": take.station, "readings": take.readings}
            return {**told, "followed": False, "at": take.at}
    return None


def rate_of(view: View, key: LotKey, newest: Sequence[Entry]) -> float | None:
    """Labels a minute, as the last readings tell: of a file that is followed by how fast it grows,
    else by the times of the readings that were written last. None where nothing tells.

    Args:
        newest: the lot's last entries, the newest first.
    """
    grown = [entry for entry in newest if entry.verb == "followed"]
    if newest and grown and reading_now(view, key):
        follow = grown[0].data["follow"]
        return _grown([one for one in grown if one.data["follow"] == follow])
    c = table_of(PartRow).c
    mine = (c.product_id == key.product_id, c.lot_id == key.lot_id, c.part_kind == "states")
    seqs = [entry.seq for entry in newest if any(ref.kind == "states" for ref in entry.parts)]
    if not seqs:
        return None
    query = select(c["first"], c["count"], c.data).where(*mine, c.seq == seqs[0])
    refs = next(entry for entry in newest if entry.seq == seqs[0]).parts
    blocks = sorted({ref.block for ref in refs if ref.kind == "states"})
    rows = view.connection.execute(query.where(c.block.in_(blocks))).all()
    times = np.concatenate([unpack_states(row[0], row[1], row[2]).time for row in rows])
    return _by_times(times[times != NO_TIME])


def _grown(entries: Sequence[Entry]) -> float | None:
    """By how many readings a followed file grew a minute, within the last minutes."""
    moments = [(datetime.fromisoformat(one.at), one.data["readings"]) for one in entries]
    last, most = moments[0]
    near = [one for one in moments if (last - one[0]).total_seconds() <= 60 * LONGEST_MINUTES]
    first, fewest = near[-1]
    minutes = (last - first).total_seconds() / 60
    return (most - fewest) / minutes if minutes > 0 else None


def _by_times(times: Any) -> float | None:
    """How many labels were read a minute, within the last minutes."""
    if len(times) < 2:
        return None
    near = times[times >= times.max() - LONGEST_MINUTES * 60_000]
    minutes = float(near.max() - near.min()) / 60_000
    return float((len(near) - 1) / minutes) if minutes > 0 else None
