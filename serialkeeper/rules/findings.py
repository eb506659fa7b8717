"""What can be wrong with a label, in the order in which it is looked for, and the judgement.

The judgement itself is vectorised: a take brings one row per reading, this module brings
one verdict per place. It never calls good what was not read good, once, in its place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1

Accept = str
NEVER: Accept = "never"
FRESH_SCAN: Accept = "a fresh scan equal to the planned code"
VERIFIER: Accept = "a verifier's result: instrument, calibration date, grade"
SECOND: Accept = "a reason and a second person"

WORDS: Mapping[str, tuple[str, Accept]] = {
    "wrong_symbology": ("the code is no GS1 DataMatrix", NEVER),
    "malformed": ("the code is not built as planned", NEVER),
    "wrong_product": ("the code names another product", NEVER),
    "wrong_lot": ("the code names another lot", NEVER),
    "wrong_expiry": ("the code names another expiry", NEVER),
    "foreign": ("the number does not belong to this lot", NEVER),
    "not_issued": ("the number was not issued to the printer", NEVER),
    "voided_number": ("the number was voided before", NEVER),
    "used_number": ("the number was decommissioned before", NEVER),
    "repeated": ("the place repeats a number that was read elsewhere too", NEVER),
    "other_number": ("the place shows the number of another place", NEVER),
    "missed_plant": ("a label made bad on purpose was called good by the reader", NEVER),
    "not_seen": ("no reading stands at the label's place", FRESH_SCAN),
    "not_told_apart": ("the readings do not tell which of some labels was seen", FRESH_SCAN),
    "unreadable": ("the camera could not read the code", FRESH_SCAN),
    "read_twice": ("the number was read more than once", SECOND),
    "out_of_place": ("the number was seen only out of its place", SECOND),
    "text_mismatch": ("the human-readable text differs from the code", SECOND),
    "low_grade": ("the in-line grade is below the lot's minimum", VERIFIER),
    "failed_by_camera": ("the camera's own verdict is 'fail'", SECOND),
    "found_again": ("not seen for certain at first, and good when the roll was read again", SECOND),
}
"""Each finding, in order of judgement: its sentence and what its acceptance needs.

What can never be accepted comes first: where a place has several readings, one that could not
be read does not hide another that says something wrong.

