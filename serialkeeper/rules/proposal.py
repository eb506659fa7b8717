"""A camera profile proposed from a sample: a start for a person, never the last word.

Columns are told apart by what stands in them, and by their names where values alone do not
tell. Whatever was guessed or taken for granted is said in a sentence.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise, product

import polars as pl

from serialkeeper.errors import Refused
from serialkeeper.rules import moments
from serialkeeper.rules.fields import COLUMNS, parse_grade
from serialkeeper.rules.gs1 import FILE_GS, READABLE_JOIN
from serialkeeper.rules.profiles import (
    Codes,
    Grades,
    Profile,
    Sheet,
    Source,
    Times,
    Verdicts,
)

LOOKED_AT = 2_000
"""Readings of a sample that are looked at."""

_SEPARATORS = (
    *(FILE_GS, "<GS>", "\x1d", "[GS]", "\\x1d", "\\u001d", "\\F", "~1", "^]"),
    *("{FNC1}", "<FNC1>", "{F1}", "<F1>", "[FNC1]"),
)
_CODE = re.compile(
    r"(?P<id>\][A-Za-z][0-9A-Za-z])?(?P<mark>(?:[^0-9].{0,7}?)?)01[0-9]{14}", re.ASCII
)
_GRADE = re.compile(r"([0-4][.,][0-9]0*|[A-DF])|([0-4]([.,][0-9])?|[A-DF])(/[0-9A-Za-z]+){2,3}")
_BARE_GRADE = re.compile(r"[0-4]([.,][0-9])?|[A-DF]")
_WHOLE = re.compile(r"[1-9][0-9]{0,8}", re.ASCII)
_GOOD = frozenset(["pass", "passed", "ok", "good", "accept", "accepted", "true", "yes", "p"])
_BAD = frozenset(
    ["fail", "failed", "nok", "nio", "bad", "reject", "rejected", "false", "no", "ng", "f", "error"]
)
_NONE = frozenset(("-", "none", "n/a", "na", "not given", "unknown", "?"))
_DIGITS = {"1": "pass", "0": "fail"}
_JOINS = (READABLE_JOIN, " | ", " / ", "; ", "\n", ";", "/", ", ")

_HINTS = {
    "position": ("position", "label", "index", "counter", "number"),
    "row": ("row",),
    "lane": ("lane", "track"),
    "grade": ("grade", "class", "quality"),
    "verdict": ("verdict", "result", "status", "decision", "ok"),
    "text": ("text", "print", "readable", "plain"),
}

_DATES = ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d-%m-%Y", "%Y%m%d")
_CLOCKS = ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M:%S,%f", "%H%M%S", "%H:%M")
_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d)", re.ASCII)


@dataclass(frozen=True)
class Sample:
    """The first readings of a file, told by where each value stands.

    Attributes:
        where: the file.
        format, encoding, line_end, record, sheet: as in a profile.
        columns: texts by place; as many as there are readings.
        gaps: places that some readings leave out.
    """

    where: str
    format: str
    encoding: str
    line_end: str
    columns: Mapping[Source, Sequence[str]]
    record: str = ""
    sheet: Sheet = field(default_factory=Sheet)
    gaps: frozenset[Source] = frozenset()


@dataclass
class _Draft:
    left: dict[Source, list[str]]
    fields: dict[str, tuple[Source, ...]] = field(default_factory=dict)
    unsure: list[str] = field(default_factory=list)

    def take(self, name: str, *sources: Source) -> list[str]:
        """Give a field its place; gives the values there."""
        self.fields[name] = sources
        return next(self.left.pop(source) for source in sources)

    def named(self, name: str) -> list[Source]:
        """Places that are left, those whose name says so first."""
        hints = _HINTS[name]
        return sorted(
            self.left, key=lambda source: not any(hint in str(source).lower() for hint in hints)
        )

    def hinted(self, name: str, source: Source) -> bool:
        """Whether a place's name speaks for a field."""
        return any(hint in str(source).lower() for hint in _HINTS[name])


@dataclass(frozen=True)
class Proposal:
    """A profile, what has to be checked, and the fields that no place was found for."""

    profile: Profile
    unsure: tuple[str, ...]
    not_given: tuple[str, ...]


def propose(sample: Sample) -> Proposal:
    """A profile for a sample. Refuses `profile_invalid` if no codes are found in it."""
    draft = _Draft({place: list(values[:LOOKED_AT]) for place, values in sample.columns.items()})
    profile = replace(
        Profile(
            sample.format,
            {},
            encoding=sample.encoding,
            line_end=sample.line_end,
            record=sample.record,
            sheet=sample.sheet,
        ),
        codes=_codes(draft, sample),
        times=_times(draft),
        grades=_grades(draft),
        verdicts=_verdicts(draft),
        text_separator=_text(draft),
    )
    _places(draft)
    fields = {name: draft.fields[name] for name in COLUMNS if name in draft.fields}
    optional = tuple(name for name, places in fields.items() if sample.gaps.intersection(places))
    missing = tuple(name for name in COLUMNS if name not in fields)
    return Proposal(
        replace(profile, fields=fields, optional=optional), tuple(draft.unsure), missing
    )


