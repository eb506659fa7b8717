"""Alarms: which are open, what a person says of them, and the rules that raise them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.alarms import DEFAULT, check_acknowledged, check_rules
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.moves import OPEN_LOT, check_lot
from serialkeeper.store.record import Record
from serialkeeper.store.reviews import alarms_of, describe_alarm
from serialkeeper.store.view import key_of


def list_alarms(record: Record, name: str) -> list[dict[str, Any]]:
    """A lot's alarms in order of raising.

    Returns:
        For each: id, kind, lane (null for all), first, last, labels, state, file, station,
        raised, take, followed, person, cause, restart_check, held, acknowledged, reviewed (entry,
        at, reviewer and more of its review; None without one).
    """
    with record.read() as view:
        return alarms_of(view, view.lot(name))


def acknowledge(
    record: Record,
    name: str,
    ids: Sequence[int | range],
    *,
    cause: str,
    restart_check: str,
    held: tuple[int, int] | None = None,
) -> list[dict[str, Any]]:
    """Say of open alarms what it was, what was held back, and how the restart was checked.

    Args:
        ids: which alarms of the lot; of a range, those that are open.
        cause: what it was.
        restart_check: how it was seen that the line runs well again.
        held: first and last position that were held back; None for each alarm's own stretch.

    Refuses `alarm_unknown`, `reason_needed`, `bad_value`, `lot_state`.
    """
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot, key = work.lot(lot.full_name), key_of(lot)
        check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        check_acknowledged(cause, restart_check, *(held or (0, 0)), lot.labels)
        there = {row.id: row for row in work.alarms(key) if row.state == "open"}
        wanted = _wanted(ids, there)
        unknown = [one for one in wanted if one not in there]
        if unknown or not wanted:
            raise Refused(
                "alarm_unknown",
                "The lot has no such open alarm.",
                where=lot.full_name,
                expected=", ".join(map(str, list(there)[:50])) or "none is open",
                came=", ".join(map(str, unknown)) or "none",
                remedy=f"Look at the lot's alarms: alarm list {lot.number}",
            )
        spans = {one: held or (there[one].first, there[one].last) for one in wanted}
        data = {
            "alarms": [[one, *spans[one]] for one in wanted],
            "cause": cause,
            "restart_check": restart_check,
        }
        work.write(key, "alarms acknowledged", data, reason=cause)
        return [describe_alarm(row) for row in work.alarms(key) if row.id in spans]


def _wanted(ids: Sequence[int | range], there: Iterable[int]) -> list[int]:
    """The alarms that are named, and the open ones of every range, in order."""
    named = {one for one in ids if isinstance(one, int)}
    ranges = [one for one in ids if isinstance(one, range)]
    return sorted(named | {one for one in there if any(one in some for some in ranges)})


def rules(
    record: Record,
    *,
    station: str = "",
    in_a_row: int | None = None,
    share: int | None = None,
    window: int | None = None,
) -> list[dict[str, Any]]:
    """The alarm rules of all stations; with any rule given, set a station's first.

    Args:
        station: whose; this one if empty.
        in_a_row: bad labels in a row in one lane that alarm.
        share: tenths of a per cent; more bad labels than that in a window alarm.
        window: labels in the window.

    Refuses `bad_value`.

    Returns:
        For each station, and `""` for all others: station, in_a_row, share, window, set.
    """
    given = {"in_a_row": in_a_row, "share": share, "window": window}
    new = {name: value for name, value in given.items() if value is not None}
    station = station or record.station
    if new:
        with record.work(HOUSE) as work:
            wanted = replace(work.alarm_rules_at(station), **new)
            check_rules(wanted)
            row = {"id": len(work.alarm_rules()) + 1, "station": station, **wanted.as_dict()}
            work.write(HOUSE, "alarm rules set", row)
    with record.read() as view:
        last = {row.station: row for row in view.alarm_rules()}
    return [
        {"station": "", **DEFAULT.as_dict(), "set": None},
        *(
            {
                "station": row.station,
                "in_a_row": row.in_a_row,
                "share": row.share,
                "window": row.window,
                "set": row.at,
            }
            for row in last.values()
        ),
    ]
