"""Camera profiles: how the results of a device become rows of the default columns.

A profile is a small TOML text. It says where each field of a reading stands and how codes,
times, grades and verdicts are written; `rules.translation` does what it says. What a profile
does not map is "not given": never a finding.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import moments
from serialkeeper.rules.fields import COLUMNS
from serialkeeper.rules.gs1 import DATAMATRIX_ID, FILE_GS, READABLE_JOIN
from serialkeeper.rules.sections import Section

DEFAULT = "default"
"""The name of our own results file, for which no profile is kept."""

LONGEST = 65_536
"""Characters of a profile's text."""

FORMATS = ("csv", "json-lines", "xml")
ENCODINGS = ("utf-8", "utf-8-bom", "latin-1", "utf-16")
LINE_ENDS = ("lf", "crlf")
IDENTIFIERS = ("text", "none", "field")
GRADE_FORMS = ("any", "number", "letter", "full")
FURTHER = ("roll",)
"""Columns that are made only if they are mapped."""

MAPPED = (*COLUMNS, "identifier", *FURTHER)
"""Every field that a profile may map; `identifier` ends up in front of the code."""

Source = str | int
"""Where a field stands: a column's name or number, or a path."""

_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,39}", re.ASCII)
_IDENTIFIER = re.compile(r"\][A-Za-z][0-9A-Za-z]", re.ASCII)
_STEP = r"[A-Za-z_][\w.-]*"
_ELEMENTS = re.compile(rf"{_STEP}(/{_STEP})*")
_PATH = re.compile(rf"@{_STEP}|{_STEP}(/{_STEP})*(/@{_STEP})?")
_ZONE = re.compile(r"[A-Za-z][\w+/-]*", re.ASCII)


@dataclass(frozen=True)
class Sheet:
    """How a CSV file is laid out: `skip` lines, then perhaps a header, then rows."""

    delimiter: str = ","
    quote: str = '"'
    header: bool = True
    skip: int = 0


@dataclass(frozen=True)
class Codes:
    """How scanned texts are written.

    Attributes:
        separator: what stands for the separator (ASCII 29).
        fnc1: what stands for the first FNC1, or nothing if the device does not tell it.
        identifier: the symbology identifier stands in the `text`, in a `field`, or nowhere.
        identifiers: words of that field and the identifiers they mean.
        unread: texts that stand for a code that was not read.
    """

    separator: str = FILE_GS
    fnc1: str = ""
    identifier: str = "text"
    identifiers: Mapping[str, str] = field(default_factory=dict)
    unread: tuple[str, ...] = ()


@dataclass(frozen=True)
class Times:
    """How times are written: `rfc3339`, `epoch-seconds`, `epoch-milliseconds` or a pattern."""

    format: str = "rfc3339"
    zone: str = ""


@dataclass(frozen=True)
class Verdicts:
    """The device's words for its own verdict."""

    good: tuple[str, ...] = ("pass",)
    bad: tuple[str, ...] = ("fail",)
    not_given: tuple[str, ...] = ()


@dataclass(frozen=True)
class Grades:
    """How grades are written."""

    form: str = "any"
    decimal: str = "."
    not_given: tuple[str, ...] = ()


@dataclass(frozen=True)
class Profile:
    """How one kind of device tells its results.

    Attributes:
        format, encoding, line_end: of the file.
        record: XML: the elements from the root to one reading, with slashes.
        fields: where each field stands; only `at` may have two places (date and time).
        optional: mapped fields that a reading may leave out altogether (not in CSV).
        sheet, codes, times, verdicts, grades: how things are written.
        text_separator: what stands between the human-readable lines.
        lane: the lane that the device watches, 0 if it tells lanes itself or knows none.
    """

    format: str
    fields: Mapping[str, tuple[Source, ...]]
    encoding: str = "utf-8"
    line_end: str = "lf"
    record: str = ""
    optional: tuple[str, ...] = ()
    sheet: Sheet = Sheet()
    codes: Codes = Codes()
    times: Times = Times()
    verdicts: Verdicts = Verdicts()
    grades: Grades = Grades()
    text_separator: str = READABLE_JOIN
    lane: int = 0

    @property
    def unit(self) -> str:
        """What a reading is called when one is refused: XML knows no lines."""
        return "record" if self.format == "xml" else "line"


def check_name(name: str) -> str:
    """A name that a profile may be kept under. Refuses `profile_invalid`."""
    if not _NAME.fullmatch(name) or name.endswith(".toml"):
        raise Refused(
            "profile_invalid",
            "That is no name for a profile.",
            where="the profile's name",
            expected="1 to 40 small letters, digits, '.', '_' or '-', not ending in .toml",
            came=name[:80],
            remedy="Choose another name.",
        )
    return name


