"""Pull lists: which labels have to come off the web, and proof of the place before a cut."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.files import Delivery
from serialkeeper.rules.doubts import ACTS
from serialkeeper.rules.pulls import (
    COLUMNS,
    as_lines,
    as_row,
    described,
    find_cut,
    list_pulls,
)
from serialkeeper.store.record import Record
from serialkeeper.store.view import key_of
from serialkeeper.store.webs import Part, named_part, scanned, serials_at, stretch_of

SUFFIXES = (".csv", ".txt")


def pulls(
    record: Record,
    name: str,
    *,
    job: int = 0,
    rows: str = "",
    lane: int = 0,
    pitch: float = 0,
    from_end: bool = False,
    roll: int = 0,
    out: Path | None = None,
) -> dict[str, Any]:
    """List the doubtful labels of a stretch of web in winding order; changes nothing.

    Args:
        record, name: where, which lot.
        job, rows, lane, from_end, roll: which part of the web, and which of its ends comes off
            first, as in `store.webs.Part`.
        pitch: millimetres from label to label in a lane; 0 where it is not known.
        out: a `.csv` or `.txt` file to make.

    Refuses `bad_value`, `nothing_printed`, `job_unknown`, `roll_unknown`, `file_exists`.

    Returns:
        lot, roll, job, rows, lanes, first_off (the row that comes off first), to_do (counts),
        not_inspected, file, and pulls: one object a label.
    """
    _check(pitch, out)
    with record.read() as view:
        lot = view.lot(name)
        part = named_part(view, lot, Part(job, rows, lane, from_end, roll))
        chosen, stretch = stretch_of(view, lot, part)
        from_end = part.from_end
        found = list_pulls(stretch, from_end=from_end)
        named = {one.doubt.position for one in found}
        named |= {n.position for one in found for n in (one.before, one.after) if n}
        serials = serials_at(view, lot, named)
        head = view.chain(key_of(lot)).head.hex()
    listed = described(found, stretch, serials, pitch, from_end=from_end)
    result = {
        "lot": lot.number,
        "roll": roll or None,
        "job": chosen.id,
        "rows": [stretch.first, stretch.last],
        "lanes": list(stretch.lanes),
        "first_off": stretch.last if from_end else stretch.first,
        "to_do": {act: sum(one["what_to_do"] == act for one in listed) for act in ACTS},
        "not_inspected": int(stretch.waiting.sum()),
        "file": str(out) if out else None,
        "pulls": listed,
    }
    if out:
        which = f"roll {roll}, print job {chosen.id}" if roll else f"print job {chosen.id}"
        top = [
            f"Pull list, lot {lot.number}, {which}, row {result['first_off']} comes off first",
            f"{record.now():%Y-%m-%d %H:%M:%S %z}, {record.person}, journal head {head}",
            *(["PRACTICE RECORD"] if record.practice else []),
        ]
        _write(out, listed, top)
    return result


def _check(pitch: float, out: Path | None) -> None:
    if not 0 <= pitch <= 10_000 or (out and out.suffix.lower() not in SUFFIXES):
        raise Refused(
            "bad_value",
            "The list cannot be made like that.",
            expected=f"a pitch up to 10000 mm, a file that ends in {' or '.join(SUFFIXES)}",
            came=f"pitch {pitch:g}, {out.name if out else 'no file'}",
            remedy="Correct them.",
        )


def _write(out: Path, listed: list[dict[str, Any]], top: list[str]) -> None:
    with Delivery(out) as file:
        if out.suffix.lower() == ".csv":
            text = io.StringIO()
            writer = csv.writer(text, lineterminator="\n")
            writer.writerow(COLUMNS)
            writer.writerows(as_row(pull) for pull in listed)
            file.write(text.getvalue().encode())
        else:
            lines = [*top, "", *(line for pull in listed for line in as_lines(pull))]
            file.write("".join(f"{line}\n" for line in lines).encode())
        file.sync()
        file.deliver()


def neighbour(
    record: Record,
    name: str,
    position: int,
    *,
    scan: str,
    job: int = 0,
    rows: str = "",
    lane: int = 0,
    from_end: bool = False,
    roll: int = 0,
) -> dict[str, Any]:
    """Tell where a label stands from a readable neighbour that was scanned; changes nothing.

    Args:
        record, name: where, which lot.
        position: the label to be taken off.
        scan: the neighbour's code as scanned or bracketed, or its number.
        job, rows, lane, from_end, roll: which part of the web, as for `pulls`.

    Refuses `scan_elsewhere`, `label_unknown`, and what `pulls` refuses.

    Returns:
        lot, position, row, lane, scanned (its position), away, side, doubtful.
    """
    with record.read() as view:
        lot = view.lot(name)
        part = named_part(view, lot, Part(job, rows, lane, from_end, roll))
        _, stretch = stretch_of(view, lot, part)
        place = stretch.find(position)
        if place is None:
            raise Refused(
                "label_unknown",
                "There is no such label on that stretch.",
                where=f"lot {lot.number}, rows {stretch.first} to {stretch.last}",
                expected="a label of these rows and lanes",
                came=f"position {position}",
                remedy="Look at the list: roll pulls.",
            )
        other = scanned(view, lot, scan, record.now().year)
    where = f"lot {lot.number}"
    cut = find_cut(stretch, position, place, other, from_end=part.from_end, where=where)
    doubtful = any(doubt.position == position for doubt in stretch.doubts)
    return {"lot": lot.number, **cut, "doubtful": doubtful}