An in-line camera grade is not a verifier grade (ISO/IEC 15415 needs a device that conforms
to ISO/IEC 15426-2; from memory)."""

ORDER: tuple[str, ...] = tuple(WORDS)
CODE: Mapping[str, int] = {word: number for number, word in enumerate(ORDER, 1)}
"""Findings as small numbers for arrays; 0 is good."""

STAYING = ("voided_number", "used_number")
"""Findings on labels that left before and were seen all the same: the label stays where it is,
and a person says what was done about it."""

NOT_SEEN = ("not_seen", "not_told_apart", "found_again")
"""Findings on labels that no first reading is of for certain: a later good reading ends them."""

MISSED = ("not_seen", "not_told_apart")
"""Findings that say of no label that it was there."""

COPIES = ("read_twice", "repeated", "other_number", "out_of_place")
"""Findings after which more than one label may carry a number, or its label stands elsewhere."""

ELSEWHERE = ("out_of_place", "repeated")
"""Findings on labels whose number was seen elsewhere: their own place may still be to come."""

SLICE = 1 << 20
"""Readings worked on at a time where a helper array would be long."""

GOOD = 0

_Scalar = TypeVar("_Scalar", bound=np.generic)


def check_acceptable(word: str, *, where: str) -> Accept:
    """What accepting a label with this finding needs; refuses `never_accepted`."""
    needs = WORDS[word][1]
    if needs == NEVER:
        raise Refused(
            "never_accepted",
            f"A label with the finding '{word}' can never be accepted.",
            where=where,
            expected="a finding that may be accepted",
            came=f"{word}: {WORDS[word][0]}",
            remedy="Take the label off the web and void its number (label void).",
        )
    return needs


@dataclass(frozen=True, slots=True)
class Facts:
    """What every code of a lot has to say, and how good it has to be."""

    gtin: str
    lot: str
    expiry: date
    this_year: int


def judge_text(seen: str, facts: Facts) -> tuple[str, str]:
    """What a text that is not the planned one is: (finding, detail).

    Args:
        seen: the scanned text with GS as the character 29; empty if nothing was read.

    Returns:
        The first finding up to `wrong_expiry`; `foreign` stands for a text that is right
        up to its number, which the caller looks up.
    """
    if not seen:
        return "unreadable", WORDS["unreadable"][0]
    if not seen.startswith(gs1.DATAMATRIX_ID):
        came = gs1.to_file(seen[:3])
        return "wrong_symbology", f"the text starts with {came!r}, not with ]d2"
    try:
        code = gs1.parse_scanned(seen, this_year=facts.this_year)
    except Refused as error:
        return "malformed", error.message
    if code.gtin != facts.gtin:
        return "wrong_product", f"the code names GTIN {code.gtin}"
    if code.lot != facts.lot:
        return "wrong_lot", f"the code names lot {code.lot}"
    if code.expiry != facts.expiry:
        return "wrong_expiry", f"the code names expiry {code.expiry.isoformat()}"
    return "foreign", f"number {code.serial} is not of this lot"


@dataclass(frozen=True, slots=True)
class Readings:
    """One array element per reading, in file order.

    Attributes:
        place: int32, the position whose place the reading was taken at; 0 where it stands at no
            label's place.
        number: int32, the position whose number was read, however it was written; 0 if none
            of this lot's.
        finding: uint8, `CODE` of what the reading itself shows wrong, or `GOOD`.
        grade: uint8, tenths, or `parts.NO_GRADE`.
        time: int64, milliseconds since 1970, or `parts.NO_TIME`.
        evidence: uint8, a letter of `parts.EVIDENCE`: what told the place.
        also: int32, further positions whose numbers stand in texts of this file.
    """

    place: NDArray[np.int32]
    number: NDArray[np.int32]
    finding: NDArray[np.uint8]
    grade: NDArray[np.uint8]
    time: NDArray[np.int64]
    evidence: NDArray[np.uint8]
    also: NDArray[np.int32] = field(default_factory=lambda: np.zeros(0, dtype=np.int32))


@dataclass(frozen=True, slots=True)
class Verdicts:
    """One array element per position 0..N (element 0 is unused).

    Attributes:
        finding: uint8, `CODE` or `GOOD`; `GOOD` where nothing was read, too.
        reading: int32, index of the reading that the verdict rests on, -1 for none.
        placed: bool, whether any reading stands at the position's place.
        touched: bool, whether any reading concerns the position, at its place or not.
        plausible: how many labels are held as read twice though nothing says that there are
            two of them: perhaps one label that triggered the camera twice.
    """

    finding: NDArray[np.uint8]
    reading: NDArray[np.int32]
    placed: NDArray[np.bool_]
    touched: NDArray[np.bool_]
    plausible: int


def judge(readings: Readings, positions: int) -> Verdicts:
    """One verdict per position from all readings of a take.

    A label is good only if exactly one reading stands at its place, that reading carries
    its own number with nothing wrong about it, and its number was read nowhere else.

    Args:
        readings: all readings; `place` within 0..positions.
        positions: labels in the plan.
    """
    size = positions + 1
    place, number = readings.place, readings.number
    at_home = (number == place) & (number > 0)
    away = indices((number > 0) & ~at_home)
    home_reads = _count(place[at_home], size)
    away_reads = _count(np.concatenate((number[away], readings.also)), size)
    place_reads = _count(place, size)

    # What each reading shows at its place; a displaced number is named for the place it shows at,
    # unless the code has a graver fault of its own.
    many = home_reads[number[away]] + away_reads[number[away]] > 1
    shown = _shown(readings, away, many)
    finding = np.zeros(size, dtype=np.uint8)
    reading = _last_index(place, size)
    # Later writes win in numpy, so faults go in from the mildest to the gravest.
    bad = np.flatnonzero(shown != GOOD)
    bad = bad[np.argsort(-shown[bad].astype(np.int16), kind="stable")]
    finding[place[bad]] = shown[bad]
    reading[place[bad]] = bad

    # What is wrong with each number, wherever it was read.
    wrong = np.zeros(size, dtype=np.uint8)
    wrong[(home_reads > 1) | ((home_reads == 1) & (away_reads > 0))] = CODE["read_twice"]
    wrong[(home_reads == 0) & (away_reads > 1)] = CODE["repeated"]
    finding = _graver(finding, wrong)
    # A label that was seen once, in another place, is out of place, whichever of this lot's
    # labels stands in its own; a strange or unread code there is another matter.
    moved = np.flatnonzero((home_reads == 0) & (away_reads == 1))
    strange = np.zeros(size, dtype=np.uint8)
    own = bad[(shown[bad] != CODE["other_number"]) & (shown[bad] != CODE["repeated"])]
    strange[place[own]] = shown[own]
    out_of_place = np.full(len(moved), CODE["out_of_place"], dtype=np.uint8)
    finding[moved] = _graver(strange[moved], out_of_place)
    # A number that was seen only elsewhere rests on the reading there.
    shown_as = number[away]
    lost = away[(finding[shown_as] == CODE["out_of_place"]) | (reading[shown_as] < 0)]
    reading[number[lost]] = lost
    mixed = np.zeros(size, dtype=np.bool_)
    mixed[place[~at_home]] = True
    mixed[number[away[place[away] > 0]]] = True
    mixed[readings.also] = True
    placed = place_reads > 0
    for values, nothing in ((finding, GOOD), (reading, -1), (placed, False), (away_reads, 0)):
        values[0] = nothing  # no label stands at 0
    return Verdicts(
        finding=finding,
        reading=reading,
        placed=placed,
        touched=placed | (away_reads > 0),
        plausible=int(((finding == CODE["read_twice"]) & ~mixed).sum()),
    )


def _shown(
    readings: Readings, away: NDArray[np.int32], many: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    """The finding of every reading; those at `away` carry another label's number."""
    shown = readings.finding.copy()
    shown[(readings.number == 0) & (shown == GOOD)] = CODE["unreadable"]
    named = np.where(many, CODE["repeated"], CODE["other_number"]).astype(np.uint8)
    shown[away] = _graver(shown[away], named)
    return shown


