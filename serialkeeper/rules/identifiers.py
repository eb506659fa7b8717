"""Application identifiers: what each part of a code is, how long, in which signs, beside what.

The table holds the identifiers that medicine labels, cases and pallets carry, with their
rules. Every other identifier is known by its form only, from biip's list.

Source: GS1 General Specifications, sections 3 (identifiers), 4.13 (invalid pairs and mandatory
associations), 7.8.5 (predefined lengths), 7.11 (characters); numbers from memory. The tests
hold the table against the GS1 Barcode Syntax Dictionary, line by line.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Literal

from serialkeeper.errors import Refused
from serialkeeper.rules import dates, keys

SET_82 = frozenset(
    "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
)
"""Characters allowed in alphanumeric element values (GS1 General Specifications 7.11)."""

SET_39 = frozenset("#-/0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")
"""Characters of component and part identifiers (GS1 General Specifications 7.11)."""

DIGITS = frozenset("0123456789")

Holds = Literal["text", "part", "digits", "gtin", "sscc", "gln", "date"]

Elements = tuple[tuple[str, str], ...]
"""A code's parts in order: (application identifier, value)."""

SIGNS_82 = "GS1 character set 82: letters, digits and !\"%&'()*+,-./:;<=>?_"

_SIGNS = {
    DIGITS: "digits 0-9",
    SET_82: SIGNS_82,
    SET_39: "GS1 character set 39: upper-case letters, digits and #-/",
}

_MAY_HOLD: dict[Holds, frozenset[str]] = {"text": SET_82, "part": SET_39}

JOINED = (
    "A lost separator may have joined two elements: scan again, with the scanner set to send "
    "GS (ASCII 29)."
)

_PREDEFINED = re.compile(r"0[0-4]|1[1-9]|20|3[1-6]|41")
"""How identifiers begin after which no separator stands (General Specifications 7.8.5)."""


@dataclass(frozen=True, slots=True)
class Identifier:
    """One application identifier.

    Attributes:
        ai: 2 to 4 digits.
        title: its data title, as printed beside values.
        meaning: what it is, in plain words.
        holds: what kind of value; `part` is text in set 39.
        least, longest: characters of the value.
        needs: alternatives, one of which has to be there; each a set of identifiers that have
            to be there together. Empty where nothing is needed.
        excludes: identifiers that must not stand in the same code.
        form: the value's form, where only that is known (identifiers outside our table).
    """

    ai: str
    title: str
    meaning: str
    holds: Holds
    least: int
    longest: int
    needs: tuple[tuple[str, ...], ...] = ()
    excludes: tuple[str, ...] = ()
    form: re.Pattern[str] | None = None

    @property
    def predefined(self) -> bool:
        """Whether the length is known from the first digits, so that no separator follows."""
        return _PREDEFINED.match(self.ai) is not None

    @property
    def signs(self) -> frozenset[str]:
        """The characters that a value may have."""
        return _MAY_HOLD.get(self.holds, DIGITS)


_ITEM = "01|02|03|8006|8026"
_UNIT = "01|03|8006"


def _row(
    ai: str, title: str, meaning: str, form: str, needs: str = "", excludes: str = ""
) -> Identifier:
    """A line of the table: form `gtin`, `date`, `N..8`, `X..20` or `N2`; needs `00+02|00+8026`."""
    fixed: dict[str, tuple[Holds, int]] = {
        "gtin": ("gtin", 14),
        "sscc": ("sscc", 18),
        "gln": ("gln", 13),
        "date": ("date", 6),
    }
    if form in fixed:
        holds, longest = fixed[form]
        least = longest
    else:
        kinds: dict[str, Holds] = {"N": "digits", "X": "text", "Y": "part"}
        holds = kinds[form[0]]
        longest = int(form.lstrip("NXY."))
        least = 1 if ".." in form else longest
    alternatives = tuple(tuple(one.split("+")) for one in needs.split("|")) if needs else ()
    return Identifier(
        ai, title, meaning, holds, least, longest, alternatives, tuple(excludes.split())
    )


