"""Stations: where people work, and what was left unfinished there."""

from __future__ import annotations

from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.bad_rows import check_name
from serialkeeper.rules.chain import HOUSE, LotKey
from serialkeeper.rules.counts import many
from serialkeeper.rules.texts import alike
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def add(record: Record, name: str = "", *, location: str = "") -> dict[str, Any]:
    """Name a station of the record.

    Once a record names stations, entries are taken from these only; any computer may name
    another one.

    Args:
        name: as SERIALKEEPER_STATION says there; empty for the station of this call.
        location: where it stands, as GLN or GLN/EXTENSION; empty if that is not said.

    Refuses `station_exists`, `location_unknown`, `bad_value`.
    """
    name = check_name(name or record.station)
    with record.work(HOUSE, named=False) as work:
        stations = work.stations()
        if any(alike(one.name, name) for one in stations):
            raise Refused(
                "station_exists",
                "A station of that name, or of one that looks the same, is in the record already.",
                came=name,
                remedy="Look at it (station list), or give the new one another name.",
            )
        place = work.location(location).id if location else 0
        row = {"id": len(stations) + 1, "name": name, "location": place}
        work.write(HOUSE, "station added", row)
    return {"station": name, "location": location or None}


def all_stations(record: Record) -> list[dict[str, Any]]:
    """Every station that the record names or that left something unfinished.

    Returns:
        One row each: station, location, added (None for a station that is not named), and
        unfinished: lot, what, since, command (what finishes it, at any station).
    """
    with record.read() as view:
        places = {one.id: one.name for one in view.locations()}
        rows: dict[str, dict[str, Any]] = {
            one.name: {
                "station": one.name,
                "location": places.get(one.location),
                "added": one.added,
                "unfinished": [],
            }
            for one in view.stations()
        }
        for station, left in _unfinished(view):
            unnamed: dict[str, Any] = {
                "station": station,
                "location": None,
                "added": None,
                "unfinished": [],
            }
            rows.setdefault(station, unnamed)["unfinished"].append(left)
    return list(rows.values())


def _unfinished(view: View) -> list[tuple[str, dict[str, Any]]]:
    """What was begun and not ended, with the station that began it."""
    lots = {key_of(lot): lot for lot in view.lots()}
    found: list[tuple[str, dict[str, Any]]] = []
    for one in view.unfinished_allocations():
        lot = lots[LotKey(one.product_id, one.lot_id)]
        station, since = _begun(view, lot, one.id)
        command = f"serials allocate {lot.full_name} {one.count}"
        if one.source == "imported":
            command = f"serials import {lot.full_name} FILE"
        what = f"allocation, {one.done:,} of {many(one.count, 'number')} done"
        found.append((station, _left(lot, what, since, command)))
    for take in view.unfinished_takes():
        lot = lots[LotKey(take.product_id, take.lot_id)]
        again = f" --profile {take.profile}" if take.profile else ""
        again += f" --roll {take.roll}" if take.roll else ""
        command = f"inspect take {lot.full_name} {take.name}{again}"
        found.append((take.station, _left(lot, f"take of {take.name}", take.at, command)))
    for follow in view.unfinished_follows():
        lot = lots[LotKey(follow.product_id, follow.lot_id)]
        again = f" --profile {follow.profile}" if follow.profile else ""
        command = f"inspect follow {lot.full_name} {follow.name}{again}"
        what = f"following of {follow.name}, {many(follow.readings, 'reading')}"
        found.append((follow.station, _left(lot, what, follow.at, command)))
    return found


def _left(lot: Lot, what: str, since: str, command: str) -> dict[str, Any]:
    return {
        "lot": lot.full_name,
        "what": what,
        "since": since,
        "command": f"serialkeeper {command}",
    }


def _begun(view: View, lot: Lot, allocation: int) -> tuple[str, str]:
    """Where and when an allocation was begun."""
    for entry in view.entries(key_of(lot)):
        begun = entry.verb in ("allocation started", "numbers imported")
        if begun and entry.data["id"] == allocation:
            return entry.station, entry.at
    raise LookupError(f"no entry began allocation {allocation} of lot {lot.id}")
