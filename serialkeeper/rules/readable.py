"""The human-readable lines beside the symbol: a market's words, nothing but the code's values.

A line is a text with fields in braces: `EXP {expiry:MM/YYYY}`. Every line has a field, and no
digit stands outside of one, so nothing readable can differ from the code; only `{national}`
is no element of the code but the product's master data.

Which words, which date and which number a market wants is that market's law (common practice,
no source): a US label names the national number in place of the GTIN and the date as
YYYY-MM-DD or YYYY-MMM-DD (FDA questions and answers on product identifiers, 2021, from memory);
Delegated Regulation (EU) 2016/161, Article 7, wants product code, serial number and, where
there is one, the national number.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterator, Sequence
from datetime import date

from serialkeeper.errors import Refused
from serialkeeper.rules.gs1 import READABLE_JOIN, LabelCode

MOST_LINES, LONGEST_LINE = 4, 60
FIELDS = ("gtin", "national", "serial", "lot", "expiry")
DEFAULT_FORM = "YYYY-MM-DD"
DEFAULT_LINES = ("GTIN {gtin}", "SN {serial}", "LOT {lot}", "EXP {expiry:YYYY-MM-DD}")

_FIELD = re.compile(r"\{([a-z]+)(?::([^{}]*))?\}")
_FORM = re.compile(r"(YYYY|YY|MMM|MM|DD)|([ ./-])")
_MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
"""English short names of months (FDA, 2021, from memory)."""


MEANINGS = {
    "GTIN": "gtin",
    "SN": "serial",
    "SERIAL": "serial",
    "LOT": "lot",
    "BATCH": "lot",
    "EXP": "expiry",
    "EXPIRY": "expiry",
}
"""Words that mean one of the fields on any English label (common practice, no source)."""


def check_lines(lines: Sequence[str], national: str) -> tuple[str, ...]:
    """The lines, if all of them come from the code and the product.

    Args:
        lines: 1 to 4, each up to 60 printable characters.
        national: the product's national number, or empty.

    Refuses `layout_invalid` with the line.
    """
    if not 1 <= len(lines) <= MOST_LINES:
        raise _refused(f"There are {len(lines)} lines.", "", f"1 to {MOST_LINES} lines")
    seen: list[str] = []
    for number, line in enumerate(lines, 1):
        where = f"line {number}: {line}"
        _check_words(line, where)
        _check_meaning(line, where)
        for name, form in _FIELD.findall(line):
            if name not in FIELDS:
                raise _refused(
                    "A line shows what the code does not carry.",
                    where,
                    f"one of {', '.join(FIELDS)} in braces",
                )
            if name in seen:
                raise _refused(f"{{{name}}} is shown twice.", where, "each value once")
            if name == "national" and not national:
                raise _refused(
                    "The product has no national number to show.", where, "national = ..."
                )
            if form and name != "expiry":
                raise _refused("Only a date has a form.", where, f"{{{name}}}")
            if name == "expiry":
                _check_form(form or DEFAULT_FORM, where)
            seen.append(name)
    if "serial" not in seen:
        raise _refused("No line shows the number.", "", "a line with {serial}")
    return tuple(lines)


def _check_words(line: str, where: str) -> None:
    words = _FIELD.sub("", line)
    if not (1 <= len(line) <= LONGEST_LINE and line.isprintable()) or READABLE_JOIN in line:
        raise _refused(
            "A line is empty, too long, or holds a sign that no line may hold.",
            where,
            f"1 to {LONGEST_LINE} printable characters without vertical bars",
        )
    if words == line:
        raise _refused(
            "A line shows nothing of the code.",
            where,
            f"a line with one of {', '.join(FIELDS)} in braces",
        )
    if any(sign.isnumeric() or sign in "{}" for sign in words):
        raise _refused(
            "A line holds a digit or a brace of its own, which does not come from the code.",
            where,
            "digits in fields only",
        )


def _check_meaning(line: str, where: str) -> None:
    """Refuses a line whose usual English word says another thing than its field."""
    shown = {name for name, _ in _FIELD.findall(line)}
    for word in re.findall(r"[A-Za-z]+", _FIELD.sub(" ", line)):
        field = MEANINGS.get(word.upper())
        if field and field not in shown:
            raise _refused(
                f"The line says {word} and does not show it.", where, f"{{{field}}} behind {word}"
            )
    if re.search(r"\}\{", line):
        raise _refused("Two values stand side by side.", where, "a blank or words between fields")


def _check_form(form: str, where: str) -> None:
    pieces = [piece for piece, _ in _FORM.findall(form)]
    whole = "".join(one or other for one, other in _FORM.findall(form)) == form
    named = [kind[0] for kind in pieces if kind]
    if not whole or sorted(named) not in (["M", "Y"], ["D", "M", "Y"]):
        raise _refused(
            "The form of a date is not understood.",
            where,
            "YYYY or YY, MMM or MM, and DD or not, with blanks, dots, strokes or hyphens",
        )


def _refused(message: str, where: str, expected: str) -> Refused:
    return Refused(
        "layout_invalid",
        message,
        where=where,
        expected=expected,
        remedy="Correct the lines of the layout.",
    )


def check_day(lines: Sequence[str], expiry: date) -> None:
    """A date that is shown without its day means the month's last, so it has to be that.

    Source: the same FDA paper, from memory. Refuses `layout_invalid`.
    """
    for line in lines:
        for name, form in _FIELD.findall(line):
            if name == "expiry" and "DD" not in (form or DEFAULT_FORM):
                last = calendar.monthrange(expiry.year, expiry.month)[1]
                if expiry.day != last:
                    raise _refused(
                        "The readable date would say another day than the code.",
                        line,
                        f"expiry on the last of the month, or a date with its day; the lot "
                        f"expires {expiry.isoformat()}",
                    )


def shown(code: LabelCode, lines: Sequence[str], national: str) -> tuple[str, ...]:
    """What stands on the label, one text a line.

    >>> shown(LabelCode("09521234543213", "A7", date(2028, 6, 30), "L1"),
    ...       ("SN {serial}", "EXP {expiry:MMM YYYY}"), "")
    ('SN A7', 'EXP JUN 2028')
    """
    values = {
        "gtin": code.gtin,
        "national": national,
        "serial": code.serial,
        "lot": code.lot,
    }

    def value(found: re.Match[str]) -> str:
        name, form = found.groups()
        return values[name] if name in values else _day(code.expiry, form or DEFAULT_FORM)

    return tuple(_FIELD.sub(value, line) for line in lines)


def four(texts: Sequence[str]) -> tuple[str, str, str, str]:
    """The lines as the print file has them: four, those that are not used empty."""
    one, two, three, other = (*texts, "", "", "", "")[:4]
    return one, two, three, other


def joined(texts: Sequence[str]) -> str:
    """The lines as a camera tells them in one field."""
    return READABLE_JOIN.join(texts)


def not_shown(lines: Sequence[str]) -> tuple[str, ...]:
    """Which values of the code no line shows; a national number stands for the GTIN."""
    there = {name for line in lines for name, _ in _FIELD.findall(line)}
    there |= {"gtin"} if "national" in there else set()
    return tuple(name for name in FIELDS if name not in there and name != "national")


def _day(day: date, form: str) -> str:
    return "".join(_pieces(day, form))


def _pieces(day: date, form: str) -> Iterator[str]:
    told = {
        "YYYY": f"{day.year:04d}",
        "YY": f"{day.year % 100:02d}",
        "MMM": _MONTHS[day.month - 1],
        "MM": f"{day.month:02d}",
        "DD": f"{day.day:02d}",
    }
    for piece, between in _FORM.findall(form):
        yield told[piece] if piece else between