TABLE: dict[str, Identifier] = {
    row.ai: row
    for row in (
        _row("00", "SSCC", "case or pallet", "sscc"),
        _row("01", "GTIN", "product", "gtin", "", "255 37"),
        _row("02", "CONTENT", "product inside", "gtin", "37", "01 03"),
        _row("10", "BATCH/LOT", "lot", "X..20", _ITEM),
        _row("11", "PROD DATE", "date of production", "date", _ITEM),
        _row("12", "DUE DATE", "date for payment", "date", "8020"),
        _row("13", "PACK DATE", "date of packing", "date", _ITEM),
        _row("15", "BEST BEFORE or BEST BY", "best before", "date", _ITEM),
        _row("16", "SELL BY", "sell by", "date", _ITEM),
        _row("17", "USE BY or EXPIRY", "expiry", "date", "01|02|03|255|8006|8026"),
        _row("20", "VARIANT", "variant of the product", "N2", _ITEM),
        _row("21", "SERIAL", "number", "X..20", _UNIT, "235"),
        _row("22", "CPV", "consumer product variant", "X..20", "01"),
        _row("235", "TPX", "number given by others", "X..28", "01"),
        _row("240", "ADDITIONAL ID", "further product identification", "X..30", _ITEM),
        _row("241", "CUST. PART No.", "customer's part number", "X..30", _ITEM),
        _row("242", "MTO VARIANT", "made-to-order variation", "N..6", "01|02|8006|8026"),
        _row("243", "PCN", "packaging component", "X..20", "01|03"),
        _row("250", "SECONDARY SERIAL", "second number", "X..30", "01+21|03+21|8006+21"),
        _row("251", "REF. TO SOURCE", "number of the source", "X..30", _UNIT),
        _row("254", "GLN EXTENSION COMPONENT", "part of a place", "X..20", "414"),
        _row("30", "VAR. COUNT", "count of items", "N..8", "01|02"),
        _row("37", "COUNT", "count of items inside", "N..8", "00+02|00+8026"),
        _row("400", "ORDER NUMBER", "customer's order", "X..30"),
        _row("410", "SHIP TO LOC", "place to ship to", "gln"),
        _row("411", "BILL TO", "party to bill", "gln"),
        _row("412", "PURCHASE FROM", "party bought from", "gln"),
        _row("413", "SHIP FOR LOC", "place to forward to", "gln"),
        _row("414", "LOC No.", "place", "gln"),
        _row("415", "PAY TO", "party to pay", "gln", "8020"),
        _row("416", "PROD/SERV LOC", "place of production", "gln"),
        _row("417", "PARTY", "party", "gln"),
        _row("710", "NHRN PZN", "national number, Germany", "X..20", "01"),
        _row("711", "NHRN CIP", "national number, France", "X..20", "01"),
        _row("712", "NHRN CN", "national number, Spain", "X..20", "01"),
        _row("713", "NHRN DRN", "national number, Brazil", "X..20", "01"),
        _row("714", "NHRN AIM", "national number, Portugal", "X..20", "01"),
        _row("715", "NHRN NDC", "national number, United States", "X..20", "01"),
        _row("716", "NHRN AIC", "national number, Italy", "X..20", "01"),
        _row("717", "NHRN SRN", "national number, Costa Rica", "X..20", "01"),
        _row("8010", "CPID", "component or part", "Y..30"),
        _row("90", "INTERNAL", "agreed between partners", "X..30"),
        *(
            _row(str(ai), "INTERNAL", "company's own, or an authority's", "X..90")
            for ai in range(91, 100)
        ),
    )
}
"""The identifiers whose rules we know; their countries (710 to 717) from memory."""


@cache
def known(ai: str) -> Identifier | None:
    """The identifier of exactly these digits, ours or from biip's list; None if there is none."""
    return TABLE.get(ai) or _from_biip(ai)


def _from_biip(ai: str) -> Identifier | None:
    from biip import ParseError
    from biip.gs1_application_identifiers import GS1ApplicationIdentifier

    try:
        found = GS1ApplicationIdentifier.extract(ai)
    except ParseError:
        return None
    if found.ai != ai:
        return None
    lengths = re.findall(r"[NXYZ](?:\.\.)?([0-9]+)", found.format)[1:]
    longest = sum(int(length) for length in lengths)
    varies = ".." in found.format or "[" in found.format
    form = found.pattern.removeprefix(f"^{ai}").removesuffix("$")
    return Identifier(
        ai,
        found.data_title,
        found.description,
        "text",
        1 if varies else longest,
        longest,
        form=re.compile(form, re.ASCII),
    )


