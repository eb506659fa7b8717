"""A device's own fields become the default columns, as its profile says.

Columns are translated whole. The first field that the profile does not explain refuses the
file, with its line; a field that the profile does not map stays empty: not given.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace

import polars as pl

from serialkeeper.rules import moments
from serialkeeper.rules.fields import COLUMNS, Lines, parse_grade
from serialkeeper.rules.gs1 import DATAMATRIX_ID, FILE_GS, READABLE_JOIN
from serialkeeper.rules.profiles import FURTHER, Codes, Grades, Profile, Times, Verdicts

PLAIN_DATAMATRIX_ID = "]d1"
"""A Data Matrix without FNC1 in the first place (ISO/IEC 15424)."""

_CONTROL = r"[\x00-\x1c\x1e\x1f\x7f]"
_JOIN = "\x00"  # stands for a separator while literal ones are marked; never in a text then
_NUMBER = re.compile(r"[0-4](\.\d+)?", re.ASCII)
_TRAILING = re.compile(r"(\.\d)0+$", re.ASCII)

PROFILE_REMEDY = (
    "Try the file with 'inspect profile FILE --profile NAME'; correct the profile under a new "
    "name, or the device's output. The record is as it was."
)


def translate(profile: Profile, raw: pl.DataFrame, lines: Lines) -> pl.DataFrame:
    """The default columns of raw text columns.

    Args:
        profile: what the raw columns mean.
        raw: one text column per mapped field, under the field's name.
        lines: where the rows stand, for refusals.

    Refuses `results_value`.
    """
    lines = replace(lines, remedy=PROFILE_REMEDY)
    empty = pl.Series("", [""], dtype=pl.String).new_from_index(0, raw.height)
    made = {name: raw[name] if name in raw.columns else empty for name in COLUMNS}
    if profile.lane:
        made["lane"] = empty.set(empty == "", str(profile.lane))
    made["seen"] = _codes(profile.codes, raw, lines)
    if "at" in profile.fields:
        made["at"] = _times(profile.times, raw["at"], lines)
    if "grade" in profile.fields:
        made["grade"] = _grades(profile.grades, raw["grade"], lines)
    if "verdict" in profile.fields:
        made["verdict"] = _verdicts(profile.verdicts, raw["verdict"], lines)
    if "text" in profile.fields:
        text = _visible(raw["text"], profile.text_separator)
        made["text"] = _separated(text, profile.text_separator, READABLE_JOIN)
    for name in FURTHER:
        if name in profile.fields:
            made[name] = raw[name]
    return pl.DataFrame([column.alias(name) for name, column in made.items()])


def _codes(codes: Codes, raw: pl.DataFrame, lines: Lines) -> pl.Series:
    """Scanned texts with their symbology identifier and `{GS}`; empty where nothing was read."""
    seen = raw["seen"]
    unread = seen.is_in(["", *codes.unread])
    if codes.identifier != "text":
        doubled = seen.str.starts_with(DATAMATRIX_ID) & ~unread
        if doubled.any():
            lines.refuse(
                doubled, seen, "seen", f"a text without {DATAMATRIX_ID}, as the profile says"
            )
    starts = seen.str.starts_with(codes.fnc1)
    text = seen.str.strip_prefix(codes.fnc1) if codes.fnc1 else seen
    text = _separated(_visible(text, codes.separator), codes.separator, FILE_GS)
    if codes.identifier == "none":
        known = pl.lit(DATAMATRIX_ID)
        if codes.fnc1:
            known = pl.when("starts").then(known).otherwise(pl.lit(PLAIN_DATAMATRIX_ID))
        frame = pl.DataFrame({"starts": starts, "text": text})
        text = frame.select(pl.concat_str(known, "text")).to_series()
    elif codes.identifier == "field":
        text = _identifiers(codes.identifiers, raw["identifier"], unread, lines) + text
    return text.set(unread, "")


def _identifiers(
    words: Mapping[str, str], column: pl.Series, unread: pl.Series, lines: Lines
) -> pl.Series:
    wrong = ~column.is_in(list(words)) & ~unread
    if wrong.any():
        lines.refuse(wrong, column, "identifier", _listed(words))
    return column.replace_strict(words, default="", return_dtype=pl.String)


def _separated(text: pl.Series, theirs: str, ours: str) -> pl.Series:
    """The device's separator becomes ours; what only looks like ours is marked as a text."""
    if theirs == ours:
        return text
    joined = text.str.replace_all(theirs, _JOIN, literal=True)
    marked = joined.str.replace_all(ours, "\\" + ours, literal=True)
    return marked.str.replace_all(_JOIN, ours, literal=True)