def parse(text: str, where: str = "profile") -> Profile:
    """The profile that a TOML text describes.

    Unknown keys, missing keys and settings that contradict each other are refused.

    Args:
        text: TOML.
        where: the file or name, for refusals.

    Refuses `profile_invalid`.
    """
    try:
        if len(text) > LONGEST:
            raise tomllib.TOMLDecodeError(f"longer than {LONGEST:,} characters")
        found = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise Refused(
            "profile_invalid",
            f"The profile is no TOML: {error}.",
            where=where,
            expected="TOML (toml.io, version 1.0)",
            came=text[:80] or "nothing",
            remedy="Correct the profile; `serialkeeper guide files` shows one.",
        ) from None
    top = Section(found, "", where)
    form = top.choice("format", FORMATS)
    encoding = top.choice("encoding", ENCODINGS, "utf-8")
    line_end = "lf" if form == "xml" else top.choice("line_end", LINE_ENDS, "lf")
    optional = () if form == "csv" else top.words("optional", ())
    sheet = _sheet(top.section("csv")) if form == "csv" else Sheet()
    record = _record(top.section("xml")) if form == "xml" else ""
    places = _fields(top.section("fields"), form, sheet)
    for name in optional:
        if name not in places:
            raise top.refuse("optional", "fields that [fields] maps", name)
    profile = Profile(
        format=form,
        fields=places,
        encoding=encoding,
        line_end=line_end,
        record=record,
        optional=optional,
        sheet=sheet,
        codes=_codes(top.section("code"), places),
        times=_times(top.section("time"), places),
        verdicts=_verdicts(top.section("verdict"), places),
        grades=_grades(top.section("grade"), places),
        text_separator=_text_separator(top.section("text"), places),
        lane=_lane(top.section("constant"), places),
    )
    top.done(known=("format", "encoding", "line_end (not xml)", "optional (not csv)", *_TABLES))
    return profile


_TABLES = ("[csv]", "[xml]", "[fields]", "[code]", "[time]", "[verdict]", "[grade]", "[text]")


def _sheet(found: Section) -> Sheet:
    delimiter = found.text("delimiter", ",")
    if len(delimiter) != 1 or not (delimiter == "\t" or 33 <= ord(delimiter) <= 126):
        raise found.refuse("delimiter", "one ASCII sign or a tab", delimiter)
    if delimiter.isalnum() or delimiter == '"':
        raise found.refuse("delimiter", "a sign that no field needs", delimiter)
    sheet = Sheet(
        delimiter,
        found.choice("quote", ('"', ""), '"'),
        found.flag("header", True),
        found.whole("skip", 0, 100),
    )
    found.done(("delimiter", "quote", "header", "skip"))
    return sheet


def _record(found: Section) -> str:
    record = found.text("record")
    if not _ELEMENTS.fullmatch(record) or record.count("/") not in range(1, 9):
        raise found.refuse("record", "elements from the root such as run/readings/reading", record)
    found.done(("record",))
    return record


def _fields(found: Section, form: str, sheet: Sheet) -> dict[str, tuple[Source, ...]]:
    places: dict[str, tuple[Source, ...]] = {}
    for name, value in found.rest().items():
        if name not in MAPPED:
            raise found.refuse(name, ", ".join(MAPPED), value)
        several = value if isinstance(value, list) else [value]
        if len(several) not in (1, 2) or (len(several) == 2 and name != "at"):
            raise found.refuse(name, "one place; only 'at' may have two, date and time", value)
        for source in several:
            _check_source(found, name, source, form, sheet)
        places[name] = tuple(several)
    if "seen" not in places:
        raise found.refuse("seen", "where the code's text stands", None)
    return {name: places[name] for name in MAPPED if name in places}


def _check_source(found: Section, name: str, source: Any, form: str, sheet: Sheet) -> None:
    fits, expected = False, "a column's number from 1, as there is no header"
    if form == "csv" and sheet.header:
        expected = "a column's name, or its number from 1"
        fits = isinstance(source, str) and 0 < len(source) <= 120
    if form == "csv":
        number = isinstance(source, int) and not isinstance(source, bool)
        fits = fits or (number and 1 <= source <= 500)
    elif form == "json-lines":
        expected = "the keys down to the value, with dots: code.text"
        fits = isinstance(source, str) and len(source) <= 200 and all(source.split("."))
    else:
        expected = "elements below the record and perhaps an attribute: code/text or code/@grade"
        fits = isinstance(source, str) and bool(_PATH.fullmatch(source))
    if not fits:
        raise found.refuse(name, expected, source)


def _idle(found: Section, needed: str, places: Mapping[str, Any]) -> bool:
    """Whether a table has nothing to say because its field is not mapped."""
    if needed in places:
        return False
    for key, value in found.rest().items():
        raise found.refuse(
            key,
            f"'{needed}' in [fields]",
            value,
            f"Map '{needed}', or remove [{found.name}]; what is not mapped is not given.",
        )
    return True