def split(lines: Sequence[str]) -> tuple[Sheet, list[list[str]]]:
    """How lines of a table are separated, and their fields; the header too, if there is one."""
    best, delimiter = (0, 0), ","
    for sign in (";", "\t", ",", "|"):
        counts = Counter(line.count(sign) for line in lines)
        count, often = counts.most_common(1)[0]
        if count and (often, count) > best:
            best, delimiter = (often, count), sign
    rows = [_fields(line, delimiter) for line in lines]
    header = not any(_CODE.match(value) or _WHOLE.fullmatch(value) for value in rows[0])
    header = header and len(set(rows[0])) == len(rows[0]) and all(rows[0])
    return Sheet(delimiter, header=header), rows


def _fields(line: str, delimiter: str) -> list[str]:
    """Fields of a line, quoted ones too, without any check."""
    sign = re.escape(delimiter)
    found = re.findall(rf'(?:^|{sign})("(?:[^"]|"")*"|[^{sign}]*)', line)
    return [
        value[1:-1].replace('""', '"') if len(value) > 1 and value[0] == '"' == value[-1] else value
        for value in found
    ]


def _codes(draft: _Draft, sample: Sample) -> Codes:
    found = {
        source: sum(bool(_CODE.match(value)) for value in values)
        for source, values in draft.left.items()
    }
    if not any(found.values()):
        raise Refused(
            "profile_invalid",
            "No place of the sample holds codes with a GTIN.",
            where=sample.where,
            expected="texts such as ]d20109521234543213...",
            came=", ".join(map(str, found))[:120] or "no readings",
            remedy="Give a longer sample, or write the profile by hand: `serialkeeper guide files` "
            "lists its keys.",
        )
    values = draft.take("seen", max(found, key=lambda source: found[source]))
    codes = [match for value in values if (match := _CODE.match(value))]
    marks = Counter(match["mark"] for match in codes)
    mark = marks.most_common(1)[0][0]
    shown = Counter(sign for sign in _SEPARATORS for match in codes if sign in match.string[1:])
    separator = shown.most_common(1)[0][0] if shown else FILE_GS
    if not shown:
        draft.unsure.append(f"No separator was seen within the codes; {FILE_GS} was put in.")
    unread = tuple(
        sorted({v for v in values if v and not _CODE.match(v) and not re.search("[0-9]", v)})[:20]
    )
    if unread:
        draft.unsure.append(f"Taken for 'not read': {', '.join(map(repr, unread))}.")
    if sum(bool(match["id"]) for match in codes) * 2 > len(codes):
        return Codes(separator, unread=unread)
    draft.unsure.append(
        "The codes carry no symbology identifier; each is taken for a GS1 DataMatrix"
        + (f" if it starts with {mark!r}." if mark else ".")
    )
    return Codes(separator, fnc1=mark, identifier="none", unread=unread)


def _times(draft: _Draft) -> Times:
    for source, values in draft.left.items():
        given = sorted({value for value in values if value})[:300]
        found = _time_formats(given)
        if found:
            draft.take("at", source)
            return _zoned(draft, found)
    for pair in product(draft.left, repeat=2):
        dates = _fitting([f"{value} 00:00" for value in draft.left[pair[0]] if value], " %H:%M")
        clocks = [value for value in draft.left[pair[1]] if value]
        if pair[0] == pair[1] or not dates or not clocks:
            continue
        fits = [
            f"{date} {clock}"
            for date, clock in product(dates, _CLOCKS)
            if _all_fit([f"2026-01-01 {value}" for value in clocks], f"%Y-%m-%d {clock}")
        ]
        if fits:
            draft.take("at", *pair)
            return _zoned(draft, fits)
    return Times()


def _fitting(values: list[str], tail: str) -> list[str]:
    return [date for date in _DATES if _all_fit(values, date + tail)]


def _all_fit(values: list[str], pattern: str) -> bool:
    if not values or not moments.has_shape(values[0], pattern):
        return False
    column = pl.Series(sorted(set(values))[:300], dtype=pl.String)
    return not moments.from_pattern(column, pattern, "UTC")[1].null_count()


