"""What a scanned code says otherwise than the record of the label whose number it carries."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from serialkeeper.errors import Refused
from serialkeeper.rules import dates, gs1
from serialkeeper.rules.gs1 import GS
from serialkeeper.rules.scans import Reading


@dataclass(frozen=True, slots=True)
class LabelFacts:
    """What the record knows of a label, as far as a code tells it.

    Attributes:
        lot, expiry: of its lot.
        extras: identifiers and values that are printed with its number.
        prefix_length: digits of the product's company prefix.
        planned: the label's whole code, as a reader sends it.
    """

    lot: str
    expiry: date
    extras: Mapping[str, str]
    prefix_length: int
    planned: str


def find_contradictions(reading: Reading, label: LabelFacts, *, this_year: int) -> list[str]:
    """Where a code says otherwise than the record of the label whose number it carries."""
    there = dict(reading.elements)
    said = [*lot_otherwise(there, label.lot, label.expiry, this_year=this_year)]
    said += _extras_otherwise(there, label.extras)
    if reading.prefix_length not in (None, label.prefix_length):
        said.append(
            f"The URN's company prefix has {reading.prefix_length} digits, the product's has "
            f"{label.prefix_length}."
        )
    if reading.form != "element string" or said:
        return said
    if reading.symbology not in ("", gs1.DATAMATRIX_ID):
        return [f"It came from {reading.symbology}; labels carry a GS1 DataMatrix (]d2)."]
    plain = reading.text.removeprefix(reading.symbology)
    if reading.separator not in ("", "GS"):
        plain = plain.replace(reading.separator, GS)
    whole = there.keys() >= {"01", "10", "17", "21"}
    if whole and plain != label.planned.removeprefix(gs1.DATAMATRIX_ID):
        return [f"The code is not written as printed: {gs1.to_file(label.planned)}."]
    return []


def lot_otherwise(
    there: Mapping[str, str], lot: str, expiry: date, *, this_year: int
) -> Iterator[str]:
    """Where the elements of a code say otherwise than the lot's number and expiry."""
    if there.get("10", lot) != lot:
        yield f"The code names lot {there['10']}; the number belongs to lot {lot}."
    if "17" in there:
        try:
            day: object = dates.read_date(there["17"], this_year=this_year)
        except Refused:
            day = there["17"]
        if day != expiry:
            yield f"The code names expiry {day}; the lot's is {expiry}."


def _extras_otherwise(there: dict[str, str], extras: Mapping[str, str]) -> Iterator[str]:
    for ai in dict.fromkeys((*extras, *there)):
        if ai in gs1.DEFAULT_ORDER or there.get(ai) == extras.get(ai):
            continue
        planned = f"with the number ({ai}) {extras.get(ai)} is printed"
        if ai not in extras:
            planned = f"no ({ai}) is printed with the number"
        if ai in there:
            yield f"The code carries ({ai}) {there[ai]}; {planned}."
        elif "10" in there:  # a label's whole code
            yield f"The code carries no ({ai}); {planned}."