def _codes(found: Section, places: Mapping[str, Any]) -> Codes:
    identifier = found.choice("identifier", IDENTIFIERS, "text")
    fnc1 = found.text("fnc1", "")
    table = found.section("identifiers")
    words = table.rest()
    if (identifier == "field") != ("identifier" in places):
        raise found.refuse(
            "identifier",
            "'field' and an 'identifier' in [fields], or neither",
            identifier,
            "Map the field that names the symbology, or say 'text' or 'none'.",
        )
    if (identifier == "field") != bool(words):
        raise found.refuse(
            "identifiers", "words and what they mean, with identifier 'field'", words or None
        )
    if fnc1 and identifier == "text":
        raise found.refuse(
            "fnc1",
            "nothing: a text with its symbology identifier carries no sign for the first FNC1",
            fnc1,
            "Remove 'fnc1', or set identifier = \"none\".",
        )
    for word, meaning in words.items():
        if not isinstance(meaning, str) or not _IDENTIFIER.fullmatch(meaning):
            raise table.refuse(word, f"a symbology identifier such as {DATAMATRIX_ID}", meaning)
    codes = Codes(
        found.filled("separator", FILE_GS), fnc1, identifier, words, found.words("unread", ())
    )
    found.done(item.name for item in fields(Codes))
    return codes


def _times(found: Section, places: Mapping[str, Any]) -> Times:
    if _idle(found, "at", places):
        return Times()
    form = found.text("format", "rfc3339")
    zone = found.text("zone", "")
    local = form not in moments.FIXED
    if local:
        problem = moments.problem(form)
        if problem:
            raise found.refuse("format", problem, form)
    needs = local and not moments.names_offset(form)
    if needs != bool(zone):
        expected = "an IANA zone such as Europe/Berlin" if needs else "none: the times tell it"
        raise found.refuse("zone", expected, zone or None)
    if zone and not (_ZONE.fullmatch(zone) and moments.is_zone(zone)):
        raise found.refuse("zone", "an IANA zone such as Europe/Berlin", zone)
    found.done(("format", "zone"))
    return Times(form, zone)


def _verdicts(found: Section, places: Mapping[str, Any]) -> Verdicts:
    if _idle(found, "verdict", places):
        return Verdicts()
    made = Verdicts(
        found.words("pass", ("pass",)), found.words("fail", ("fail",)), found.words("not_given", ())
    )
    words = [*made.good, *made.bad, *made.not_given]
    double = sorted({word for word in words if words.count(word) > 1})
    if double:
        raise found.refuse("pass", "each word with one meaning", double[0])
    if not made.good and not made.bad:
        raise found.refuse("pass", "at least one word", [])
    found.done(("pass", "fail", "not_given"))
    return made


def _grades(found: Section, places: Mapping[str, Any]) -> Grades:
    if _idle(found, "grade", places):
        return Grades()
    made = Grades(
        found.choice("form", GRADE_FORMS, "any"),
        found.choice("decimal", (".", ","), "."),
        found.words("not_given", ()),
    )
    if made.form == "letter" and made.decimal == ",":
        raise found.refuse("decimal", "nothing, as letters have no decimals", made.decimal)
    found.done(("form", "decimal", "not_given"))
    return made


def _text_separator(found: Section, places: Mapping[str, Any]) -> str:
    if _idle(found, "text", places):
        return READABLE_JOIN
    made = found.filled("separator", READABLE_JOIN)
    found.done(("separator",))
    return made


def _lane(found: Section, places: Mapping[str, Any]) -> int:
    there = "lane" in found
    lane = found.whole("lane", 0, 1000)
    if there and (not lane or "lane" in places):
        raise found.refuse(
            "lane",
            "a lane from 1, and no 'lane' in [fields]",
            lane,
            "Say where the lane stands, or which one it always is, not both.",
        )
    found.done(("lane",))
    return lane


def choose(name: str, kept: Mapping[str, str], shipped: Mapping[str, str]) -> str:
    """The text of the profile of that name: the kept one, else the one that comes with us.

    Args:
        name: as asked for.
        kept: what the record holds.
        shipped: the example profiles.

    Refuses `profile_unknown`.
    """
    text = kept.get(name, shipped.get(name))
    if text is None:
        raise Refused(
            "profile_unknown",
            "There is no camera profile of that name.",
            expected=", ".join(dict.fromkeys([DEFAULT, *kept, *shipped])),
            came=name,
            remedy="Look at the profiles (inspect profile), or keep one: inspect profile SAMPLE "
            "--profile FILE.toml --keep NAME.",
        )
    return text
