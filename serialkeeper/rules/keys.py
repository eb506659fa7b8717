"""GS1 keys: GTIN, SSCC and GLN, their check digit, and the company prefix inside them.

    GTIN    8, 12, 13 or 14 digits; kept as 14      which trade item
    SSCC    18 digits                               which case or pallet
    GLN     13 digits                               which place or party

Source: GS1 General Specifications, sections 3.2 (SSCC), 3.3 (GTIN), 3.7 (GLN), 7.9 (check
digit); section numbers from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from serialkeeper.errors import Refused

SHORTEST_PREFIX, LONGEST_PREFIX = 6, 12
"""Digits of a GS1 company prefix (GS1 EPC Tag Data Standard, partition tables; from memory)."""

_DIGITS = re.compile(r"[0-9]+")


def check_digit(body: str) -> str:
    """The GS1 check digit for the digits before it.

    Weights 3, 1, 3, ... from the right. Source: GS1 General Specifications 7.9.

    >>> check_digit("629104150021")
    '3'
    """
    if not _DIGITS.fullmatch(body):
        raise Refused(
            "bad_value",
            "A check digit is computed from digits only.",
            expected="digits 0-9",
            came=body,
            remedy="Correct the number.",
        )
    total = 3 * sum(map(int, body[::-2])) + sum(map(int, body[-2::-2]))
    return str(-total % 10)


LENGTHS = (8, 12, 13, 14, 18)
"""Digits of a GTIN, and at last of an SSCC."""


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


def gtin_form(gtin: str) -> str:
    """Which GTIN the 14 digits are when written as short as they can be.

    >>> gtin_form("09521234000006"), gtin_form("00000095212340")
    ('GTIN-13', 'GTIN-8')
    """
    digits = len(gtin.lstrip("0"))
    return f"GTIN-{next(length for length in (8, 12, 13, 14) if digits <= length)}"


def parse_sscc(text: str) -> str:
    """An SSCC, as it stands: 18 digits, the last the check digit. Refuses `bad_key`.

    >>> parse_sscc("095212340000000013")
    '095212340000000013'
    """
    return _parse("SSCC", text, 18, "the case or pallet label")


def parse_gln(text: str) -> str:
    """A GLN, as it stands: 13 digits, the last the check digit. Refuses `bad_key`.

    >>> parse_gln("9521234567899")
    '9521234567899'
    """
    return _parse("GLN", text, 13, "the location's master data")


def _parse(kind: str, text: str, length: int, beside: str) -> str:
    problem = ""
    expected = f"{length} digits with a right check digit"
    if not _DIGITS.fullmatch(text):
        problem = f"The {kind} has to have digits only."
    elif len(text) != length:
        problem = f"The {kind} has {len(text)} digits."
    elif check_digit(text[:-1]) != text[-1]:
        problem = f"The check digit of the {kind} is wrong."
        expected = f"check digit {check_digit(text[:-1])}"
    elif not text.strip("0"):
        problem = f"Zeros only are no {kind}."
    if problem:
        raise Refused(
            "bad_key",
            problem,
            expected=expected,
            came=text,
            remedy=f"Compare the {kind} with {beside}; a digit may be mistyped.",
        )
    return text


def check_prefix_leads(text: str) -> str:
    """The text itself, if a company prefix may lead it: four digits at least. Refuses `bad_key`.

    Source: GS1 Barcode Syntax Dictionary, `gcppos1`.
    """
    if not re.match(r"[0-9]{4}", text):
        raise Refused(
            "bad_key",
            "The key does not begin with a company prefix.",
            expected="at least four digits first",
            came=text,
            remedy="Compare the key with the company's own list.",
        )
    return text


@dataclass(frozen=True, slots=True)
class Prefix:
    """What the published table of prefixes says of a key.

    Attributes:
        area: the numbering organisation or use that the first three digits belong to; empty
            where the table has none. It tells where the number was given out, not where a
            product comes from.
        length: digits of the company prefix, as the table has it for the whole range of
            numbers; None where it does not say.
    """

    area: str
    length: int | None


def likely_prefix(key: str) -> Prefix:
    """What biip's table of company prefix lengths says of a GTIN, SSCC or GLN.

    The table gives one length for a whole range of numbers, so it can make a length
    implausible; it cannot prove one. At least one official example contradicts it (the
    GS1 EPCIS examples use `952005385` where the table says 6 digits). The length that counts
    stands in the company's licence and is kept with the product.

    Args:
        key: a GTIN of 14 digits, an SSCC of 18 or a GLN of 13.

    >>> likely_prefix("09521234543213").length
    7
    """
    from biip.gs1_prefixes import GS1CompanyPrefix, GS1Prefix

    start = key if len(key) == 13 else key[1:]
    area = GS1Prefix.extract(start)
    company = GS1CompanyPrefix.extract(start)
    return Prefix(area.usage if area else "", len(company.value) if company else None)


def check_prefix_length(length: int) -> int:
    """The length itself, if a GS1 company prefix may have it. Refuses `bad_value`."""
    if not SHORTEST_PREFIX <= length <= LONGEST_PREFIX:
        raise Refused(
            "bad_value",
            "A GS1 company prefix has 6 to 12 digits.",
            expected="6 to 12",
            came=str(length),
            remedy="Take the length from the company's GS1 licence.",
        )
    return length
