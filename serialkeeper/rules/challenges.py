"""Labels that are bad on purpose: sets of them, and whether a reader caught them.

A set is shown to the reader by itself and judged as a little web of its own, by the rules for
every other label: what would have been called good there was missed. The numbers on such labels
begin with two letters that no number of ours has (`rules.serials.ALPHABET`). So no allocation can
ever make them, and one that is left on a web is `foreign` there: it can neither pass for a
medicine's label nor use up a number.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1
from serialkeeper.rules.findings import GOOD, ORDER
from serialkeeper.rules.jobs import Web
from serialkeeper.rules.layout import Layout
from serialkeeper.rules.lookup import Texts
from serialkeeper.rules.readable import four
from serialkeeper.rules.results import Plan
from serialkeeper.rules.serials import ALPHABET, Chance

OCCASIONS: Mapping[str, str] = {
    "start": "at the start of the run",
    "stop": "after a stop",
    "interval": "in between, as planned",
    "end": "at the end of the run",
}
"""When a reader is proven (common practice, no source)."""

EACH, MOST_OF_A_KIND = 3, 200
"""Labels of each kind in a set: unless told otherwise (common practice, no source), and at most."""

MOST_PLANTS = 1_000
"""Labels made bad on purpose in one go."""

DIGITS = 3
"""Places of a challenge number, in base 32, that name the lot."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One way in which a label is bad on purpose.

    Attributes:
        make: how a label of a set is made.
        plant: how a label on the web is made so; empty where it is not planted.
        fault: the fault of a rehearsal that plays a planted one.
        caught: the findings that show that the reader caught it as what it is.
    """

    make: str
    plant: str
    fault: str
    caught: tuple[str, ...]


_AS_IT_IS = "print it as it stands"
_OVER = "print this label and stick it over the one there"

KINDS: Mapping[str, Kind] = {
    "no_read": Kind(
        "print it, then cover or smear the code until no reader reads it",
        "cover or smear the code until no reader reads it",
        "unreadable",
        ("unreadable", "low_grade", "failed_by_camera"),
    ),
    "wrong_lot": Kind(f"{_AS_IT_IS}: it names another lot", _OVER, "wrong_lot", ("wrong_lot",)),
    "repeated": Kind(f"{_AS_IT_IS}: two labels carry one number", "", "", ("repeated",)),
    "foreign": Kind(f"{_AS_IT_IS}: its number belongs to no lot", _OVER, "foreign", ("foreign",)),
    "low_grade": Kind(
        "print it, then damage it until it is still read, but graded below {minimum}",
        "damage it until it is still read, but graded below {minimum}",
        "low_grade",
        ("low_grade", "failed_by_camera"),
    ),
}
"""Every kind, in the order in which a set holds them. A label that was not called good, but for
another reason than its own, is `unproven`: it shows nothing of its kind, for or against."""

OWN_CODE = ("no_read", "low_grade")
"""Kinds of planted labels that keep the code they were printed with; nothing is printed for them,
so that no second label of a number comes about."""

CAUGHT, MISSED, UNPROVEN, BESIDE = "c", "m", "u", "."
OUTCOMES: Mapping[str, str | None] = {
    CAUGHT: "caught",
    MISSED: "missed",
    UNPROVEN: "unproven",
    BESIDE: None,
}
"""Outcomes as they are kept. The first label of a pair is only there to be repeated."""


@dataclass(frozen=True, slots=True)
class BadLabel:
    """One label of a set.

    Attributes:
        number: its place in the set, from 1.
        kind: one of `KINDS`.
        code: what is printed on it.
        planned: the number that a good label in its place would carry.
        counts: whether it is a trial of its own.
    """

    number: int
    kind: str
    code: gs1.LabelCode
    planned: str
    counts: bool

    def scanned(self, order: tuple[str, ...]) -> str:
        """What a reader reads of it, as it stands in files."""
        return gs1.to_file(gs1.scanned(self.code, order))


@dataclass(frozen=True, slots=True)
class Numbers:
    """The challenge numbers of a lot.

    Attributes:
        lot_id: which lot.
        length: characters of a number.
        code: the lot's frozen facts; its serial says nothing.
    """

    lot_id: int
    length: int
    code: gs1.LabelCode

    def stranger(self, index: int, signs: str = "ZY") -> str:
        """Number `index` (from 1): two signs, the lot and the index in base 32.

        Refuses `bad_value` where they are used up.
        """
        room = len(ALPHABET) ** (self.length - 2 - DIGITS)
        if self.lot_id >= len(ALPHABET) ** DIGITS or index >= room:
            raise Refused(
                "bad_value",
                "There are no challenge numbers left.",
                expected=f"at most {room - 1:,} of them for one lot",
                came=f"lot {self.lot_id}, number {index:,}",
                remedy="Use the labels of an earlier set again.",
            )
        value, text = self.lot_id * room + index, ""
        for _ in range(self.length - 2):
            value, digit = divmod(value, len(ALPHABET))
            text = ALPHABET[digit] + text
        return signs + text

    def bad_code(self, kind: str, serial: str) -> gs1.LabelCode:
        """What a label of this kind with this number carries."""
        code = replace(self.code, serial=serial)
        return replace(code, lot=other_lot(code.lot)) if kind == "wrong_lot" else code

    def of_plant(self, kind: str, position: int) -> gs1.LabelCode:
        """What is stuck over a label; numbered by its position, so that numbers of later sets do
        not tell how many there are."""
        return self.bad_code(kind, self.stranger(position, "YZ"))

    def labels(self, kinds: Sequence[str], each: int, first: int) -> list[BadLabel]:
        """The labels of a set.

        Args:
            kinds: some of `KINDS`, in their order.
            each: trials of each kind.
            first: index of the first number.
        """
        made: list[BadLabel] = []
        for kind in kinds:
            for _ in range(each):
                index = first + len(made)
                planned = self.stranger(index)
                pair = kind == "repeated"
                # A foreign label carries another number than its place would.
                serial = self.stranger(index, "ZZ") if kind == "foreign" else planned
                code = self.bad_code(kind, serial)
                made.append(BadLabel(len(made) + 1, kind, code, planned, not pair))
                if pair:
                    beside = self.stranger(index + 1)
                    made.append(BadLabel(len(made) + 1, kind, code, beside, counts=True))
        return made


def other_lot(lot: str) -> str:
    """A lot number that is another one."""
    return lot[:-1] + ("B" if lot[-1] != "B" else "C")


def kinds_of(kinds: Sequence[str], each: int) -> list[str]:
    """The kind of every label of a set, in order; each repeat is a pair."""
    return [kind for kind in kinds for _ in range(each * (2 if kind == "repeated" else 1))]


PRINTED = ("kind", "serial", "scanned", "bracketed", "hri1", "hri2", "hri3", "hri4", "make")


def printed(
    kind: str, code: gs1.LabelCode, order: tuple[str, ...], layout: Layout, minimum_grade: int
) -> dict[str, str]:
    """What is printed on a label of a set and how it is made, under the names of `PRINTED`.

    Args:
        kind, code: the label.
        order, layout: of the lot.
        minimum_grade: the lot's, in tenths.
    """
    texts = gs1.to_file(gs1.scanned(code, order)), gs1.bracketed(code, order)
    made = KINDS[kind].make.format(minimum=f"{minimum_grade / 10:.1f}")
    told = (kind, code.serial, *texts, *four(layout.shown(code)), made)
    return dict(zip(PRINTED, told, strict=True))


def planted(
    kind: str, code: gs1.LabelCode, order: tuple[str, ...], layout: Layout, minimum_grade: int
) -> dict[str, str]:
    """What is printed for a planted label, and how it is made bad; as `printed`."""
    told = printed(kind, code, order, layout, minimum_grade)
    if kind in OWN_CODE:
        told = dict.fromkeys(PRINTED, "") | {"kind": kind}
    return told | {"make": KINDS[kind].plant.format(minimum=f"{minimum_grade / 10:.1f}")}


def check_set(kinds: Sequence[str], each: int) -> tuple[str, ...]:
    """The kinds in order, all of them for none. Refuses `bad_value`."""
    if set(kinds) <= set(KINDS) and 1 <= each <= MOST_OF_A_KIND:
        return tuple(kind for kind in KINDS if kind in kinds or not kinds)
    raise Refused(
        "bad_value",
        "The challenge set cannot be made.",
        expected=f"some of {', '.join(KINDS)}; 1 to {MOST_OF_A_KIND} of each",
        came=f"{', '.join(kinds)}; {each} of each",
        remedy="Correct it.",
    )


def check_occasion(when: str) -> None:
    """Refuses `bad_value`."""
    if when not in OCCASIONS:
        raise Refused(
            "bad_value",
            "It is not said when the reader is proven.",
            where="--when",
            expected=", ".join(OCCASIONS),
            came=when,
            remedy="Give one of these.",
        )


def check_count(labels: int, readings: int, where: str) -> None:
    """Refuses `challenge_count` unless there is one reading for every label."""
    if readings == labels:
        return
    raise Refused(
        "challenge_count",
        "The file does not hold one reading for every label of the set.",
        where=where,
        expected=f"{labels} readings in the order of the set, an unread label among them",
        came=str(readings),
        remedy="Let the reader see every label of the set once, in its order. A reader that leaves "
        "unread or repeated labels out of its results cannot be proven by them.",
    )


def check_plants(kind: str, positions: Sequence[int], count: int) -> None:
    """Refuses `bad_value`: what is to be planted, positions or a number of them, not both."""
    there = [name for name, one in KINDS.items() if one.fault]
    wanted = len(positions) or count
    if kind in there and bool(positions) != bool(count) and 1 <= wanted <= MOST_PLANTS:
        return
    raise Refused(
        "bad_value",
        "It is not understood which labels are to be made bad.",
        expected=f"--kind {' or '.join(there)}; --position P for each label, or --count N up to "
        f"{MOST_PLANTS:,}",
        came=f"{kind}, positions: {len(positions)}, count {count}",
        remedy="Correct it.",
    )


def check_plantable(free: NDArray[np.bool_], positions: Sequence[int], where: str) -> None:
    """Refuses `label_unknown` and `move_not_allowed` for labels that cannot be made bad.

    Args:
        free: bool by position, whether the label there can be.
        positions: ascending.
        where: the lot, for refusals.
    """
    outside = [one for one in positions if not 1 <= one < len(free)]
    if outside:
        raise Refused(
            "label_unknown",
            "The lot has no such label.",
            where=where,
            expected=f"positions 1 to {len(free) - 1}",
            came=", ".join(map(str, outside[:10])),
            remedy="Look the position up: label list.",
        )
    others = [one for one in positions if not free[one]]
    if others or not positions:
        raise _not_plantable(where, free, ", ".join(map(str, others[:10])))


def pick(free: NDArray[np.bool_], count: int, chance: Chance, where: str) -> list[int]:
    """So many labels that can be made bad, each as likely as any other, ascending.

    Refuses `move_not_allowed` if there are not so many.
    """
    there = np.flatnonzero(free).tolist()
    if count > len(there):
        raise _not_plantable(where, free, f"{count} of them")
    for place in range(count):
        other = place + int.from_bytes(chance(8), "big") % (len(there) - place)
        there[place], there[other] = there[other], there[place]
    return sorted(there[:count])


def _not_plantable(where: str, free: NDArray[np.bool_], came: str) -> Refused:
    return Refused(
        "move_not_allowed",
        "Only a label that is issued, and that no reader has met, can be made bad on purpose.",
        where=where,
        expected="labels that are issued, without a finding and not made bad yet; there: "
        f"{int(free.sum()):,}",
        came=came,
        remedy="Choose other labels, before they run past the reader: label list --state issued.",
    )


def check_accept(planted: bool, *, where: str) -> None:
    """Refuses `never_accepted` for a label that was made bad on purpose."""
    if planted:
        raise Refused(
            "never_accepted",
            "This label was made bad on purpose, to prove the reader.",
            where=where,
            expected="a label as the printer made it",
            came="a planted label",
            remedy="Take the label off the web and void its number (label void).",
        )


def plan(
    labels: Sequence[BadLabel],
    code: gs1.LabelCode,
    order: tuple[str, ...],
    layout: Layout,
    *,
    minimum_grade: int,
    this_year: int,
    latest: int,
) -> Plan:
    """The set as a plan: one lane, a label a row, each as a good one would be.

    Args:
        labels: the set.
        code: the lot's facts; its serial says nothing.
        order, layout, minimum_grade, this_year, latest: as in `results.Plan`.
    """
    count = len(labels)
    lane = np.ones(count + 1, dtype=np.uint8)
    lane[0] = 0
    return Plan(
        serials=Texts.of(pl.Series([label.planned for label in labels], dtype=pl.String)),
        gtin=code.gtin,
        lot=code.lot,
        expiry=code.expiry,
        order=order,
        minimum_grade=minimum_grade,
        grid=lambda row, _lane: np.zeros(len(row), dtype=np.int32),
        web=Web(np.arange(count + 1, dtype=np.int32), lane, 1),
        free=np.ones(count + 1, dtype=np.bool_),
        again=False,
        this_year=this_year,
        latest=latest,
        layout=layout,
    )


def placed(rows: pl.DataFrame, before: int) -> pl.DataFrame:
    """Rows of a results file with the places of the set, whatever the camera counted.

    Args:
        rows: in the default columns.
        before: readings before these.
    """
    place = pl.Series(np.arange(before + 1, before + 1 + rows.height)).cast(pl.String)
    nothing = pl.lit("")
    return rows.with_columns(position=place, row=nothing, lane=nothing)


def outcomes(
    labels: Sequence[BadLabel],
    finding: NDArray[np.uint8],
    texts: Sequence[str],
    order: tuple[str, ...],
) -> tuple[list[str], str]:
    """What came out for each label: its finding or `good`, and letters of `OUTCOMES`.

    Args:
        labels: the set.
        finding: `findings.CODE` by place, from 1.
        texts: what was read of each label, in order; empty where nothing was read.
        order: element order of the lot.
    """
    words, letters = [], ""
    for label, code, text in zip(labels, finding[1:].tolist(), texts, strict=True):
        word = "good" if code == GOOD else ORDER[code - 1]
        words.append(word)
        if not label.counts:
            letters += BESIDE
        elif code == GOOD:
            letters += MISSED
        elif word in KINDS[label.kind].caught and text in ("", label.scanned(order)):
            letters += CAUGHT
        else:
            letters += UNPROVEN
    return words, letters


def passed(letters: str) -> bool:
    """Whether a run proves the reader: every label was caught as what it is."""
    return not set(letters) & {MISSED, UNPROVEN}


def plant_outcome(kind: str, words: Iterable[str]) -> str:
    """The outcome of a planted label from what takes found at its place; empty while none did."""
    found = list(words)
    if "missed_plant" in found:
        return MISSED
    if any(word in KINDS[kind].caught for word in found):
        return CAUGHT
    return UNPROVEN if found else ""
