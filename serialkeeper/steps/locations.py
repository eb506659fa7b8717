"""Locations: sites and parts of them, each with the time zone of its clocks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.sheets import read_sheet
from serialkeeper.rules import locations
from serialkeeper.rules.bad_rows import Row, check_name, check_row, read_whole, refuse_rows
from serialkeeper.rules.chain import HOUSE
from serialkeeper.store.import_tables import Location
from serialkeeper.store.record import Record, Work
from serialkeeper.store.view import View

NEEDED = ("gln", "prefix_length", "name", "zone")
FREE = ("extension", "part_of")
"""Columns of a file of locations."""


@dataclass(frozen=True)
class _Facts:
    """A location as it is said."""

    gln: str
    prefix_length: int
    name: str
    zone: str
    extension: str
    part_of: str


def add(
    record: Record,
    gln: str,
    *,
    prefix_length: int,
    name: str,
    zone: str,
    extension: str = "",
    part_of: str = "",
) -> dict[str, Any]:
    """Add a location.

    Args:
        gln: 13 digits.
        prefix_length: digits of the GS1 company prefix in it, 6 to 12.
        name: for people.
        zone: IANA time zone of its clocks.
        extension: a part of the site, AI (254); empty for all of it.
        part_of: the location around it, as GLN or GLN/EXTENSION; empty for none.

    Refuses `bad_value`, `location_exists`, `location_unknown`.
    """
    locations.sgln_urn(
        locations.parse_gln(gln), prefix_length, locations.check_extension(extension)
    )
    facts = _Facts(
        gln, prefix_length, check_name(name), locations.check_zone(zone), extension, part_of
    )
    with record.work(HOUSE) as work:
        if work.find_location(gln, extension):
            raise Refused(
                "location_exists",
                "The location is in the record already.",
                where=locations.name_of(gln, extension),
                remedy="Look at it: location show.",
            )
        return _write(work, facts)


def _write(work: Work, facts: _Facts) -> dict[str, Any]:
    parent = work.location(facts.part_of).id if facts.part_of else 0
    row: dict[str, Any] = {
        "id": len(work.locations()) + 1,
        "gln": facts.gln,
        "extension": facts.extension,
        "name": facts.name,
        "zone": facts.zone,
        "prefix_length": facts.prefix_length,
        "part_of": parent,
    }
    work.write(HOUSE, "location added", row)
    return describe(work, Location(**row))


def all_locations(record: Record) -> list[dict[str, Any]]:
    """Every location as plain data."""
    with record.read() as view:
        return [describe(view, location) for location in view.locations()]


def show(record: Record, name: str) -> dict[str, Any]:
    """One location, by GLN or GLN/EXTENSION. Refuses `location_unknown`."""
    with record.read() as view:
        return describe(view, view.location(name))


def describe(view: View, location: Location) -> dict[str, Any]:
    """A location as plain data."""
    around = next((one for one in view.locations() if one.id == location.part_of), None)
    return {
        "location": locations.name_of(location.gln, location.extension),
        "gln": location.gln,
        "extension": location.extension or None,
        "name": location.name,
        "zone": location.zone,
        "prefix_length": location.prefix_length,
        "part_of": locations.name_of(around.gln, around.extension) if around else None,
        "epc": locations.sgln_urn(location.gln, location.prefix_length, location.extension),
    }


def import_locations(record: Record, path: Path) -> dict[str, Any]:
    """Add the locations of a CSV file: all of them, or none if a row is bad.

    Locations that are in the record as the file says change nothing.

    Args:
        path: columns `gln,prefix_length,name,zone` and, if wanted, `extension,part_of`.

    Refuses `import_rows` with every bad row, and what `outside.sheets.read_sheet` refuses.
    """
    sheet = read_sheet(path, NEEDED, FREE)
    bad = list(sheet.bad)
    already = 0
    seen: dict[tuple[str, str], int] = {}
    with record.work(HOUSE) as work:
        for line, fields in sheet.rows:
            row = Row(line, fields)
            facts = _read(row)
            if facts is not None and row.once(seen, (facts.gln, facts.extension), "gln"):
                there = work.find_location(facts.gln, facts.extension)
                if there:
                    told = describe(work, there)
                    told = {name: str(told[name] or "") for name in (*NEEDED, *FREE)}
                    already += row.same(told)
                else:
                    check_row(row, "part_of", partial(_write, work, facts))
            bad += row.bad
        refuse_rows(str(path), len(sheet.rows) + len(sheet.bad), bad)
        added = len(sheet.rows) - already
        if added:
            told = {"kind": "locations", "name": path.name, "sha256": sheet.sha256, "added": added}
            work.write(HOUSE, "file imported", told)
    return {"file": path.name, "rows": len(sheet.rows), "added": added, "already_there": already}


def _read(row: Row) -> _Facts | None:
    """A row's facts; None if one of them is bad."""
    text = row.fields
    gln = check_row(row, "gln", lambda: locations.parse_gln(text["gln"]))
    length = check_row(row, "prefix_length", lambda: read_whole(text["prefix_length"]))
    name = check_row(row, "name", lambda: check_name(text["name"]))
    zone = check_row(row, "zone", lambda: locations.check_zone(text["zone"]))
    extension = check_row(row, "extension", lambda: locations.check_extension(text["extension"]))
    if gln is None or length is None or name is None or zone is None or extension is None:
        return None
    check_row(row, "prefix_length", lambda: locations.sgln_urn(gln, length, extension))
    if row.bad:
        return None
    return _Facts(gln, length, name, zone, extension, text["part_of"])
