"""What a scanned text is, part by part, and what is wrong with it.

Scanners send the same code in many ways: with or without a symbology identifier, the separator
as a byte, in words, or as another sign; people type it in brackets; a code may be a web address
or a URN, or just a key or a number. `read` takes all of them and says how it took them. It never
mends anything: what a spoilt text may have been is `rules.garbled`.

Source: GS1 General Specifications 7.8 and ISO/IEC 15424 (symbology identifiers), from memory;
how scanners and keyboards spell separators is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

from serialkeeper.errors import Refused
from serialkeeper.rules import dates, digital_link, epc, gs1, identifiers, keys
from serialkeeper.rules.gs1 import GS
from serialkeeper.rules.identifiers import Elements

Form = Literal[
    "element string",
    "bracketed",
    "Digital Link",
    "EPC URN",
    "GTIN",
    "SSCC",
    "number",
    "unknown",
]

CARRIERS = {
    "]d2": "GS1 DataMatrix",
    "]Q3": "GS1 QR Code",
    "]C1": "GS1-128",
    "]e0": "GS1 DataBar",
    "]J1": "GS1 DotCode",
    "]d1": "Data Matrix that is no GS1 symbol: FNC1 does not lead it",
    "]Q1": "QR Code that is no GS1 symbol",
    "]C0": "Code 128 that is no GS1 symbol",
    "]E0": "EAN-13 or UPC",
    "]E4": "EAN-8",
    "]I1": "Interleaved 2 of 5 with a check digit",
}
"""Symbology identifiers that are met, and what they say of the symbol."""

LED_BY_FNC1 = ("]d2", "]Q3", "]C1", "]e0", "]J1")
"""Those of symbols that hold element strings."""

KEYS_ONLY = {"]E0": 13, "]E4": 8}
"""Symbols that hold a GTIN of that many digits and nothing else."""

SPELLINGS = ("{GS}", "␝", "\\x1d", "\\x1D", "\\u001d", "\\u001D", "^]", "^", "<GS>")
"""Ways to write the separator with signs that can be typed; the first that occurs is taken."""

IN_SET_82 = "<GS>"
"""The one spelling that a value may hold itself."""

LONGEST_NUMBER = 20


@dataclass(frozen=True, slots=True)
class Reading:
    """A scanned text, understood as far as it goes.

    Attributes:
        text: as it came, line ends left out.
        form: what kind of text it is.
        symbology: the symbology identifier that came with it; empty if none did.
        separator: how separators were written; empty if there is none.
        elements: its parts in order; keys that stand alone have their identifier.
        number: a bare number; empty if it is none.
        prefix_length: digits of the company prefix, where the text shows them.
        faults: what is wrong, each with place, expectation and remedy.
        doubts: what can be read in two ways.
        notes: what was read over.
    """

    text: str
    form: Form
    symbology: str = ""
    separator: str = ""
    elements: Elements = ()
    number: str = ""
    prefix_length: int | None = None
    faults: tuple[Refused, ...] = ()
    doubts: tuple[Refused, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def well_formed(self) -> bool:
        """Whether nothing is wrong with the text itself."""
        return not self.faults

    @property
    def is_code(self) -> bool:
        """Whether it is more than a key or a number: something that a symbol or file holds."""
        return self.form in ("element string", "bracketed", "Digital Link", "EPC URN")


@dataclass(slots=True)
class _Found:
    """What is being gathered while a text is read."""

    faults: list[Refused] = field(default_factory=list)
    doubts: list[Refused] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def read(text: str, *, this_year: int) -> Reading:
    """Understand a text as it was scanned or typed.

    Args:
        text: anything.
        this_year: for the century of dates.

    >>> read("010952123454321321A7^17280630", this_year=2026).elements
    (('01', '09521234543213'), ('21', 'A7'), ('17', '280630'))
    """
    found = _Found()
    whole = text.strip("\r\n\t ")
    if whole != text:
        found.notes.append("line ends and spaces around the text are left out")
    match = re.match(r"\][A-Za-z][0-9]", whole)
    symbology = match[0] if match else ""
    body = whole[len(symbology) :]
    if symbology and symbology not in CARRIERS:
        found.faults.append(
            _fault(
                "scan_symbology",
                "The symbology identifier is not one that is met on labels.",
                "symbology identifier",
                ", ".join(CARRIERS),
                symbology,
                "Look at the scanner's settings; with caps lock on, ]d2 arrives as ]D2.",
            )
        )
    return _body(whole, symbology, body, found, this_year)


def _body(whole: str, symbology: str, body: str, found: _Found, this_year: int) -> Reading:
    separator = _separator_of(body)
    plain = body.replace(separator, GS) if separator not in ("", "GS") else body
    form: Form = "unknown"
    elements: Elements = ()
    number, prefix_length = "", None
    if not body:
        found.faults.append(
            _fault("bad_value", "There is no text.", "", "a code", "nothing", "Scan again.")
        )
    elif symbology in KEYS_ONLY:
        form = "GTIN"
        elements = _tried(lambda: _only_key(body, symbology), found)
    elif digital_link.is_link(body):
        form, separator = "Digital Link", ""
        elements = _tried(lambda: digital_link.read(body), found)
    elif body[:4].lower() == "urn:":
        form, separator = "EPC URN", ""
        said = _try_epc(body, found)
        if said:
            elements, prefix_length = said.elements, said.prefix_length
    elif re.match(r"\([0-9]{2,4}\)", body):
        form, separator = "bracketed", ""
        elements = _tried(lambda: gs1.read_bracketed(body), found)
    elif _is_elements(plain, symbology, sure=separator != IN_SET_82):
        form = "element string"
        elements = _elements(plain, found)
        if separator == IN_SET_82:
            _doubt_spelling(found)
        _check_carrier(symbology, found)
    else:
        separator = ""
        form, elements, number = _alone(body, found)
    if elements:
        found.faults += gs1.faults(elements, this_year=this_year)
        found.doubts += _joined(elements, this_year)
    return Reading(
        whole,
        form,
        symbology,
        separator,
        elements,
        number,
        prefix_length,
        tuple(found.faults),
        tuple(found.doubts),
        tuple(found.notes),
    )


def _separator_of(body: str) -> str:
    """How separators are spelt: `GS` is the byte itself."""
    if GS in body:
        return "GS"
    return next((spelling for spelling in SPELLINGS if spelling in body), "")


def as_evidence(text: str) -> str:
    """A text with its separators as bytes, line ends left out, where that is beyond doubt.

    Separators are the byte 29, or `{GS}` and its picture as the text of our own files: a program
    that hands over a reader's text has to write braces of the symbol itself in hexadecimal, as
    `gs1.reader_text` does. Words such as `<GS>` and carets can be a misprinted symbol's own signs,
    so they stay as they are, and a missing symbology identifier stays missing. A text that holds
    byte 29 and `{GS}` both is left as it is, since its braces are the symbol's.

    >>> as_evidence("]d2010952123454321321A7{GS}1728063010L1").count(GS)
    1
    """
    plain = text.strip("\r\n\t ")
    return plain if GS in plain else plain.replace("{GS}", GS).replace("␝", GS)


def without_separators(text: str) -> str:
    """The text without any separator, however it is spelt, and without symbology identifier."""
    body = re.sub(r"^\][A-Za-z][0-9]", "", text.strip("\r\n\t "))
    separator = _separator_of(body)
    return body.replace(GS if separator == "GS" else separator, "") if separator else body


def _is_elements(plain: str, symbology: str, *, sure: bool) -> bool:
    """Whether a text is meant as element string: by its symbol, its separators or its key.

    Separators are a `sure` sign unless they are spelt in signs that a number may have.
    """
    if symbology in LED_BY_FNC1 or re.match(r"0[012][0-9]{14}", plain):
        return True
    if sure and GS in plain and len(plain) > 1:
        return True
    return (GS in plain or len(plain) > LONGEST_NUMBER) and _reads(plain)


def _reads(plain: str) -> bool:
    try:
        return bool(gs1.read_elements(gs1.ElementString(plain)))
    except Refused:
        return False


def _elements(plain: str, found: _Found) -> Elements:
    """The elements as far as they can be told, every fault of form noted."""
    if plain.startswith(GS):
        plain = plain[1:]
        found.notes.append("a separator before the first element, as some scanners send FNC1")
    parts: list[tuple[str, str]] = []
    _tried(lambda: tuple(_collect(plain, parts)), found)
    there = []
    for ai, value in parts:
        try:
            identifiers.check_form(ai, value)
            there.append((ai, value))
        except Refused as refusal:
            found.faults.append(refusal)
    if not parts and not found.faults:
        found.faults.append(
            _fault(
                "bad_value", "There is no element.", "", "(01) and others", "none", "Scan again."
            )
        )
    return tuple(there)


def _collect(plain: str, parts: list[tuple[str, str]]) -> Iterator[tuple[str, str]]:
    for pair in gs1.walk(plain):
        parts.append(pair)
        yield pair


def _only_key(body: str, symbology: str) -> Elements:
    if len(body) != KEYS_ONLY[symbology]:
        raise _fault(
            "bad_gtin",
            f"This symbol holds {KEYS_ONLY[symbology]} digits.",
            "after the symbology identifier",
            f"{KEYS_ONLY[symbology]} digits",
            body,
            "Scan again; the scanner may cut off the check digit, or add signs of its own.",
        )
    return (("01", keys.parse_gtin(body)),)


def _alone(body: str, found: _Found) -> tuple[Form, Elements, str]:
    """A key or a number without any identifier."""
    digits = body.isascii() and body.isdigit()
    if digits and len(body) in keys.LENGTHS:
        right = keys.check_digit(body[:-1]) == body[-1] and body.strip("0")
        if right and len(body) == 18:
            return "SSCC", (("00", body),), ""
        if right:
            return "GTIN", (("01", body.zfill(14)),), ""
        found.notes.append(
            f"{len(body)} digits whose last is no check digit: no "
            f"{'SSCC' if len(body) == 18 else 'GTIN'}, so it is read as a number"
        )
    try:
        return "number", (), identifiers.check_text("number", body, longest=LONGEST_NUMBER)
    except Refused as refusal:
        found.faults.append(
            _fault(
                "bad_value",
                f"This is no code and no key; as a number it fails, too: {refusal.message}",
                refusal.where,
                "an element string, with or without symbology identifier; brackets; a Digital "
                "Link; an EPC URN; an SSCC; a GTIN; or a number of up to 20 characters",
                gs1.to_file(body),
                "Scan again; look at the scanner's keyboard layout and at caps lock.",
            )
        )
    return "unknown", (), ""


def _check_carrier(symbology: str, found: _Found) -> None:
    if symbology in CARRIERS and symbology not in LED_BY_FNC1:
        found.faults.append(
            _fault(
                "scan_symbology",
                f"An element string does not belong into this symbol: {CARRIERS[symbology]}.",
                "symbology identifier",
                "]d2, a DataMatrix led by FNC1",
                symbology,
                "The label is misprinted, or the scanner rewrites identifiers: take another "
                "scanner.",
            )
        )


def _doubt_spelling(found: _Found) -> None:
    found.doubts.append(
        _fault(
            "scan_doubtful",
            "<GS> was taken as the separator; it could be text of the code itself.",
            "separator",
            "the separator as the byte 29, or as {GS}",
            "<GS>",
            "Set the scanner to send the byte 29; if it stays, <GS> is printed in the symbol as "
            "text, and the label is wrong.",
        )
    )


_TAIL = re.compile(r"(?:11|17)(?P<day>[0-9]{6})(?:10|21|$)")


def _joined(elements: Elements, this_year: int) -> Iterator[Refused]:
    """Values in which a date and a further identifier seem to stand: a lost separator."""
    there = {ai for ai, _ in elements}
    for ai, value in elements:
        one = identifiers.known(ai)
        if one is None or one.predefined or one.holds != "text" or {"17", "10", "21"} <= there:
            continue
        for tail in _TAIL.finditer(value, 1):
            try:
                dates.read_date(tail["day"], this_year=this_year)
            except Refused:
                continue
            yield _fault(
                "scan_doubtful",
                f"({ai}) {one.title} may hold more than one element: a separator may be lost.",
                f"({ai}) {one.title}, character {tail.start() + 1}",
                "the separator (GS, ASCII 29) after each element of variable length",
                value,
                identifiers.JOINED,
            )
            break


def _tried(reader: Any, found: _Found) -> Elements:
    try:
        elements: Elements = reader()
    except Refused as refusal:
        found.faults.append(refusal)
        return ()
    return elements


def _try_epc(body: str, found: _Found) -> epc.Epc | None:
    try:
        return epc.read(body)
    except Refused as refusal:
        found.faults.append(refusal)
        return None


def says(ai: str, value: str, *, this_year: int) -> str:
    """What a part means beyond its value, in plain words; empty where nothing is to be said."""
    one = identifiers.known(ai)
    try:
        meaning = identifiers.check_meaning(ai, value, this_year=this_year)
    except Refused as refusal:
        return f"wrong: {refusal.message}"
    if one is None:
        return ""
    if one.holds == "date":
        said = str(meaning)
        if dates.names_no_day(value):
            said += ", the last of the month: the label names no day"
        return said
    if one.holds == "gtin":
        length = keys.likely_prefix(value).length
        prefix = f"; company prefix likely {length} digits" if length else ""
        return f"{keys.gtin_form(value)}, check digit right{prefix}"
    if one.holds in ("sscc", "gln"):
        return "check digit right"
    return ""


def _fault(word: str, message: str, where: str, expected: str, came: str, remedy: str) -> Refused:
    return Refused(word, message, where=where, expected=expected, came=came, remedy=remedy)
