"""What a lot report is made of, gathered in one look at the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.rules.chronicle import Chronicle
from serialkeeper.rules.documents import Document
from serialkeeper.rules.figures import Sheet
from serialkeeper.rules.jobs import Web
from serialkeeper.rules.review import Review


@dataclass(frozen=True, slots=True)
class Made:
    """When, where and by whom the report was made, and of which record.

    Attributes:
        at: RFC 3339 with the station's offset.
        person, role, station: who made it, and where.
        practice: whether the record is one for practice.
        record, generation: which record, and which of its copies.
    """

    at: str
    person: str
    role: str
    station: str
    practice: bool
    record: str
    generation: int


@dataclass(frozen=True, slots=True)
class Readings:
    """What was read of the labels: the last grade and evidence of each, its first time.

    Attributes:
        grades: labels by in-line grade, tenths 0 to 40.
        ungraded: labels that were read, without a grade.
        evidence: labels by what told their place.
        times: when the first label of each bar over the run was read; empty where none tells.
        first, last: the earliest and the latest of these times, or empty.
    """

    grades: tuple[int, ...]
    ungraded: int
    evidence: Mapping[str, int]
    times: tuple[str, ...]
    first: str
    last: str


@dataclass(frozen=True, slots=True)
class Out:
    """A label that is not simply good, and how it is known that it left the web.

    Attributes:
        position, job, row, lane: which one, and where it was printed.
        serial: its number.
        state, reason: where it is, and why.
        told: how it is known that it left, or what is missing.
        spare: what was put in its place, 0 for nothing.
    """

    position: int
    job: int
    row: int
    lane: int
    serial: str
    state: str
    reason: str
    told: str
    spare: int


@dataclass(frozen=True, slots=True)
class Outs:
    """Labels that are not simply good.

    Attributes:
        counts: how many by state, reason, and how it is known that they left (words of `LEFT`).
        rows: the first of them, those of which something is missing before all others.
    """

    counts: Mapping[tuple[str, str, str], int]
    rows: Sequence[Out]

    @property
    def total(self) -> int:
        """How many there are."""
        return sum(self.counts.values())

    @property
    def not_shown(self) -> int:
        """How many of them something is missing of."""
        return sum(n for (_, _, left), n in self.counts.items() if left not in (ABSENT, CUT))


ABSENT, CUT, PERHAPS, NOTHING, WAITING = LEFT = (
    "proven absent by a further pass",
    "cut out",
    "CUT OUT, PERHAPS NOT ALL OF IT",
    "NOTHING SHOWS IT",
    "WAITS FOR A DECISION",
)
"""How it is known that a label left the web."""


@dataclass(frozen=True, slots=True)
class Protection:
    """The signed checkpoint of the same look, or what there is instead.

    Attributes:
        checkpoint: record, generation, at, count, head and root of the lot's chain, file, sha256,
            public_key and signature; None if none was made.
        custodian: the folder that checkpoints go into by themselves; empty for none.
        since: when the record's last checkpoint before was made; empty if none was.
        later: entries that came after that.
    """

    checkpoint: Mapping[str, Any] | None
    custodian: str
    since: str
    later: int


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything that a report is made of.

    Attributes:
        made: when, by whom.
        product: the product's name.
        lot: as `lot show` tells it.
        balance: as `lot reconcile` tells it.
        chronicle: what the chain tells of people.
        departures: labels by state word and reason of those voided or decommissioned.
        found: take, word, state and number of findings.
        marks: NONE, OTHER or CRITICAL of `rules.charts` by position, element 0 unused.
        web: where the labels stand.
        readings: what was read of them.
        jobs, takes, rolls, alarms, runs, holds, packs: as plain data.
        reviews: as they were signed.
        proofs: what further passes proved: labels by word.
        outs: labels that are not simply good.
        telling: the last entry that can have caused an event, 0 for none.
        documents: events on their way, each with its destination's name.
        recoveries: how the record was brought back from backups since the lot was opened.
        replacements: spares that were put in the place of bad labels.
        drawings: the rolls drawn, for lots that are not too large.
        protection: what the report can be held against.
    """

    made: Made
    product: str
    lot: Mapping[str, Any]
    balance: Mapping[str, Any]
    chronicle: Chronicle
    departures: Mapping[tuple[str, str], int]
    found: Sequence[tuple[int, str, str, int]]
    marks: NDArray[np.uint8]
    web: Web
    readings: Readings
    jobs: Sequence[Mapping[str, Any]]
    takes: Sequence[Mapping[str, Any]]
    rolls: Sequence[Mapping[str, Any]]
    alarms: Sequence[Mapping[str, Any]]
    runs: Sequence[Mapping[str, Any]]
    holds: Sequence[Mapping[str, Any]]
    packs: Sequence[Mapping[str, Any]]
    reviews: Sequence[Review]
    proofs: Mapping[str, int]
    outs: Outs
    telling: int
    documents: Sequence[tuple[str, Document]]
    recoveries: Sequence[Mapping[str, Any]]
    replacements: Sequence[Mapping[str, Any]]
    drawings: Sequence[tuple[str, Sheet]]
    protection: Protection

    @property
    def name(self) -> str:
        """The lot's number, as commands take it."""
        return str(self.lot["lot"])

    def state(self, *words: str) -> int:
        """How many labels are in these states."""
        return sum(self.lot["states"].get(word, 0) for word in words)