def _graver(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The graver of two findings, place by place: the first in order of judgement."""
    return np.where((one == GOOD) | ((other != GOOD) & (other < one)), other, one)


def _count(positions: NDArray[np.int32], size: int) -> NDArray[np.uint8]:
    """How often each position stands there: 0, 1 or 2 for more than once."""
    counts = np.zeros(size, dtype=np.uint8)
    counts[positions] = 1
    last = _last_index(positions, size)
    for start, some in sliced(positions):
        index = np.arange(start, start + len(some), dtype=np.int32)
        counts[some[last[some] != index]] = 2
    return counts


def _last_index(positions: NDArray[np.int32], size: int) -> NDArray[np.int32]:
    """Where each position stands for the last time, -1 for nowhere."""
    last = np.full(size, -1, dtype=np.int32)
    for start, some in sliced(positions):
        last[some] = np.arange(start, start + len(some), dtype=np.int32)
    return last


def sliced(values: NDArray[_Scalar]) -> Iterator[tuple[int, NDArray[_Scalar]]]:
    """An array `SLICE` elements at a time, each time with the index of the first."""
    for start in range(0, len(values), SLICE):
        yield start, values[start : start + SLICE]


def indices(mask: NDArray[np.bool_]) -> NDArray[np.int32]:
    """`numpy.flatnonzero` of a long array in half its room, and without more on the way.

    >>> indices(np.array([False, True, True])).tolist()
    [1, 2]
    """
    found = np.empty(np.count_nonzero(mask), dtype=np.int32)
    end = 0
    for some in spots(mask):
        found[end : end + len(some)] = some
        end += len(some)
    return found


def spots(mask: NDArray[np.bool_]) -> Iterator[NDArray[np.int64]]:
    """The same, those of `SLICE` elements at a time."""
    for start, some in sliced(mask):
        yield np.flatnonzero(some) + start
