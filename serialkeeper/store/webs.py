"""A stretch of web as the record knows it: where labels stand, and what is held against them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1, scans
from serialkeeper.rules.chain import BLOCK, LotKey, block_of
from serialkeeper.rules.contradictions import find_contradictions
from serialkeeper.rules.doubts import Stretch, Told, cut_stretch, find_doubts, printed
from serialkeeper.rules.jobs import parse_rows, shape_of
from serialkeeper.rules.parts import unpack_states
from serialkeeper.rules.rolls import REVERSED
from serialkeeper.store.codes import facts_of
from serialkeeper.store.plans import fates_of, places_of, printed_jobs
from serialkeeper.store.tables import Job, Lot
from serialkeeper.store.view import View, key_of


@dataclass(frozen=True, slots=True)
class Part:
    """Which part of the web is looked at.

    Attributes:
        job: the print job; 0 for the lot's only one.
        rows: `A-B` as the job counts its rows; empty for all.
        lane: one lane, or 0 for all.
        from_end: whether the last row comes off first.
        roll: a roll, which tells all of these; 0 for none.
    """

    job: int = 0
    rows: str = ""
    lane: int = 0
    from_end: bool = False
    roll: int = 0


def named_part(view: View, lot: Lot, part: Part) -> Part:
    """The same part with what its roll tells. Refuses `roll_unknown`, `bad_value`."""
    if not part.roll:
        return part
    roll = view.roll(key_of(lot), part.roll)
    if part != Part(roll=part.roll):
        raise Refused(
            "bad_value",
            "A roll tells its job, rows, lane and winding itself.",
            where=f"lot {lot.number}, roll {part.roll}",
            expected="a roll, or a part of a print job",
            came="both",
            remedy="Leave out --job, --rows, --lane and --from-end; a roll that was rewound is "
            "turned in the record: roll turn.",
        )
    rows = f"{roll.first_row}-{roll.last_row}"
    return Part(roll.job, rows, roll.lane, roll.wound == REVERSED, part.roll)


def stretch_of(
    view: View, lot: Lot, part: Part, *, as_printed: bool = False
) -> tuple[Job, Stretch]:
    """A part of a print job's web with its doubtful labels named.

    Args:
        view, lot: where, which lot.
        part: which part; one of a roll as `named_part` gives it.
        as_printed: with the labels that left the web, and without spares.

    Refuses `nothing_printed`, `job_unknown`, `bad_value`.
    """
    chosen = _job(view, lot, part.job)
    first, last = _rows(part.rows, chosen)
    if not 0 <= part.lane <= chosen.lanes:
        raise Refused(
            "bad_value",
            "The web has no such lane.",
            where=f"lot {lot.number}, print job {chosen.id}",
            expected=f"1 to {chosen.lanes}, or 0 for all",
            came=str(part.lane),
            remedy="Give --lane as on the printer.",
        )
    key = key_of(lot)
    grid = printed(shape_of(chosen.ranges, chosen.lanes, chosen.by))
    if not as_printed:
        _move(view, lot, chosen, grid)
    states = view.states(key, 1, lot.labels)
    stretch = cut_stretch(grid, states, first=first, last=last, lane=part.lane)
    told = (
        Told(row.position, row.word, row.detail, row.state == "open", row.together)
        for row in view.findings(key)
    )
    reasons = {
        position: gone.reason
        for gone in view.departures(key)
        for position in range(gone.first, gone.last + 1)
    }
    return chosen, find_doubts(stretch, told, reasons)


def gone_from(view: View, lot: Lot) -> list[int]:
    """Labels that were taken off, or proven absent, and not read on the web since."""
    key = key_of(lot)
    if not view.removals(key) and not view.proofs(key):
        return []
    return [position for position, fate in fates_of(view, lot).items() if fate.gone]


def _move(view: View, lot: Lot, job: Job, grid: NDArray[np.int32]) -> None:
    """Put spares where they stand now, and take away what left the web."""
    places = places_of(view, lot)
    if places.replaced:
        there = np.flatnonzero(places.job == job.id)
        grid[:] = 0
        grid[places.row[there] - 1, places.lane[there].astype(np.int64) - 1] = there
    grid[np.isin(grid, gone_from(view, lot))] = 0


def serials_at(view: View, lot: Lot, positions: Iterable[int]) -> dict[int, str]:
    """The numbers of these positions."""
    key, found = key_of(lot), dict[int, str]()
    blocks: dict[int, list[int]] = {}
    for position in positions:
        blocks.setdefault(block_of(position), []).append(position)
    for block, wanted in blocks.items():
        first = block * BLOCK + 1
        serials = view.serials(key, first, min(BLOCK, lot.labels - first + 1))
        found |= {position: serials[position - first] for position in wanted}
    return found


def scanned(view: View, lot: Lot, scan: str, this_year: int) -> int:
    """The position of the label whose code or number was scanned.

    Args:
        view, lot: where, which lot.
        scan: as a reader sent it, however it spells separators, bracketed, a link, a URN, or
            the number alone.
        this_year: for reading dates in codes.

    Refuses `scan_elsewhere` for a code of another lot or product, and for a strange one; a
    malformed or doubtful code by what is wrong with it. Nothing is mended.
    """
    text = gs1.from_file(scan.strip())
    serial, gtin, number = text, lot.gtin, lot.number
    reading = scans.read(text, this_year=this_year)
    alone = view.label(lot.product_id, text)
    if alone and (reading.form in ("GTIN", "SSCC") or text == lot.number):
        raise _two_meanings(text, lot)
    if reading.is_code and not alone:
        for wrong in (*reading.faults, *reading.doubts):
            raise wrong
        code = dict(reading.elements)
        serial, gtin = code.get("21", ""), code.get("01", "")
        number = code.get("10", lot.number)
    label = view.label(lot.product_id, serial) if gtin == lot.gtin else None
    if label is not None and number == lot.number and label.lot_id == lot.id:
        if reading.is_code and not alone:
            facts = facts_of(view, lot, label.position)
            for wrong_fact in find_contradictions(reading, facts, this_year=this_year):
                raise _elsewhere(lot, wrong_fact)
        return label.position
    came = gs1.to_file(text) or "nothing"
    if gtin != lot.gtin:
        came += f": GTIN {gtin}"
    elif label is not None and label.lot_id != lot.id:
        other = view.lot_of(label)
        came += f": position {label.position} of lot {other.number}"
    raise _elsewhere(lot, came)


def _elsewhere(lot: Lot, came: str) -> Refused:
    return Refused(
        "scan_elsewhere",
        "The scan is not of a label of this lot, as the record knows it.",
        where=f"lot {lot.number}",
        expected="the code or the number of a readable neighbour",
        came=came,
        remedy="Do not cut here: scan a readable label next to the one to be taken off.",
    )


def _two_meanings(text: str, lot: Lot) -> Refused:
    return Refused(
        "scan_doubtful",
        "A label has this as its number, and it means something else, too.",
        where=f"lot {lot.number}",
        expected="the neighbour's whole code",
        came=text,
        remedy="Scan the symbol instead of typing the number.",
    )


def evidence_of(view: View, key: LotKey, start: int, size: int) -> NDArray[np.uint8]:
    """Letters of `parts.EVIDENCE` of `size` labels of one block from position `start` on, each of
    the last take that concerned it."""
    letters = np.full(size, ord("."), dtype=np.uint8)
    for part in view.parts(key, block_of(start), kind="states"):
        states = unpack_states(part.first, part.count, part.data)
        span = slice(part.first - start, part.first - start + part.count)
        told = states.evidence != ord(".")
        letters[span][told] = states.evidence[told]
    return letters


def _job(view: View, lot: Lot, number: int) -> Job:
    key = key_of(lot)
    if number:
        return view.job(key, number)
    jobs = printed_jobs(view, lot)
    if len(jobs) == 1:
        return jobs[0]
    raise Refused(
        "bad_value",
        "The lot was printed in several jobs, each with rows of its own.",
        where=lot.full_name,
        expected=f"--job with one of {', '.join(str(job.id) for job in jobs[:20])}",
        came="no job",
        remedy="Give --job; the jobs of the lot: lot show.",
    )


def _rows(rows: str, job: Job) -> tuple[int, int]:
    first, last = parse_rows(rows) or (1, job.rows)
    if not 1 <= first <= last <= job.rows:
        raise Refused(
            "bad_value",
            "The web has no such rows.",
            where=f"print job {job.id}",
            expected=f"A-B within 1-{job.rows}, the lower one first",
            came=rows,
            remedy="Give --rows A-B.",
        )
    return first, last
