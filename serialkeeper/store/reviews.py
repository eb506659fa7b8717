"""What of a lot is to be reviewed, and what was."""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Iterator
from itertools import groupby
from threading import Lock
from typing import Any

import numpy as np
from sqlalchemy import select

from serialkeeper.rules import review
from serialkeeper.rules.chain import Entry, LotKey
from serialkeeper.rules.review import ALARM, FOUND, Group, Item, Review
from serialkeeper.store.line_tables import AlarmRow, FindingRow
from serialkeeper.store.review_tables import ReviewRow
from serialkeeper.store.runs import events_of
from serialkeeper.store.tables import Lot, table_of
from serialkeeper.store.view import View, key_of

_NAMES = ("seq", "reason", "by", "second", "position", "through", "count", "digest", "examples")


def reviews_of(view: View, key: LotKey) -> list[Review]:
    """What was reviewed of a lot, in order."""
    c = table_of(ReviewRow).c
    query = (
        select(c.what, *(c[name] for name in _NAMES), c.person, c.note, c.at)
        .where(c.product_id == key.product_id, c.lot_id == key.lot_id)
        .order_by(c.seq)
    )
    rows = view.connection.execute(query).mappings()
    return [Review(kind=row["what"], **{k: row[k] for k in row if k != "what"}) for row in rows]


_LOTS_KEPT = 32
_kept: OrderedDict[bytes, list[Group]] = OrderedDict()
_lock = Lock()


def to_review(view: View, lot: Lot) -> list[Group]:
    """What of a lot is still to be reviewed.

    All of it follows from the lot's journal, and the last hash of that names the whole of it: so
    what was once worked out for that hash is not worked out again.
    """
    head = view.chain(key_of(lot)).head
    with _lock:
        found = _kept.get(head)
    if found is None:
        found = review.groups(items_of(view, lot), reviews_of(view, key_of(lot)))
        with _lock:
            _kept[head] = found
            if len(_kept) > _LOTS_KEPT:
                _kept.popitem(last=False)
    return found


def reviews_on(view: View, lot: Lot, position: int) -> list[Review]:
    """The reviews that cover something of one label."""
    there = reviews_of(view, key_of(lot))
    if not there:
        return []
    mine = [one for one in _items(view, lot, position) if position in one.positions]
    return [one for one in there if any(one.covers(item, position) for item in mine)]


def reviewed_alarms(view: View, lot: Lot) -> dict[int, dict[str, Any]]:
    """By alarm, the review that covers it."""
    there = [one for one in reviews_of(view, key_of(lot)) if one.kind == ALARM]
    if not there:
        return {}
    return {
        item.alarm: one.describe()
        for item in _items(view, lot, 0)  # no label stands there
        if item.alarm
        for one in there
        if one.covers(item, 0)
    }


def alarms_of(view: View, lot: Lot) -> list[dict[str, Any]]:
    """A lot's alarms in order of raising, as `describe_alarm` tells them."""
    reviewed = reviewed_alarms(view, lot)
    return [describe_alarm(row, reviewed.get(row.id)) for row in view.alarms(key_of(lot))]


def describe_alarm(row: AlarmRow, reviewed: dict[str, Any] | None = None) -> dict[str, Any]:
    """An alarm as plain data, with the review that covers it."""
    acknowledged = row.state != "open"
    return {
        "id": row.id,
        "kind": row.word,
        "lane": row.lane or None,
        "first": row.first,
        "last": row.last,
        "labels": row.labels,
        "state": row.state,
        "file": row.name,
        "station": row.station,
        "raised": row.at,
        "take": row.take or None,
        "followed": bool(row.follow),
        "person": row.person or None,
        "cause": row.cause or None,
        "restart_check": row.restart_check or None,
        "held": [row.held_first, row.held_last] if acknowledged else None,
        "acknowledged": row.acknowledged or None,
        "reviewed": reviewed,
    }


def items_of(view: View, lot: Lot) -> list[Item]:
    """Everything of a lot that has to be reviewed some time, in order of the journal."""
    return _items(view, lot, None)


def _items(view: View, lot: Lot, position: int | None) -> list[Item]:
    """The same, of the takes' findings only those on one label if a position is given."""
    key = key_of(lot)
    c = table_of(AlarmRow).c
    raised = select(c.id, c.word).where(c.product_id == key.product_id, c.lot_id == key.lot_id)
    alarms = {row[0]: row[1] for row in view.connection.execute(raised)}
    made: list[Item] = []
    takers: dict[int, tuple[str, int, str]] = {}
    for entry in view.entries(key, verbs=review.TELLING):
        made += review.of_entry(entry)
        if entry.verb == "take started":
            takers[entry.data["id"]] = entry.person, entry.seq, entry.at
        elif entry.verb == "alarms acknowledged":
            who = entry.person, entry.second, entry.seq, entry.at
            none = np.zeros(0, dtype=np.int64)
            made += [
                Item(ALARM, alarms[id_], *who, none, _told_of(id_, entry), id_)
                for id_, *_ in entry.data["alarms"]
            ]
    for event in events_of(view, key):
        item = review.of_event(event, json.loads(event.detail) if event.detail else {})
        made += [item] if item else []
    made += _found(view, key, takers, position)
    return sorted(made, key=lambda one: one.seq)


def _found(
    view: View, key: LotKey, takers: dict[int, tuple[str, int, str]], position: int | None
) -> Iterator[Item]:
    """Findings by the entry that tells them and their word; older ones count from their take."""
    c = table_of(FindingRow).c
    query = (
        select(c.take, c.seq, c.word, c.position)
        .where(c.product_id == key.product_id, c.lot_id == key.lot_id)
        .order_by(c.take, c.seq, c.word, c.position)
    )
    if position is not None:
        query = query.where(c.position == position)
    rows = [tuple(row) for row in view.connection.execute(query)]
    for (take, seq, word), some in groupby(rows, key=lambda row: row[:3]):
        person, started, at = takers[take]
        places = np.array([row[3] for row in some], dtype=np.int64)
        yield Item(FOUND, word, person, "", seq or started, at, places, f"take {take}")


def _told_of(alarm: int, entry: Entry) -> str:
    """What was said of an acknowledged alarm."""
    return f"alarm {alarm}: {entry.reason}; restart check: {entry.data['restart_check']}"
