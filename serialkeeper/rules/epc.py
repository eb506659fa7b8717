"""EPC identifiers: GS1 keys as pure identity URNs, both ways.

    urn:epc:id:sgtin:PREFIX.ITEM.NUMBER      (01)(21)   one unit
    urn:epc:id:sscc:PREFIX.REFERENCE         (00)       one case or pallet
    urn:epc:id:sgln:PREFIX.PLACE.EXTENSION   (414)(254) one place; extension 0 where there is none
    urn:epc:class:lgtin:PREFIX.ITEM.LOT      (01)(10)   all units of a lot
    urn:epc:idpat:sgtin:PREFIX.ITEM.*        (01)       all units of a product

A URN escapes exactly `" % & / < > ?`, unlike a Digital Link. It carries no check digit, and
shows where the company prefix ends, which the key itself does not tell.

Source: GS1 EPC Tag Data Standard, sections on SGTIN, SSCC, SGLN, LGTIN (numbers from memory).
Check vectors: the tests.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from urllib.parse import unquote

from serialkeeper.errors import Refused
from serialkeeper.rules import identifiers
from serialkeeper.rules.identifiers import Elements, check_text
from serialkeeper.rules.keys import check_digit, check_prefix_length

Scheme = Literal["sgtin", "sscc", "sgln", "lgtin", "sgtin pattern"]

URN_ESCAPES = str.maketrans({sign: f"%{ord(sign):02X}" for sign in '"%&/<>?'})

_URN = re.compile(
    r"urn:epc:(?P<scheme>id:sgtin|id:sscc|id:sgln|class:lgtin|idpat:sgtin)"
    r":(?P<prefix>[0-9]{6,12})\.(?P<rest>[0-9]*)(?:\.(?P<tail>.+))?"
)

_NO_EXTENSION = "0"


@dataclass(frozen=True, slots=True)
class Epc:
    """What a URN says.

    Attributes:
        scheme: which kind.
        elements: the same as GS1 elements, check digits worked out.
        prefix_length: digits of the company prefix.
    """

    scheme: Scheme
    elements: Elements
    prefix_length: int


def escape_serial(serial: str) -> str:
    """A serial, lot or extension as it stands in a URN.

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
    return f"urn:epc:id:sgtin:{_split_item(gtin, prefix_length)}."


def _split_item(gtin: str, prefix_length: int) -> str:
    check_prefix_length(prefix_length)
    return f"{gtin[1 : 1 + prefix_length]}.{gtin[0]}{gtin[1 + prefix_length : 13]}"


def sgtin_urn(gtin: str, prefix_length: int, serial: str) -> str:
    """GTIN and serial as an EPC pure identity URN (the check digit is not carried)."""
    return sgtin_stem(gtin, prefix_length) + escape_serial(serial)


def write(elements: Sequence[tuple[str, str]], prefix_length: int) -> str:
    """What the elements identify, as a URN: the one thing they name most closely.

    Args:
        elements: among them (00), or (414) with or without (254), or (01) with (21), with
            (10), or alone. Others, such as dates, are no part of an identity and are left out.
        prefix_length: digits of the GS1 company prefix, 6 to 12.

    Refuses `bad_value`, `bad_gtin`, `bad_key`.

    >>> write([("00", "095212340000000013")], 7)
    'urn:epc:id:sscc:9521234.0000000001'
    """
    check_prefix_length(prefix_length)
    there = dict(elements)
    for ai, value in there.items():
        identifiers.check_form(ai, value)
        if ai in ("00", "01", "414"):
            identifiers.check_meaning(ai, value, this_year=2000)
    if "00" in there:
        key = there["00"]
        return f"urn:epc:id:sscc:{key[1 : 1 + prefix_length]}.{key[0]}{key[1 + prefix_length : 17]}"
    if "01" in there:
        item = _split_item(there["01"], prefix_length)
        if "21" in there:
            return f"urn:epc:id:sgtin:{item}.{escape_serial(there['21'])}"
        if "10" in there:
            return f"urn:epc:class:lgtin:{item}.{escape_serial(there['10'])}"
        return f"urn:epc:idpat:sgtin:{item}.*"
    if "414" in there:
        key, extension = there["414"], there.get("254")
        if extension == _NO_EXTENSION:
            raise _refuse(
                "An extension 0 cannot be told from none.", "(254) other than 0", extension
            )
        tail = escape_serial(extension or _NO_EXTENSION)
        return f"urn:epc:id:sgln:{key[:prefix_length]}.{key[prefix_length:12]}.{tail}"
    raise _refuse(
        "The elements name nothing that has an EPC.",
        "(00), (01) or (414) among them",
        " ".join(f"({ai})" for ai in there) or "nothing",
    )


def read(urn: str) -> Epc:
    """A URN's kind, its elements and the length of the company prefix.

    Refuses `bad_value`: other schemes, wrong digit counts, unescaped or wrongly escaped
    signs, serials, lots and extensions outside set 82 or over 20 characters.

    >>> read("urn:epc:id:sgtin:9521234.054321.A%2F7").elements
    (('01', '09521234543213'), ('21', 'A/7'))
    """
    match = _URN.fullmatch(urn)
    if match is None:
        raise _refuse(
            "This is no EPC URN that is read here.",
            "urn:epc:id:sgtin:, id:sscc:, id:sgln:, class:lgtin: or idpat:sgtin:, then the company "
            "prefix, a dot, and what it numbers",
            urn,
        )
    kind = match["scheme"].partition(":")[2]
    prefix, rest, tail = match["prefix"], match["rest"], match["tail"]
    digits = {"sscc": 17, "sgln": 12}.get(kind, 13)
    if len(prefix) + len(rest) != digits or (tail is None) != (kind == "sscc"):
        raise _refuse(
            f"This {kind.upper()} does not have its parts.",
            f"{digits} digits in prefix and reference, then "
            + ("nothing" if kind == "sscc" else "a dot and the last part"),
            urn,
        )
    length = len(prefix)
    if kind == "sscc":
        return Epc("sscc", (("00", _with_check(rest[0] + prefix + rest[1:])),), length)
    if match["scheme"] == "idpat:sgtin":
        if tail != "*":
            raise _refuse("A pattern ends in an asterisk.", ".*", urn)
        return Epc("sgtin pattern", (("01", _with_check(rest[0] + prefix + rest[1:])),), length)
    value = _unescape(tail, urn)
    if kind == "sgln":
        place = ("414", _with_check(prefix + rest))
        named = () if value == _NO_EXTENSION else (("254", value),)
        return Epc("sgln", (place, *named), length)
    item = ("01", _with_check(rest[0] + prefix + rest[1:]))
    if kind == "lgtin":
        return Epc("lgtin", (item, ("10", value)), length)
    return Epc("sgtin", (item, ("21", value)), length)


def _with_check(body: str) -> str:
    return body + check_digit(body)


def _unescape(tail: str, urn: str) -> str:
    value = unquote(tail, encoding="latin-1")
    if escape_serial(value) != tail:
        raise _refuse(
            "The last part is not escaped as it should be.",
            '" % & / < > ? as %22 %25 %26 %2F %3C %3E %3F, nothing else',
            urn,
        )
    return check_text("last part of the URN", value)


def _refuse(message: str, expected: str, came: str) -> Refused:
    return Refused(
        "bad_value", message, expected=expected, came=came, remedy="Correct the identifier."
    )
