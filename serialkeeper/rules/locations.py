"""Locations: a GLN, if need be with an extension for a part of the site, as keys and as EPC URNs.

Sources: GS1 General Specifications, identifiers (414) GLN, (254) extension (from memory); GS1 EPC
Tag Data Standard, SGLN. Check vectors: the tests.
"""

from __future__ import annotations

import re

from serialkeeper.errors import Refused
from serialkeeper.rules import epc, keys
from serialkeeper.rules.gs1 import SET_82
from serialkeeper.rules.moments import is_zone

WHOLE_SITE = "0"
"""The extension of a GLN without one, as a URN writes it."""


def parse_gln(text: str) -> str:
    """A GLN of 13 digits. Refuses `bad_key`, and `bad_value` for one that lost leading zeros.

    >>> parse_gln("9521234000020")
    '9521234000020'
    """
    if text.isdigit() and len(text) < 13:
        raise Refused(
            "bad_value",
            "This is no GLN.",
            where="GLN",
            expected="13 digits, leading zeros too",
            came=text,
            remedy="A spreadsheet may have taken leading zeros away: write all 13 digits.",
        )
    return keys.parse_gln(text)


def check_extension(text: str) -> str:
    """The extension for a part of a site, empty for none. Refuses `bad_value`."""
    if len(text) <= 20 and set(text) <= SET_82 and text != WHOLE_SITE:
        return text
    raise Refused(
        "bad_value",
        "This is no extension of a GLN.",
        where="extension",
        expected="up to 20 characters of GS1 set 82, not 0 alone (the whole site has none)",
        came=text,
        remedy="Correct it, or leave it out.",
    )


def check_zone(text: str) -> str:
    """The name of a time zone. Refuses `bad_value`."""
    if re.fullmatch(r"[A-Za-z0-9_+\-/]{1,60}", text) and is_zone(text):
        return text
    raise Refused(
        "bad_value",
        "The time zone is not known.",
        where="zone",
        expected="a name of the IANA time zone database such as Europe/Berlin or UTC",
        came=text,
        remedy="Correct it; abbreviations such as CET say too little.",
    )


def zone_of(place: str) -> str:
    """The time zone in a lot's place as the lot keeps it; empty where it keeps none, as lots that
    were opened without a place do, or by an earlier version."""
    return "".join(place.split(" ")[3:])


def sgln_urn(gln: str, prefix_length: int, extension: str) -> str:
    """GLN and extension as an EPC pure identity URN.

    Args:
        prefix_length: digits of the GS1 company prefix, 6 to 12.

    >>> sgln_urn("9521234000020", 7, "")
    'urn:epc:id:sgln:9521234.00002.0'
    """
    elements = [("414", gln), *([("254", extension)] if extension else [])]
    return epc.write(elements, prefix_length)


def name_of(gln: str, extension: str) -> str:
    """How people name a location: GLN, or GLN/EXTENSION."""
    return f"{gln}/{extension}" if extension else gln
