"""The smallest hold of a lot: what has to be kept back for numbers that are not accounted for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.outside import devices
from serialkeeper.rules import gs1, profiles
from serialkeeper.rules.chain import BLOCK
from serialkeeper.rules.doubts import GOOD_STATES, Stretch, metres
from serialkeeper.rules.findings import COPIES
from serialkeeper.rules.hold import (
    NOT_PROVING,
    SEEN_ELSEWHERE,
    Held,
    Interval,
    Sighting,
    Web,
    gravity,
    merged,
    smallest_hold,
)
from serialkeeper.rules.holds import stretches, write_stretches
from serialkeeper.rules.jobs import read_runs, shape_of, short_runs
from serialkeeper.rules.sightings import KEPT, find_sightings
from serialkeeper.store.codes import with_extras
from serialkeeper.store.line_tables import Take
from serialkeeper.store.plans import fates_of
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of
from serialkeeper.store.webs import Part, evidence_of, serials_at, stretch_of

NOT_FOUND = "not found"
"""The reason for voiding a number whose label nobody found."""


def hold(record: Record, name: str, *, pitch: float = 0) -> dict[str, Any]:
    """Say which stretches of web could hold a number that is not accounted for; changes nothing.

    Args:
        record, name: where, which lot.
        pitch: millimetres from label to label in a lane; 0 where it is not known.

    Refuses `nothing_printed`, `bad_value`, `lot_unknown`.

    Returns:
        lot, gtin, labels (printed), held, free, numbers (one object for all numbers that lie in
        the same places; those of labels that no file was read of are counted, not listed),
        holds: the fewest stretches that cover all of them, each with the listed positions in it,
        and place: all positions in them, as `hold place` takes them; empty for none.
    """
    if not 0 <= pitch <= 10_000:
        raise Refused(
            "bad_value",
            "No label pitch is like that.",
            expected="0 to 10000 mm",
            came=f"{pitch:g}",
            remedy="Give --pitch in millimetres.",
        )
    with record.read() as view:
        lot = view.lot(name)
        jobs = [job.id for job in view.jobs(key_of(lot))] or [0]
        webs = {job: _web(view, lot, job) for job in jobs}
        missing, together = _missing(view, lot, webs)
        sightings = _sightings(view, lot, missing)
        listed: list[dict[str, Any]] = []
        holds: list[dict[str, Any]] = []
        covered = np.zeros(lot.labels + 1, dtype=np.bool_)
        for job, web in webs.items():
            found = smallest_hold(web, missing, together, sightings)
            named = {p for one in found for p in one.positions if one.why != "not_inspected"}
            beside = {p for one in found for i in one.places for p in (i.before, i.after) if p}
            serials = serials_at(view, lot, named | beside)
            listed += [_describe(one, job, web.stretch, serials, pitch) for one in found]
            for place, some in merged(web, found):
                inside = {p for one in some for p in one.positions if p in named}
                stretch = _interval(place, job, web.stretch, serials, pitch)
                covered[_standing(place, web.stretch)] = True
                holds.append(stretch | {"positions": short_runs(sorted(inside))})
    labels = sum(web.stretch.labels for web in webs.values())
    held = sum(one["labels"] for one in holds)
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "labels": labels,
        "held": held,
        "free": labels - held,
        "numbers": listed,
        "holds": holds,
        "place": write_stretches(stretches(np.flatnonzero(covered))),
    }


def _web(view: View, lot: Lot, job: int) -> Web:
    """A job's web, and at which of its places a reading shows which label stands there."""
    _, stretch = stretch_of(view, lot, Part(job), as_printed=True)
    key = key_of(lot)
    letters = np.concatenate(
        [
            np.zeros(1, np.uint8),
            *(
                evidence_of(view, key, start, min(BLOCK, lot.labels - start + 1))
                for start in range(1, lot.labels + 1, BLOCK)
            ),
        ]
    )
    evidence = letters[stretch.position]
    told = (evidence != ord(".")) & (stretch.position > 0)
    # A label that a person scanned and accepted was not read by the camera, and is there.
    told |= np.isin(stretch.state, [ord(state) for state in GOOD_STATES])
    elsewhere = [row.position for row in view.findings(key) if row.word in NOT_PROVING]
    told &= ~np.isin(stretch.position, elsewhere)
    unseen = _unseen(view, lot)
    told &= ~np.isin(stretch.position, unseen)
    return Web(stretch, told)


