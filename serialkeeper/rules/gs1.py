"""The code of a label as a text: written from its four facts, read back, and what is wrong with it.

Three written forms of one code, three types that cannot be mixed up:

    Bracketed      (01)09521234543213(21)A7K2(17)280630(10)LOT24A     for people and symbol makers
    ElementString  010952123454321321A7K2␝1728063010LOT24A                   ␝ is GS, ASCII 29
    ScannedText    ]d2 + element string                               what a scanner sends

In files the separator is written `{GS}`; braces are outside the GS1 character set 82,
so the two can never be confused.

Source: GS1 General Specifications, sections 3 (application identifiers), 7.8 (processing
of element strings), 7.9 (check digit), 7.11 (character set 82), 7.12 (dates); section
numbers from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NewType

from serialkeeper.errors import Refused
from serialkeeper.rules import identifiers
from serialkeeper.rules.dates import read_date, write_date
from serialkeeper.rules.identifiers import SET_82, Elements, check_text
from serialkeeper.rules.keys import check_digit, parse_gtin

__all__ = [
    "DATAMATRIX_ID",
    "DEFAULT_ORDER",
    "FILE_GS",
    "GS",
    "READABLE_JOIN",
    "SET_82",
    "Bracketed",
    "ElementString",
    "Elements",
    "LabelCode",
    "ScannedText",
    "bracketed",
    "check_digit",
    "check_order",
    "check_text",
    "element_string",
    "elements",
    "faults",
    "from_file",
    "parse_elements",
    "parse_gtin",
    "parse_scanned",
    "read_bracketed",
    "read_date",
    "read_elements",
    "reader_text",
    "scanned",
    "to_file",
    "walk",
    "write_bracketed",
    "write_date",
    "write_elements",
]
"""The four facts of a label are met under this one name, wherever their rules stand."""

Bracketed = NewType("Bracketed", str)
ElementString = NewType("ElementString", str)
ScannedText = NewType("ScannedText", str)

GS = "\x1d"
"""The separator after an element of variable length: ASCII 29."""

FILE_GS = "{GS}"
"""How the separator is written in our files."""

DATAMATRIX_ID = "]d2"
"""Symbology identifier of GS1 DataMatrix (ISO/IEC 15424; from memory)."""

DEFAULT_ORDER = ("01", "21", "17", "10")
"""Common order on pharmaceutical labels (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class LabelCode:
    """The four facts of a serialised medicine label.

    Attributes:
        gtin: 14 digits, AI (01).
        serial: 1 to 20 characters of set 82, AI (21).
        expiry: a real day, AI (17).
        lot: 1 to 20 characters of set 82, AI (10).
    """

    gtin: str
    serial: str
    expiry: date
    lot: str

    def values(self) -> dict[str, str]:
        """Each fact under its application identifier, as it is encoded."""
        return {
            "01": self.gtin,
            "21": self.serial,
            "17": write_date(self.expiry),
            "10": self.lot,
        }


def check_order(order: Sequence[str]) -> tuple[str, ...]:
    """The element order, if it holds 01, 21, 17 and 10 once each."""
    if sorted(order) != sorted(DEFAULT_ORDER):
        raise Refused(
            "bad_value",
            "The element order has to name 01, 21, 17 and 10 once each.",
            expected="for example 01 21 17 10",
            came=" ".join(order),
            remedy="Give the four identifiers in the order of the label.",
        )
    return tuple(order)


def element_string(code: LabelCode, order: Sequence[str] = DEFAULT_ORDER) -> ElementString:
    """The code as the symbol carries it, GS only after a variable element that is not last.

    >>> element_string(LabelCode("09521234543213", "A7", date(2028, 6, 30), "L1"))
    '010952123454321321A7\\x1d1728063010L1'
    """
    values = code.values()
    return _join([(ai, values[ai]) for ai in order])


def scanned(code: LabelCode, order: Sequence[str] = DEFAULT_ORDER) -> ScannedText:
    """The code as a scanner sends it: symbology identifier, then the element string."""
    return ScannedText(DATAMATRIX_ID + element_string(code, order))


def bracketed(code: LabelCode, order: Sequence[str] = DEFAULT_ORDER) -> Bracketed:
    r"""The code for people and symbol makers; a bracket in a value is written `\(`.

    >>> bracketed(LabelCode("09521234543213", "A(7", date(2028, 6, 30), "L1"))
    '(01)09521234543213(21)A\\(7(17)280630(10)L1'
    """
    values = code.values()
    return write_bracketed([(ai, values[ai]) for ai in order])


def to_file(text: str) -> str:
    """Element or scanned text as it stands in our files."""
    return text.replace(GS, FILE_GS)


def from_file(text: str) -> str:
    """The reverse of `to_file`."""
    return text.replace(FILE_GS, GS)


def reader_text(identifier: str, data: bytes) -> str:
    """What a reader of images found, as files hold it.

    Bytes that no element may hold, and braces, are written in hexadecimal, so that nothing
    printed into a symbol can be mistaken for a separator.

    Args:
        identifier: the symbology identifier, such as `]d2`.
        data: the symbol's bytes without FNC1 in first place, separators as ASCII 29.

    >>> reader_text("]d1", b"A\x1dB{GS}\x00")
    ']d1A{GS}B{7B}GS{7D}{00}'
    """
    return identifier + "".join(
        FILE_GS
        if byte == ord(GS)
        else chr(byte)
        if 0x20 <= byte < 0x7F and byte not in b"{}"
        else f"{{{byte:02X}}}"
        for byte in data
    )


def write_elements(elements: Sequence[tuple[str, str]]) -> ElementString:
    """Any elements as a symbol carries them, in this order.

    Refuses `bad_value` for a value that its identifier does not allow.

    >>> write_elements([("01", "09521234543213"), ("21", "A7"), ("91", "K1")])
    '010952123454321321A7\\x1d91K1'
    """
    for ai, value in elements:
        identifiers.check_form(ai, value)
    return _join(elements)


def _join(elements: Sequence[tuple[str, str]]) -> ElementString:
    pieces = []
    for place, (ai, value) in enumerate(elements, 1):
        last = place == len(elements)
        one = identifiers.TABLE.get(ai) or identifiers.known(ai)
        pieces.append(ai + value + ("" if last or (one and one.predefined) else GS))
    return ElementString("".join(pieces))


_SIMPLE = re.compile(
    rf"01(?P<gtin>[0-9]{{14}})"
    rf"(?:21(?P<serial>[^{GS}]{{1,20}}){GS})"
    rf"17(?P<expiry>[0-9]{{6}})10(?P<lot>[^{GS}]{{1,20}})"
)
"""The default order; anything else is read identifier by identifier."""


def read_elements(text: ElementString) -> Elements:
    """The elements of an element string, in the order they came.

    Looks at forms only: lengths, signs, separators. What the values say is `faults`' business.

    Refuses `bad_value` for what is no element string: unknown identifiers, lengths, signs that
    an element may not hold, repeated identifiers with different values. A separator after an
    element that needs none, and one at the end, is read over.

    >>> read_elements(ElementString("010952123454321321A7\\x1d91K1"))
    (('01', '09521234543213'), ('21', 'A7'), ('91', 'K1'))
    """
    usual = _SIMPLE.fullmatch(text)
    found = (
        list(zip(("01", "21", "17", "10"), usual.groups(), strict=True))
        if usual
        else list(walk(text))
    )
    if not found:
        raise _unreadable(text, "it is empty")
    there: dict[str, str] = {}
    for ai, value in found:
        identifiers.check_form(ai, value)
        if there.setdefault(ai, value) != value:
            raise _unreadable(text, f"({ai}) stands there twice, with different values")
    return tuple(found)


def walk(text: str) -> Iterator[tuple[str, str]]:
    """Element by element, as far as the text goes; forms are not looked at.

    Refuses `bad_value` where no identifier begins, after what could be read before it.
    """
    place = 0
    while place < len(text):
        one = identifiers.at(text, place)
        if one is None:
            raise _unreadable(
                text,
                f"no application identifier begins with {to_file(text[place : place + 4])!r}",
                place,
            )
        start = place + len(one.ai)
        end = text.find(GS, start)
        end = len(text) if end < 0 else end
        if one.predefined:
            end = min(end, start + one.longest)
        yield one.ai, text[start:end]
        place = end + text.startswith(GS, end)


def elements(text: ElementString) -> dict[str, str]:
    """The element values by application identifier, in the order they came.

    Refuses what `read_elements` refuses.
    """
    return dict(read_elements(text))


def faults(elements: Sequence[tuple[str, str]], *, this_year: int) -> Iterator[Refused]:
    """All that is wrong with elements of the right form, part by part, then together.

    Check digits, days that do not exist, identifiers that need or exclude others.
    """
    for ai, value in elements:
        try:
            identifiers.check_meaning(ai, value, this_year=this_year)
        except Refused as refusal:
            yield refusal
    yield from identifiers.pair_faults(elements)


def _unreadable(text: str, why: str, place: int | None = None) -> Refused:
    return Refused(
        "bad_value",
        f"This is no GS1 element string: {why}.",
        where="" if place is None else f"character {place + 1}",
        expected="application identifiers with values, GS after variable ones",
        came=to_file(text),
        remedy="Scan again; a lost separator or a wrong scanner setting looks like this.",
    )


def parse_elements(text: ElementString, *, this_year: int) -> LabelCode:
    """An element string as the four facts of a label.

    Refuses `bad_value` if one of the four is missing or malformed and `bad_gtin` for a
    wrong check digit. Further elements are checked, and left out.
    """
    elements = read_elements(text)
    found = dict(elements)
    if len(found) > len(DEFAULT_ORDER):
        for refusal in faults(elements, this_year=this_year):
            raise refusal
    missing = [ai for ai in DEFAULT_ORDER if ai not in found]
    if missing:
        raise Refused(
            "bad_value",
            f"The code carries no ({missing[0]}).",
            expected="(01), (21), (17) and (10)",
            came=to_file(text),
            remedy="Scan the label's own code; a lost separator may have joined two elements.",
        )
    return LabelCode(
        gtin=parse_gtin(found["01"]),
        serial=found["21"],
        expiry=read_date(found["17"], this_year=this_year),
        lot=found["10"],
    )


def parse_scanned(text: str, *, this_year: int) -> LabelCode:
    """What a scanner sent for a GS1 DataMatrix, as the four facts.

    Refuses `bad_value` if the symbology identifier is not `]d2`.
    """
    if not text.startswith(DATAMATRIX_ID):
        raise Refused(
            "bad_value",
            "This does not come from a GS1 DataMatrix.",
            expected=f"symbology identifier {DATAMATRIX_ID}",
            came=to_file(text[:3]),
            remedy="Let the scanner send symbology identifiers, and scan the label's own code.",
        )
    return parse_elements(ElementString(text[len(DATAMATRIX_ID) :]), this_year=this_year)


_BRACKET = re.compile(r"\(([0-9]{2,4})\)((?:\\\(|[^(])*)")


def write_bracketed(elements: Sequence[tuple[str, str]]) -> Bracketed:
    r"""Any elements with their identifiers in brackets; a bracket in a value is written `\(`.

    >>> write_bracketed([("01", "09521234543213"), ("21", "A(7")])
    '(01)09521234543213(21)A\\(7'
    """
    return Bracketed(
        "".join(f"({ai}){value.replace('(', chr(92) + '(')}" for ai, value in elements)
    )


def read_bracketed(text: str) -> Elements:
    """The reverse of `write_bracketed`. Refuses `bad_value`, as `read_elements` does."""
    pieces = _BRACKET.findall(text)
    rebuilt = "".join(f"({ai}){value}" for ai, value in pieces)
    if not pieces or rebuilt != text:
        raise Refused(
            "bad_value",
            "This is no bracketed element string.",
            where=""
            if pieces and not text.startswith(rebuilt)
            else f"character {len(rebuilt) + 1}",
            expected=r"(01)...(21)...; a bracket within a value written \(",
            came=text,
            remedy="Write each identifier in brackets.",
        )
    plain = tuple((ai, value.replace("\\(", "(")) for ai, value in pieces)
    there: dict[str, str] = {}
    for ai, value in plain:
        identifiers.check_form(ai, value)
        if there.setdefault(ai, value) != value:
            raise _unreadable(text, f"({ai}) stands there twice, with different values")
    return plain


READABLE_JOIN = "|"
"""Joins the four lines in a results file's `text` field; outside set 82."""