def _time_formats(values: list[str]) -> list[str]:
    """Formats that all values have; the simplest first."""
    if not values:
        return []
    if all(_RFC_3339.fullmatch(value) for value in values):
        return ["rfc3339"]
    if all(re.fullmatch(r"(9|1[0-9]|2[0-9])[0-9]{8}(\.[0-9]+)?", value) for value in values):
        return ["epoch-seconds"]
    if all(re.fullmatch(r"(9|1[0-9]|2[0-9])[0-9]{11}", value) for value in values):
        return ["epoch-milliseconds"]
    patterns = (
        date + between + clock + offset
        for date, between, clock, offset in product(
            _DATES, (" ", "T", "_", "-", ""), _CLOCKS, ("", "%z", " %z")
        )
    )
    return [
        pattern
        for pattern in patterns
        if _all_fit(values[:3], pattern) and _all_fit(values, pattern)
    ]


def _zoned(draft: _Draft, formats: list[str]) -> Times:
    form = formats[0]
    if len(formats) > 1:
        draft.unsure.append(f"The times could also be read as {' or '.join(formats[1:4])}.")
    if form in moments.FIXED or moments.names_offset(form):
        return Times(form)
    draft.unsure.append(
        "The times tell no zone; UTC was put in: say which zone the device's clock is set to."
    )
    return Times(form, "UTC")


def _grades(draft: _Draft) -> Grades:
    for source in draft.named("grade"):
        known = _BARE_GRADE if draft.hinted("grade", source) else _GRADE
        values = {value for value in draft.left[source] if value}
        grades = {value for value in values if _GRADE.fullmatch(value) or known.fullmatch(value)}
        rest = values - grades
        if not grades or not all(value.lower() in _NONE for value in rest):
            continue
        draft.take("grade", source)
        comma = any("," in value for value in grades)
        plain = [value.replace(",", ".") for value in grades]
        if any(parse_grade(re.sub(r"(\.\d)0+$", r"\1", value)) is None for value in plain):
            draft.unsure.append("Not every grade is one.")
        return Grades(decimal="," if comma else ".", not_given=tuple(sorted(rest)))
    return Grades()


def _verdicts(draft: _Draft) -> Verdicts:
    for source in draft.named("verdict"):
        values = sorted({value for value in draft.left[source] if value})
        if not 0 < len(values) <= 12:
            continue
        good = tuple(value for value in values if value.lower() in _GOOD)
        bad = tuple(value for value in values if value.lower() in _BAD)
        none = tuple(value for value in values if value.lower() in _NONE)
        rest = [value for value in values if value not in (*good, *bad, *none)]
        hinted = draft.hinted("verdict", source)
        if hinted and not (good or bad) and set(values) <= set(_DIGITS):
            good, bad, rest = ("1",), ("0",), []
            draft.unsure.append("The verdict 1 was taken for pass, 0 for fail.")
        if not (good or bad) or (rest and not hinted):
            continue
        if rest:
            draft.unsure.append(f"What these verdicts mean was not told: {', '.join(rest)}.")
        if not (good and bad):
            draft.unsure.append(
                f"The sample shows no word for {'fail' if good else 'pass'}; put it in."
            )
        draft.take("verdict", source)
        return Verdicts(good, bad, none)
    return Verdicts()


def _text(draft: _Draft) -> str:
    for source in draft.named("text"):
        values = [value for value in draft.left[source] if value]
        whole = [value for value in values if re.search("[0-9]{14}", value)]
        if not values or len(whole) * 2 <= len(values):
            continue
        draft.take("text", source)
        for sign in _JOINS:
            if sum(value.count(sign) == 3 for value in whole) * 2 > len(whole):
                return sign
        draft.unsure.append(
            "What stands between the four human-readable lines was not told; "
            f"{READABLE_JOIN!r} was put in."
        )
        return READABLE_JOIN
    return READABLE_JOIN


def _places(draft: _Draft) -> None:
    """Positions, rows and lanes: whole numbers; their names tell, or how they run."""
    numbers = {
        source: [int(value) for value in values if value]
        for source, values in draft.left.items()
        if any(values) and all(_WHOLE.fullmatch(value) for value in values if value)
    }
    for name in ("lane", "row", "position"):
        named = [source for source in numbers if draft.hinted(name, source)]
        if named and name not in draft.fields:
            draft.take(name, named[0])
            del numbers[named[0]]
    for source, run in numbers.items():
        steps = Counter(after - before for before, after in pairwise(run))
        if "position" not in draft.fields and set(steps) == {1}:
            name = "position"
        elif "row" not in draft.fields and set(steps) <= {0, 1} and len(steps) == 2:
            name = "row"
        elif "lane" not in draft.fields and 1 < len(set(run)) <= 16 and min(run) == 1:
            name = "lane"
        else:
            continue
        draft.take(name, source)
        draft.unsure.append(f"Column {source!r} was taken for '{name}' by how its numbers run.")