def _missing(
    view: View, lot: Lot, webs: Mapping[int, Web]
) -> tuple[dict[int, str], dict[int, list[int]]]:
    """Why each number is held, and the groups among which labels were not told apart.

    A number of which several labels may be there is held until all of them are shown to be gone,
    or it is accepted; whether it was voided does not matter.
    """
    key = key_of(lot)
    missing: dict[int, str] = {}
    together: dict[int, list[int]] = {}
    for web in webs.values():
        stretch = web.stretch
        missing |= dict.fromkeys(stretch.position[stretch.waiting].tolist(), "not_inspected")
    for gone in view.departures(key):
        if gone.reason == NOT_FOUND:
            missing |= dict.fromkeys(range(gone.first, gone.last + 1), "not_found")
    unseen, fates = set(_unseen(view, lot)), fates_of(view, lot)
    for row in view.findings(key):
        fate = fates.get(row.position)
        astray = row.word in COPIES and fate is not None and fate.state not in GOOD_STATES
        if (row.state == "open" and row.position in unseen) or astray:
            known = missing.get(row.position, row.word)
            missing[row.position] = min(known, row.word, key=gravity)
            if row.together:
                together[row.position] = read_runs(row.together)
    for position, fate in fates.items():
        if fate.surely_gone:
            missing.pop(position, None)
    return missing, together


def _unseen(view: View, lot: Lot) -> list[int]:
    """Labels that were not seen for certain, and not found again since."""
    found = view.findings(key_of(lot), state="open")
    again = {row.position for row in found if row.word == "found_again"}
    words = ("not_seen", "not_told_apart")
    return [row.position for row in found if row.word in words and row.position not in again]


def _sightings(view: View, lot: Lot, missing: Mapping[int, str]) -> dict[int, list[Sighting]]:
    """Every reading of the numbers that were read elsewhere, from the kept results files."""
    key = key_of(lot)
    moved = [position for position, why in missing.items() if why in SEEN_ELSEWHERE]
    found: dict[int, list[Sighting]] = {}
    if not moved:
        return found
    wanted = {serial: position for position, serial in serials_at(view, lot, moved).items()}
    doubtful = {row.position for row in view.findings(key, state="open")}
    model = gs1.LabelCode(lot.gtin, "\x00", date.fromisoformat(lot.expiry), lot.number)
    text = gs1.to_file(gs1.scanned(model, tuple(lot.ai_order.split())))
    before, _, after = text.partition("\x00")
    if with_extras(view, lot):
        after = ""  # what follows the number is each label's own
    jobs = view.jobs(key)
    shape = shape_of(jobs[0].ranges, jobs[0].lanes, jobs[0].by) if len(jobs) == 1 else None

    def proven(serial: str) -> int:
        label = view.label(lot.product_id, serial)
        there = label is not None and label.lot_id == lot.id and label.position not in doubtful
        return label.position if label is not None and there else 0

    for take in view.takes(key):
        pieces = view.original(key, take.sha256)
        frames = [batch.select(KEPT) for batch in _batches(view, pieces, take)]
        seen = find_sightings(pl.concat(frames), wanted, (before, after), shape, proven)
        for position, some in seen.items():
            found.setdefault(position, []).extend(some)
    return found


def _batches(view: View, pieces: Iterator[bytes], take: Take) -> Iterator[pl.DataFrame]:
    described = None
    if profile := take.profile:
        kept_texts = {row.name: row.text for row in view.profiles()}
        text = profiles.choose(profile, kept_texts, devices.shipped())
        described = profiles.parse(text, f"profile {profile}")
    for batch in devices.read(Path(take.name), pieces, described):
        yield batch.rows


def _describe(
    held: Held, job: int, stretch: Stretch, serials: Mapping[int, str], pitch: float
) -> dict[str, Any]:
    known = held.why != "not_inspected"
    return {
        "why": held.why,
        "job": job,
        "positions": short_runs(held.positions) if known else None,
        "count": len(held.positions),
        "numbers": [serials[position] for position in held.positions] if known else None,
        "places": [_interval(place, job, stretch, serials, pitch) for place in held.places],
    }


def _interval(
    place: Interval, job: int, stretch: Stretch, serials: Mapping[int, str], pitch: float
) -> dict[str, Any]:
    inside = _standing(place, stretch)

    def beside(position: int) -> dict[str, Any] | None:
        return {"position": position, "number": serials[position]} if position else None

    return {
        "job": job,
        "lane": place.lane,
        "first_row": place.first,
        "last_row": place.last,
        "labels": len(inside),
        "from_metres": metres(stretch, place.first, pitch),
        "to_metres": metres(stretch, place.last + 1, pitch),
        "proven_before": beside(place.before),
        "proven_after": beside(place.after),
    }


def _standing(place: Interval, stretch: Stretch) -> NDArray[np.int32]:
    """The positions of the labels that stand in an interval of the web."""
    top, column = stretch.cell(place.first, place.lane)
    inside = stretch.position[top : top + place.last - place.first + 1, column]
    there: NDArray[np.int32] = inside[inside > 0]
    return there
