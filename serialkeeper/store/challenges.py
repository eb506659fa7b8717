"""What a lot's record says of its readers: challenge runs, and labels that were made bad."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules import challenges, gs1, readers
from serialkeeper.rules.challenges import Numbers
from serialkeeper.rules.findings import NOT_SEEN
from serialkeeper.rules.readers import Trial
from serialkeeper.store.challenge_tables import Challenge, ChallengeRun, Plant
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


def sets_of(view: View, lot: Lot) -> list[Challenge]:
    """A lot's sets of labels that are bad on purpose."""
    return view.of_lot(Challenge, key_of(lot))


def runs_of(view: View, lot: Lot) -> list[ChallengeRun]:
    """Every time that one of these sets was shown to a reader."""
    return view.of_lot(ChallengeRun, key_of(lot))


def plants_of(view: View, lot: Lot) -> list[Plant]:
    """A lot's labels on the web that were made bad on purpose, by position."""
    return view.of_lot(Plant, key_of(lot))


def plant_places(view: View, lot: Lot) -> NDArray[np.bool_]:
    """Bool by position: whether the label there was made bad on purpose."""
    found = np.zeros(lot.labels + 1, dtype=np.bool_)
    found[[plant.position for plant in plants_of(view, lot)]] = True
    return found


def numbers_of(view: View, lot: Lot) -> Numbers:
    """The challenge numbers of a lot."""
    code = gs1.LabelCode(lot.gtin, "", date.fromisoformat(lot.expiry), lot.number)
    return Numbers(lot.id, view.product_of(lot).serial_length, code)


def next_number(view: View, lot: Lot) -> int:
    """The index of the first number of the lot's next challenge set."""
    sets = sets_of(view, lot)
    return 1 + sum(len(challenges.kinds_of(row.kinds.split(), row.each)) for row in sets)


def planted(view: View, lot: Lot, *, position: int | None = None) -> list[Planted]:
    """Every planted label of a lot, by position; or the one at this position, if there is one."""
    stations = {take.id: take.station for take in view.takes(key_of(lot))}
    rows = [row for row in plants_of(view, lot) if position in (None, row.position)]
    return [_planted(view, lot, row, stations) for row in rows]


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
    kinds = {row.id: challenges.kinds_of(row.kinds.split(), row.each) for row in sets_of(view, lot)}
    trials = [
        Trial(run.station, kind, letter, planted=False)
        for run in runs_of(view, lot)
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
    runs = [(run.id, run.occasion, run.outcomes) for run in runs_of(view, lot)]
    return {"runs": readers.occasions(runs), "reader": measured(view, lot)}
