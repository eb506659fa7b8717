"""What a lot's record says of its readers: challenge runs, and labels that were made bad."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from serialkeeper.rules import challenges, gs1, readers
from serialkeeper.rules.challenges import Numbers
from serialkeeper.rules.findings import NOT_SEEN
from serialkeeper.rules.readers import Trial
from serialkeeper.rules.runs import CHALLENGED, PASSED
from serialkeeper.store.challenge_tables import Plant
from serialkeeper.store.runs import events_of
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import Found, View, key_of


@dataclass(frozen=True)
class Planted:
    """A label that was made bad on purpose, and what became of it.

    Attributes:
        row: as it was planted.
        outcome: a letter of `rules.challenges.OUTCOMES`; empty until a take has read its place.
        found: what the take that decided it found; None until then.
        station: where that was.
    """

    row: Plant
    outcome: str
    found: Found | None
    station: str


def numbers_of(view: View, lot: Lot) -> Numbers:
    """The challenge numbers of a lot."""
    code = gs1.LabelCode(lot.gtin, "", date.fromisoformat(lot.expiry), lot.number)
    return Numbers(lot.id, view.product_of(lot).serial_length, code)


def next_number(view: View, lot: Lot) -> int:
    """The index of the first number of the lot's next challenge set."""
    sets = view.challenges(key_of(lot))
    return 1 + sum(len(challenges.kinds_of(row.kinds.split(), row.each)) for row in sets)


def planted(view: View, lot: Lot) -> list[Planted]:
    """Every planted label of a lot, by position."""
    key = key_of(lot)
    stations = {take.id: take.station for take in view.takes(key)}
    return [_planted(view, lot, row, stations) for row in view.plants(key)]


def planted_at(view: View, lot: Lot, position: int) -> Planted | None:
    """The label at this place, if it was made bad on purpose."""
    key = key_of(lot)
    row = view.planted_at(key, position)
    if row is None:
        return None
    return _planted(view, lot, row, {take.id: take.station for take in view.takes(key)})


def _planted(view: View, lot: Lot, row: Plant, stations: dict[int, str]) -> Planted:
    found = [
        one
        for one in view.findings(key_of(lot), first=row.position, last=row.position)
        if one.word not in NOT_SEEN
    ]
    outcome = challenges.plant_outcome(row.challenge_kind, (one.word for one in found))
    # The one that decides is the one that alone has this outcome.
    decided = next(
        (
            one
            for one in found
            if challenges.plant_outcome(row.challenge_kind, [one.word]) == outcome
        ),
        None,
    )
    return Planted(row, outcome, decided, stations[decided.take] if decided else "")


def measured(view: View, lot: Lot) -> list[dict[str, Any]]:
    """How the lot's readers did with each kind, as `rules.readers.measured` tells it."""
    key = key_of(lot)
    kinds = {
        row.id: challenges.kinds_of(row.kinds.split(), row.each) for row in view.challenges(key)
    }
    trials = [
        Trial(run.station, kind, letter, planted=False)
        for run in view.challenge_runs(key)
        for kind, letter in zip(kinds[run.challenge], run.outcomes, strict=True)
    ]
    trials += [
        Trial(one.station, one.row.challenge_kind, one.outcome, planted=True)
        for one in planted(view, lot)
    ]
    return readers.measured(trials)


def proof_of(view: View, lot: Lot) -> dict[str, Any]:
    """What a lot's papers say of its readers.

    Returns:
        runs: by occasion, as `rules.readers.occasions` tells it; reader: as `measured`.
    """
    key = key_of(lot)
    runs = [
        (f"set {run.challenge}, run {run.id}", run.occasion, challenges.passed(run.outcomes))
        for run in view.challenge_runs(key)
    ]
    runs += [
        (f"entry {one.seq}", one.occasion, one.outcome == PASSED)
        for one in events_of(view, key)
        if one.word == CHALLENGED and '"challenge_run"' not in one.detail
    ]
    return {"runs": readers.occasions(runs), "reader": measured(view, lot)}
