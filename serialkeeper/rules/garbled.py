"""What a spoilt scan most likely was: letters flipped, another keyboard, separators lost.

Nothing here is evidence. A guess is worth something only if the record knows the number that it
gives, with that lot and that expiry; who asks has to look.

The keyboards are common practice, no source: a reader that types as a United States keyboard, on
a computer that is set to another country's layout or has caps lock on.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from serialkeeper.rules import gs1, scans
from serialkeeper.rules.dates import write_date
from serialkeeper.rules.gs1 import LabelCode
from serialkeeper.rules.identifiers import Elements

CAPS_LOCK = "capital and small letters changed places, as caps lock does"
GERMAN = "typed through a German keyboard layout"
FRENCH = "typed through a French keyboard layout"
LOST = "the separators were lost"

_US = r"""`-=[]\;',./~!@#$%^&*()_+{}|:"<>?"""
_US_LETTERS = "qwertyuiopasdfghjklzxcvbnmQWERTYUIOPASDFGHJKLZXCVBNM1234567890"

_LAYOUTS = {
    GERMAN: (
        r"""^ß´ü+#öä,.-°!"§$%&/()=?`Ü*'ÖÄ;:_""",
        "qwertzuiopasdfghjklyxcvbnmQWERTZUIOPASDFGHJKLYXCVBNM1234567890",
    ),
    FRENCH: (
        "²)=^$*mù;:!~1234567890°+¨£µM%./§",
        "azertyuiopqsdfghjklwxcvbn,AZERTYUIOPQSDFGHJKLWXCVBN?&é\"'(-è_çà",
    ),
}
"""What each key types, in the order of `_US` and `_US_LETTERS`."""


def _backwards(layout: tuple[str, str]) -> dict[int, str]:
    """From what arrived to what the reader meant."""
    signs, letters = layout
    return {
        ord(came): meant for came, meant in zip(letters + signs, _US_LETTERS + _US, strict=True)
    }


_KEYBOARDS = {name: _backwards(layout) for name, layout in _LAYOUTS.items()}


@dataclass(frozen=True, slots=True)
class Guess:
    """What a text may have been.

    Attributes:
        how: what would have spoilt it, each in words.
        elements: its parts then; empty for a bare number.
        number: the bare number then; empty if it is none.
    """

    how: tuple[str, ...]
    elements: Elements
    number: str = ""


@dataclass(frozen=True, slots=True)
class LotFacts:
    """What of a lot's labels is alike.

    Attributes:
        gtin: 14 digits.
        lot: its number.
        expiry: its day.
        order: identifiers in the order of the label.
    """

    gtin: str
    lot: str
    expiry: date
    order: tuple[str, ...]


def respelt(text: str) -> Iterator[tuple[str, str]]:
    """The text as another keyboard would have sent it: (what happened, text then)."""
    if text.swapcase() != text:
        yield CAPS_LOCK, text.swapcase()
    for name, table in _KEYBOARDS.items():
        meant = text.translate(table)
        if meant != text:
            yield name, meant


def guesses(text: str, lots: Sequence[LotFacts], *, this_year: int) -> Iterator[Guess]:
    """Everything that the text may have been, the simplest first.

    Args:
        text: as it came.
        lots: those whose labels it may show.
        this_year: for the century of dates.

    >>> facts = LotFacts("09521234543213", "L1", date(2028, 6, 30), ("01", "21", "17", "10"))
    >>> guess = next(guesses("010952123454321321A71728063010L1", [facts], this_year=2026))
    >>> guess.how, dict(guess.elements)["21"]
    (('the separators were lost',), 'A7')
    """
    spellings = [((), text), *(((how,), other) for how, other in respelt(text))]
    for how, spelling in spellings:
        if how:
            reading = scans.read(spelling, this_year=this_year)
            if reading.well_formed and reading.form != "unknown":
                yield Guess(how, reading.elements, reading.number)
    for how, spelling in spellings:
        body = scans.without_separators(spelling)
        for facts in lots:
            for serial in _split(body, facts):
                code = LabelCode(facts.gtin, serial, facts.expiry, facts.lot)
                values = code.values()
                yield Guess((*how, LOST), tuple((ai, values[ai]) for ai in facts.order))


def _split(body: str, facts: LotFacts) -> Iterator[str]:
    """The numbers with which a lot's label, written without separators, is this text."""
    values = {"01": facts.gtin, "17": write_date(facts.expiry), "10": facts.lot}
    at = facts.order.index("21")
    before = "".join(ai + values[ai] for ai in facts.order[:at]) + "21"
    after = "".join(ai + values[ai] for ai in facts.order[at + 1 :])
    serial = body[len(before) : len(body) - len(after)]
    if body == before + serial + after and 1 <= len(serial) <= 20 and set(serial) <= gs1.SET_82:
        yield serial