def _visible(column: pl.Series, keep: str) -> pl.Series:
    """Control signs outside of separators as `\\x0a`: no reading breaks a line of a file."""
    if not column.str.contains(_CONTROL).any():
        return column

    def shown(text: str) -> str:
        pieces = (
            re.sub(_CONTROL, lambda found: f"\\x{ord(found[0]):02x}", piece)
            for piece in text.split(keep)
        )
        return keep.join(pieces)

    return pl.Series([shown(text) for text in column.to_list()], dtype=pl.String)


def _times(times: Times, column: pl.Series, lines: Lines) -> pl.Series:
    if times.format == "rfc3339":
        return column  # read by `fields.times`, which refuses what is none
    given = column != ""
    expected = f"a time such as the profile's {times.format}, or nothing"
    if times.format in moments.FIXED:
        seconds = times.format == "epoch-seconds"
        found = moments.from_epoch(column, seconds=seconds)
        expected = f"{'seconds' if seconds else 'milliseconds'} since 1970, or nothing"
        clock = found
    else:
        found, clock = moments.from_pattern(column, times.format, times.zone)
    unknown = clock.is_null() & given
    if unknown.any():
        lines.refuse(unknown, column, "at", expected)
    lost = found.is_null() & given
    if lost.any():
        moment = clock.filter(lost)[0]
        what = "shows once, not twice" if moments.is_twice(moment, times.zone) else "does not skip"
        lines.refuse(
            lost,
            column,
            "at",
            f"a time that the clock of {times.zone} {what} on the day it is changed; let the "
            "device write times with an offset",
        )
    return moments.written(found).fill_null("")


def _by_value(
    column: pl.Series, meaning: Callable[[str], str | None], name: str, expected: str, lines: Lines
) -> pl.Series:
    """Every different text of a column translated once; what means nothing is refused."""
    means = {text: meaning(text) for text in column.unique().to_list()}
    strange = [text for text, found in means.items() if found is None]
    if strange:
        lines.refuse(column.is_in(strange), column, name, expected)
    return column.replace_strict(means, return_dtype=pl.String)


def _verdicts(words: Verdicts, column: pl.Series, lines: Lines) -> pl.Series:
    means = {
        "": "",
        **dict.fromkeys(words.not_given, ""),
        **dict.fromkeys(words.good, "pass"),
        **dict.fromkeys(words.bad, "fail"),
    }
    return _by_value(column, means.get, "verdict", f"{_listed(means)}; the profile's words", lines)


def _grades(grades: Grades, column: pl.Series, lines: Lines) -> pl.Series:
    expected = {
        "number": "a number 0.0 to 4.0",
        "letter": "a letter A B C D F",
        "full": "grade/aperture/light",
        "any": "a number 0.0 to 4.0, a letter A B C D F, grade/aperture/light",
    }[grades.form]
    if grades.decimal == ",":
        expected += ", with a decimal comma"

    def meaning(text: str) -> str | None:
        if text in ("", *grades.not_given):
            return ""
        value, slash, rest = text.partition("/")
        if grades.decimal == ",":
            if "." in value:
                return None
            value = value.replace(",", ".")
        is_number = bool(_NUMBER.fullmatch(value))
        form = "full" if slash else "number" if is_number else "letter"
        if grades.form not in ("any", form):
            return None
        plain = _TRAILING.sub(r"\1", value) + slash + rest
        return None if parse_grade(plain) is None else plain

    return _by_value(column, meaning, "grade", f"{expected}, or nothing", lines)


def _listed(words: Mapping[str, str]) -> str:
    shown = [repr(word) if word else "nothing" for word in list(words)[:12]]
    return ", ".join(shown) + (" ..." if len(words) > 12 else "")