def at(text: str, place: int = 0) -> Identifier | None:
    """The identifier that stands in the text from this place on; None if none does."""
    for length in (2, 3, 4):
        ai = text[place : place + length]
        if len(ai) == length and ai.isascii() and ai.isdigit() and (found := known(ai)):
            return found
    return None


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
                expected=SIGNS_82,
                came=repr(sign),
                remedy=f"Correct the {kind}.",
            )
    return text


def check_form(ai: str, value: str) -> None:
    """Refuses `bad_value` for a value of the wrong length or with signs that it may not have."""
    one = TABLE.get(ai) or _expect(ai)
    if not one.form and one.least <= len(value) <= one.longest and one.signs.issuperset(value):
        return
    name = f"({ai}) {one.title}"
    if not one.least <= len(value) <= one.longest:
        lengths = str(one.longest) if one.least == one.longest else f"{one.least} to {one.longest}"
        joined = len(value) > one.longest and not one.predefined
        raise Refused(
            "bad_value",
            f"{name} has {len(value)} characters.",
            where=name,
            expected=f"{lengths} {'digits' if one.signs is DIGITS else 'characters'}",
            came=value,
            remedy=JOINED if joined else "Scan again, or correct the value.",
        )
    if one.form:
        if not one.form.fullmatch(value):
            raise Refused(
                "bad_value",
                f"{name} does not have its form.",
                where=name,
                expected=f"{one.meaning}: {one.form.pattern}",
                came=value,
                remedy="Scan again, or correct the value.",
            )
        return
    for place, sign in enumerate(value, 1):
        if sign not in one.signs:
            raise Refused(
                "bad_value",
                f"{name} holds a character that it may not hold.",
                where=f"{name}, character {place}",
                expected=_SIGNS[one.signs],
                came=repr(sign),
                remedy="Scan again; the scanner's keyboard layout or separator may be set wrong.",
            )


def check_meaning(ai: str, value: str, *, this_year: int) -> str | date:
    """What the value says: a key with a right check digit, a real day, or the text itself.

    Refuses `bad_gtin`, `bad_key`, `bad_value`, each with the identifier as its place.
    """
    one = _expect(ai)
    try:
        if one.holds == "gtin":
            return keys.parse_gtin(value)
        if one.holds == "sscc":
            return keys.parse_sscc(value)
        if one.holds == "gln":
            return keys.parse_gln(value)
        if one.holds == "date":
            return dates.read_date(value, this_year=this_year)
        if one.holds == "part":
            return keys.check_prefix_leads(value)
    except Refused as refusal:
        refusal.where = f"({ai}) {one.title}"
        raise
    return value


def _expect(ai: str) -> Identifier:
    found = known(ai)
    if found is None:
        raise Refused(
            "bad_value",
            "There is no such application identifier.",
            where=f"({ai})",
            expected="such as 01, 21, 17 or 10",
            came=ai,
            remedy="Scan again; a lost separator or a wrong length before this place looks like "
            "this.",
        )
    return found


def pair_faults(elements: Sequence[tuple[str, str]]) -> Iterator[Refused]:
    """Every rule that the elements break together: missing companions, forbidden pairs.

    An identifier that stands there twice is one of them, unless both values are the same.
    Rules of identifiers outside our table are not known and not judged.
    """
    there: dict[str, str] = {}
    for ai, value in elements:
        if there.setdefault(ai, value) != value:
            yield _pair(f"({ai}) stands there twice with different values.", ai, "once", value)
    for ai in there:
        one = TABLE.get(ai)
        if one is None:
            continue
        for other in one.excludes:
            if other in there:
                yield _pair(
                    f"({ai}) and ({other}) may not stand in one code.", ai, f"no ({other})", other
                )
        if one.needs and not any(set(together) <= set(there) for together in one.needs):
            yield _pair(
                f"({ai}) says nothing on its own.",
                ai,
                "beside it " + " or ".join(_named(together) for together in one.needs),
                _named(there),
            )


def _named(ais: Iterable[str]) -> str:
    return " and ".join(f"({ai})" for ai in ais)


def _pair(message: str, ai: str, expected: str, came: str) -> Refused:
    return Refused(
        "bad_value",
        message,
        where=f"({ai}) {TABLE[ai].title}" if ai in TABLE else f"({ai})",
        expected=expected,
        came=came,
        remedy="Scan the whole code; a part of it may be missing, or another symbol was read too.",
    )
