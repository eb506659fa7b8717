"""EPC identifiers of serialised units: pure identity URNs and canonical Digital Link URIs.

Two different escapings are needed: the URN escapes exactly `" % & / < > ?`, a Digital
Link path escapes everything but letters, digits and `- . _ ~`.

Source: GS1 EPC Tag Data Standard, SGTIN (section numbers from memory); GS1 Digital Link
URI syntax. Check vectors: the tests.
"""

from __future__ import annotations

import re
from urllib.parse import quote, unquote

from serialkeeper.errors import Refused
from serialkeeper.rules.gs1 import check_digit, check_text

URN_ESCAPES = str.maketrans({sign: f"%{ord(sign):02X}" for sign in '"%&/<>?'})

CANONICAL_HOST = "https://id.gs1.org"

_SGTIN = re.compile(r"urn:epc:id:sgtin:([0-9]{6,12})\.([0-9]{1,7})\.(.+)")


def escape_serial(serial: str) -> str:
    """A serial as it stands in a URN.

    >>> escape_serial("A/7")
    'A%2F7'
    """
    return serial.translate(URN_ESCAPES)


def sgtin_stem(gtin: str, prefix_length: int) -> str:
    """All of an SGTIN URN but the serial, ending in a dot.

    Args:
        gtin: 14 digits.
        prefix_length: digits of the GS1 company prefix, 6 to 12. It cannot be told from
            the GTIN; it comes from the product's master data.

    >>> sgtin_stem("09521234543213", 7)
    'urn:epc:id:sgtin:9521234.054321.'
    """
    if not 6 <= prefix_length <= 12:
        raise Refused(
            "bad_value",
            "A GS1 company prefix has 6 to 12 digits.",
            expected="6 to 12",
            came=str(prefix_length),
            remedy="Take the length from the company's GS1 licence.",
        )
    prefix = gtin[1 : 1 + prefix_length]
    return f"urn:epc:id:sgtin:{prefix}.{gtin[0]}{gtin[1 + prefix_length : 13]}."


def sgtin_urn(gtin: str, prefix_length: int, serial: str) -> str:
    """GTIN and serial as an EPC pure identity URN (the check digit is not carried)."""
    return sgtin_stem(gtin, prefix_length) + escape_serial(serial)


def parse_sgtin(urn: str) -> tuple[str, str, int]:
    """GTIN (14 digits), serial and company prefix length of an SGTIN URN.

    Refuses `bad_value`: other schemes, wrong digit counts, unescaped or wrongly escaped
    signs, serials outside set 82 or over 20 characters.
    """
    match = _SGTIN.fullmatch(urn)
    if match and len(match[1]) + len(match[2]) == 13:
        prefix, item, escaped = match.groups()
        serial = unquote(escaped, encoding="latin-1")
        if escape_serial(serial) == escaped:
            check_text("serial", serial)
            body = item[0] + prefix + item[1:]
            return body + check_digit(body), serial, len(prefix)
    raise Refused(
        "bad_value",
        "This is no SGTIN URN.",
        expected="urn:epc:id:sgtin:PREFIX.ITEM.SERIAL, 13 digits in all before the serial",
        came=urn,
        remedy="Correct the identifier.",
    )


def digital_link_stem(gtin: str) -> str:
    """All of a canonical Digital Link URI but the serial."""
    return f"{CANONICAL_HOST}/01/{gtin}/21/"


def digital_link(gtin: str, serial: str) -> str:
    """GTIN and serial as a canonical GS1 Digital Link URI.

    >>> digital_link("09521234543213", "A/7")
    'https://id.gs1.org/01/09521234543213/21/A%2F7'
    """
    return digital_link_stem(gtin) + quote(serial, safe="-._~")
