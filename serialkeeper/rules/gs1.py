"""GS1 keys, element strings and dates, as far as a serialised label needs them.

Three written forms of one code, three types that cannot be mixed up:

    Bracketed      (01)09521234543213(21)A7K2(17)280630(10)LOT24A     for people and symbol makers
    ElementString  010952123454321321A7K2␝17280630\u200b10LOT24A            ␝ is GS, ASCII 29
    ScannedText    ]d2 + element string                               what a reader sends

In files the separator is written `{GS}`; braces are outside the GS1 character set 82,
so the two can never be confused.

Source: GS1 General Specifications, sections 3 (application identifiers), 7.8 (processing
of element strings), 7.9 (check digit), 7.11 (character set 82), 7.12 (dates); section
numbers from memory.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import NewType

from biip import ParseError
from biip.gs1_messages import GS1Message

from serialkeeper.errors import Refused

Bracketed = NewType("Bracketed", str)
ElementString = NewType("ElementString", str)
ScannedText = NewType("ScannedText", str)

GS = "\x1d"
"""The separator after an element of variable length: ASCII 29."""

FILE_GS = "{GS}"
"""How the separator is written in our files."""

DATAMATRIX_ID = "]d2"
"""Symbology identifier of GS1 DataMatrix (ISO/IEC 15424; from memory)."""

SET_82 = frozenset(
    "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
)
"""Characters allowed in alphanumeric element values (GS1 General Specifications 7.11)."""

PREDEFINED = {"01": 14, "11": 6, "17": 6}
"""Identifiers of predefined length that we build or read ourselves; no separator follows."""

VARIABLE = {"10": 20, "21": 20}
"""Identifiers of variable length and their longest value."""

DEFAULT_ORDER = ("01", "21", "17", "10")
"""Common order on pharmaceutical labels (common practice, no source)."""


def check_digit(body: str) -> str:
    """The GS1 check digit for the digits before it.

    Weights 3, 1, 3, ... from the right. Source: GS1 General Specifications 7.9.

    >>> check_digit("629104150021")
    '3'
    """
    if not (body.isascii() and body.isdigit()):
        raise Refused(
            "bad_value",
            "A check digit is computed from digits only.",
            expected="digits 0-9",
            came=body,
            remedy="Correct the number.",
        )
    total = sum(int(d) * (3 if i % 2 == 0 else 1) for i, d in enumerate(reversed(body)))
    return str(-total % 10)


def parse_gtin(text: str) -> str:
    """A GTIN-8, -12, -13 or -14 as 14 digits.

    Refuses `bad_gtin`: wrong length, other signs than digits, wrong check digit.

    >>> parse_gtin("9521234000006")
    '09521234000006'
    """
    problem = ""
    expected = "8, 12, 13 or 14 digits with a right check digit"
    if not (text.isascii() and text.isdigit()):
        problem = "A GTIN has digits only."
    elif len(text) not in (8, 12, 13, 14):
        problem = f"A GTIN has 8, 12, 13 or 14 digits, this has {len(text)}."
    elif check_digit(text[:-1]) != text[-1]:
        problem = "The GTIN's check digit is wrong."
        expected = f"check digit {check_digit(text[:-1])}"
    elif not text.strip("0"):
        problem = "A GTIN of zeros only names no product."
    if problem:
        raise Refused(
            "bad_gtin",
            problem,
            expected=expected,
            came=text,
            remedy="Compare the GTIN with the product's master data; a digit may be mistyped.",
        )
    return text.zfill(14)


def check_text(kind: str, text: str, *, longest: int = 20) -> str:
    """The text itself, if it may stand in an alphanumeric element (set 82, 1 to `longest`).

    Refuses `bad_value` and names the first sign that does not belong.
    """
    if not 1 <= len(text) <= longest:
        raise Refused(
            "bad_value",
            f"The {kind} has {len(text)} characters.",
            expected=f"1 to {longest} characters",
            came=text,
            remedy=f"Correct the {kind}.",
        )
    for place, sign in enumerate(text, 1):
        if sign not in SET_82:
            raise Refused(
                "bad_value",
                f"The {kind} holds a character that GS1 does not allow.",
                where=f"character {place}",
                expected="GS1 character set 82: letters, digits and !\"%&'()*+,-./:;<=>?_",
                came=repr(sign),
                remedy=f"Correct the {kind}.",
            )
    return text


def write_date(day: date) -> str:
    """A day as YYMMDD; the day is always written, never 00.

    Source: GS1 General Specifications 7.12; DD=00 is not allowed for regulated healthcare
    items from 2025.
    """
    return day.strftime("%y%m%d")


def read_date(text: str, *, this_year: int) -> date:
    """YYMMDD as a day; DD=00 is the last day of the month.

    The century is the one that brings the year within 49 years before and 50 years after
    `this_year`. Source: GS1 General Specifications 7.12 (the arithmetic from memory).

    >>> read_date("240200", this_year=2026)
    datetime.date(2024, 2, 29)
    """
    if re.fullmatch(r"[0-9]{6}", text):
        short, month, day = int(text[:2]), int(text[2:4]), int(text[4:])
        difference = short - this_year % 100
        year = this_year - this_year % 100 + short
        if difference >= 51:
            year -= 100
        elif difference <= -50:
            year += 100
        if 1 <= month <= 12:
            last = calendar.monthrange(year, month)[1]
            if day <= last:
                return date(year, month, day or last)
    raise Refused(
        "bad_value",
        "The date does not exist.",
        expected="YYMMDD, a real day (00 for the month's last)",
        came=text,
        remedy="Correct the date.",
    )


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
    parts = []
    for ai in order:
        last = ai == order[-1]
        parts.append(ai + values[ai] + ("" if last or ai in PREDEFINED else GS))
    return ElementString("".join(parts))


def scanned(code: LabelCode, order: Sequence[str] = DEFAULT_ORDER) -> ScannedText:
    """The code as a reader sends it: symbology identifier, then the element string."""
    return ScannedText(DATAMATRIX_ID + element_string(code, order))


def bracketed(code: LabelCode, order: Sequence[str] = DEFAULT_ORDER) -> Bracketed:
    r"""The code for people and symbol makers; a bracket in a value is written `\(`.

    >>> bracketed(LabelCode("09521234543213", "A(7", date(2028, 6, 30), "L1"))
    '(01)09521234543213(21)A\\(7(17)280630(10)L1'
    """
    values = code.values()
    return Bracketed("".join(f"({ai}){values[ai].replace('(', chr(92) + '(')}" for ai in order))


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


_SIMPLE = re.compile(
    rf"01(?P<gtin>[0-9]{{14}})"
    rf"(?:21(?P<serial>[^{GS}]{{1,20}}){GS})"
    rf"17(?P<expiry>[0-9]{{6}})10(?P<lot>[^{GS}]{{1,20}})"
)
"""The default order; anything else is left to biip."""


def elements(text: ElementString) -> dict[str, str]:
    """The element values by application identifier, in the order they came.

    The usual form is read directly, everything else by biip. Refuses `bad_value` for what
    is no element string: unknown identifiers, lengths, signs outside set 82, repeated
    identifiers with different values.
    """
    strange = next((sign for sign in text if sign != GS and sign not in SET_82), None)
    if strange is not None:
        raise _unreadable_elements(text, f"it holds {strange!r}, which no element may hold")
    usual = _SIMPLE.fullmatch(text)
    if usual:
        found = {
            "01": usual["gtin"],
            "21": usual["serial"],
            "17": usual["expiry"],
            "10": usual["lot"],
        }
    else:
        found = _elements_by_biip(text)
    for ai in VARIABLE:
        if ai in found:
            check_text(f"value of ({ai})", found[ai])
    return found


def _elements_by_biip(text: ElementString) -> dict[str, str]:
    try:
        message = GS1Message.parse(text) if text else None
    except (ParseError, ValueError) as error:
        raise _unreadable_elements(text, str(error)) from None
    if message is None:
        raise _unreadable_elements(text, "empty")
    found: dict[str, str] = {}
    for element in message.element_strings:
        if found.setdefault(element.ai.ai, element.value) != element.value:
            raise _unreadable_elements(text, f"({element.ai.ai}) stands there twice")
    return found


def _unreadable_elements(text: str, why: str) -> Refused:
    return Refused(
        "bad_value",
        f"This is no GS1 element string: {why.splitlines()[0] if why else 'empty'}",
        expected="application identifiers with values, GS after variable ones",
        came=to_file(text),
        remedy="Scan again; a lost separator or a wrong reader setting looks like this.",
    )


def parse_elements(text: ElementString, *, this_year: int) -> LabelCode:
    """An element string as the four facts of a label.

    Refuses `bad_value` if one of the four is missing or malformed and `bad_gtin` for a
    wrong check digit. Further elements are allowed and left out.
    """
    found = elements(text)
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
    """What a reader sent for a GS1 DataMatrix, as the four facts.

    Refuses `bad_value` if the symbology identifier is not `]d2`.
    """
    if not text.startswith(DATAMATRIX_ID):
        raise Refused(
            "bad_value",
            "This does not come from a GS1 DataMatrix.",
            expected=f"symbology identifier {DATAMATRIX_ID}",
            came=to_file(text[:3]),
            remedy="Let the reader send symbology identifiers, and scan the label's own code.",
        )
    return parse_elements(ElementString(text[len(DATAMATRIX_ID) :]), this_year=this_year)


_BRACKET = re.compile(r"\(([0-9]{2,4})\)((?:\\\(|[^(])*)")


def parse_bracketed(text: str, *, this_year: int) -> LabelCode:
    """The reverse of `bracketed`, in any element order."""
    pieces = _BRACKET.findall(text)
    rebuilt = "".join(f"({ai}){value}" for ai, value in pieces)
    if not pieces or rebuilt != text:
        raise Refused(
            "bad_value",
            "This is no bracketed element string.",
            expected=r"(01)...(21)...; a bracket within a value written \(",
            came=text,
            remedy="Write each identifier in brackets.",
        )
    plain = [(ai, value.replace("\\(", "(")) for ai, value in pieces]
    joined = "".join(ai + value + ("" if ai in PREDEFINED else GS) for ai, value in plain)
    code = ElementString(joined.removesuffix(GS))
    if list(elements(code).items()) != list(dict.fromkeys(plain)):
        raise _unreadable_elements(text, "a bracketed value is too long or too short")
    return parse_elements(code, this_year=this_year)


READABLE_JOIN = "|"
"""Joins the four lines in a results file's `text` field; outside set 82."""
