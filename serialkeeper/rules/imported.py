r"""Numbers that came in a file from an authority or a customer.

A line is a bare number, an element string, or a GS1 Digital Link URI; all lines of a file are of
one form and carry the same identifiers in the same order. What a line carries beside (01), (21),
(17) and (10), such as a crypto code in (91) and (92), is printed with the number: the *extras*.
They are kept as they stand in files, `91EE06{GS}92dGVzdA==`.

The place of the extras in the printed code stands in its order as `+`, `01 21 17 10 +`: where the
element string had them if it gives all four elements in the lot's order, else at the end.

Sources: GS1 General Specifications, sections 3 and 7 (identifiers, lengths, separators, character
set 82; from memory); GS1 Digital Link URI syntax (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import digital_link, gs1
from serialkeeper.rules.bad_rows import (
    MOST_TOLD,
    SPREADSHEET,
    BadRow,
    damaged_by_spreadsheet,
)
from serialkeeper.rules.identifiers import TABLE
from serialkeeper.rules.serials import ALPHABET

EXTRAS = "+"
"""Stands for the extras in an order."""

LENGTHS: dict[str, int] = {
    ai: TABLE[ai].longest
    for ai in ("240", "241", "250", "251", *map(str, range(710, 718)), *map(str, range(90, 100)))
}
"""Identifiers that an extra may have, all of variable length, and their longest value."""

HEADERS = re.compile(
    r"\W*(?:serials?|serial_?(?:no|nr|number)s?|numbers?|sn|codes?|epcs?|uris?|gtin)\W*",
    re.IGNORECASE,
)
"""What the first line of a file looks like that is a header by another name."""

_QUESTIONABLE = r'^".*"$|[,;\t]'
"""Numbers without a header that look like fields of another file."""

RESERVED = ("ZY", "ZZ", "YZ")
"""How numbers of challenge sets and planted labels begin (`rules.challenges.Numbers`)."""

_FIXED = {"01": 14, "17": 6}
_LONGEST = {"10": 20, "21": 20, **LENGTHS}
_SIGNS = "[" + re.escape("".join(sorted(gs1.SET_82))) + "]"
_NUMBER = rf"^{_SIGNS}{{1,20}}$"
_ESCAPED = {
    escape: sign
    for sign in sorted(gs1.SET_82)
    if not sign.isalnum()
    for escape in (f"%{ord(sign):02X}", f"%{ord(sign):02x}")
}
_HOST = r"https?://[A-Za-z0-9.:\[\]-]+"
_PATH = r"[A-Za-z0-9\-._~:@!$&'()*+,;=%]"
_QUERY = r"[A-Za-z0-9\-._~:/?@!$'()*,;=%]"
"""Signs of a value in a link (RFC 3986, section 3); a bare `+` in a query would be a space."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the lines are held against.

    Attributes:
        gtin, lot, expiry: the lot's; the expiry as YYMMDD.
        order: the lot's element order.
        serial_length: characters of the product's own numbers, and so of its challenge numbers.
    """

    gtin: str
    lot: str
    expiry: str
    order: tuple[str, ...]
    serial_length: int

    def fixed(self) -> dict[str, str]:
        """What every code of the lot says, by identifier."""
        return {"01": self.gtin, "17": self.expiry, "10": self.lot}


@dataclass(frozen=True)
class Form:
    """What the lines of a file are.

    Attributes:
        kind: one of `FORMS`.
        ais: the identifiers of every line, in order; (21) alone for bare numbers.
        guessed: whether no header says that these are bare numbers.
    """

    kind: str
    ais: tuple[str, ...] = ("21",)
    guessed: bool = False

    @property
    def extras(self) -> tuple[str, ...]:
        """The identifiers of the extras, in order."""
        return tuple(ai for ai in self.ais if ai in LENGTHS)

    @property
    def column(self) -> str:
        """The column's name in a CSV file."""
        return "serial" if self.kind == "serial" else "code"

    @cached_property
    def pattern(self) -> str:
        """An expression that all lines match; one group for each identifier."""
        pieces = []
        for ai in self.ais:
            if ai in _FIXED:
                pieces.append(f"{ai}([0-9]{{{_FIXED[ai]}}})")
            else:
                end = "" if ai == self.ais[-1] else gs1.GS
                pieces.append(f"{ai}({_SIGNS}{{1,{_LONGEST[ai]}}}){end}")
        return f"^{''.join(pieces)}{gs1.GS}?$"

    @property
    def link_pattern(self) -> str:
        """An expression for Digital Links that are arranged alike; one group per identifier."""
        end = self.ais.index("21") + 1
        path = "".join(f"/{ai}/({_PATH}+)" for ai in self.ais[:end])
        query = "&".join(f"{ai}=({_QUERY}+)" for ai in self.ais[end:])
        return rf"^{_HOST}(?:/{_PATH}*)*?{path}" + (rf"\?{query}$" if query else "$")

    def in_words(self) -> str:
        """What a line should be."""
        if self.kind == "serial":
            return "a number of 1 to 20 characters of GS1 set 82"
        marks = "".join(f"({ai})" for ai in self.ais)
        return f"{'a Digital Link URI' if self.kind == 'link' else 'an element string'} of {marks}"

    def order(self, lot_order: Sequence[str]) -> tuple[str, ...]:
        """The printed order, with `+` for the extras if there are any."""
        if not self.extras:
            return tuple(lot_order)
        own = tuple(ai for ai in self.ais if ai not in LENGTHS)
        start = self.ais.index(self.extras[0])
        end = start + len(self.extras)
        kept = own == tuple(lot_order) and self.kind == "code"
        if kept and self.ais[start:end] == self.extras and start > self.ais.index("21"):
            return (*self.ais[:start], EXTRAS, *self.ais[end:])
        return (*lot_order, EXTRAS)


def guess_kind(line: str) -> str:
    """What a line without a header is: one of `FORMS`."""
    if "://" in line:
        return "link"
    return "code" if re.match(r"\]|01[0-9]{14}.", line) else "serial"


def form_of(line: str, kind: str) -> Form | None:
    """The form of a file that begins with this line; None if it is none.

    Args:
        line: separators as ASCII 29.
        kind: one of `FORMS`; `code` where a header says so, which may be a link too.
    """
    if kind == "serial":
        return Form("serial")
    found = _link(line) if "://" in line else _elements(line.removeprefix(gs1.DATAMATRIX_ID))
    if not found or not {"01", "21"} <= found.keys():
        return None
    return Form("link" if "://" in line else "code", tuple(found))


def _elements(text: str) -> dict[str, str]:
    """The elements of an element string in order; empty if it is none that labels may carry."""
    found: dict[str, str] = {}
    rest = text
    while rest:
        ai = next((rest[:size] for size in (2, 3) if rest[:size] in _LONGEST), "")
        if rest[:2] in _FIXED:
            ai = rest[:2]
            value, rest = rest[2 : 2 + _FIXED[ai]], rest[2 + _FIXED[ai] :]
        elif ai:
            value, _, rest = rest[len(ai) :].partition(gs1.GS)
        if not ai or not value or ai in found:
            return {}
        found[ai] = value
    return found


def _link(text: str) -> dict[str, str]:
    """The elements of a Digital Link URI; empty if it is none that labels may carry."""
    try:
        found = dict(digital_link.read(text))
    except Refused:
        return {}
    return found if all(ai in _LONGEST or ai in _FIXED for ai in found) else {}


def read_lines(
    lines: pl.Series, first_line: int, form: Form, facts: Facts
) -> tuple[pl.DataFrame, list[BadRow]]:
    """Numbers and extras of some lines.

    Args:
        lines: texts, separators as ASCII 29.
        first_line: the line number of the first.

    Returns:
        A frame `serial`, `extras` with a row for each line, the serial null where the line is bad;
        and what is wrong with the first bad ones, in order of line.
    """
    if form.kind == "serial":
        frame = pl.DataFrame({"serial": lines, "extras": pl.repeat("", len(lines), eager=True)})
        wrong = ~lines.str.contains(_NUMBER)
    else:
        texts = lines if form.kind == "code" else _as_codes(lines, form)
        groups = texts.str.strip_prefix(gs1.DATAMATRIX_ID).str.extract_groups(form.pattern)
        got = groups.struct.unnest()
        names = dict(zip(got.columns, form.ais, strict=True))
        got = got.rename(names)
        extras = [pl.lit(ai) + pl.col(ai) for ai in form.extras]
        frame = got.select(
            pl.col("21").alias("serial"),
            (pl.concat_str(extras, separator=gs1.FILE_GS) if extras else pl.lit("")).alias(
                "extras"
            ),
        )
        wrong = got["21"].is_null()
        for ai, value in facts.fixed().items():
            if ai in form.ais:
                wrong |= (got[ai] != value).fill_null(value=True)
    serial = frame["serial"]
    wrong |= serial.str.contains(r"^[0-9](?:[.,][0-9]+)?[eE]\+[0-9]{1,3}$").fill_null(value=True)
    reserved = rf"^(?:{'|'.join(RESERVED)})[{ALPHABET}]{{{facts.serial_length - 2}}}$"
    wrong |= serial.str.contains(reserved).fill_null(value=True)
    wrong |= serial.str.starts_with("01" + facts.gtin).fill_null(value=True)
    if form.guessed:
        wrong |= serial.str.contains(_QUESTIONABLE).fill_null(value=True)
    index = wrong.arg_true().head(MOST_TOLD + 1).to_list()
    bad = [_explain(lines[one], first_line + one, form, facts) for one in index]
    return frame.with_columns(serial=pl.when(~wrong).then("serial")), bad


def _as_codes(lines: pl.Series, form: Form) -> pl.Series:
    """Digital Links as element strings in the form's order; empty for what is none.

    Links arranged like the first one, with only such signs escaped as have to be, go together;
    others one by one.
    """
    got = lines.str.extract_groups(form.link_pattern).struct.unnest()
    strange = lines.str.replace_many(list(_ESCAPED), [""] * len(_ESCAPED)).str.contains("%")
    pieces: list[pl.Expr] = []
    for column, ai in zip(got.columns, form.ais, strict=True):
        plain = pl.col(column).str.replace_many(list(_ESCAPED), list(_ESCAPED.values()))
        end = "" if ai in _FIXED or ai == form.ais[-1] else gs1.GS
        pieces += [pl.lit(ai), plain, pl.lit(end)]
    codes = got.select(pl.concat_str(pieces).alias("code")).to_series()
    alone = (strange | codes.is_null()).arg_true()
    return codes.scatter(alone, [_as_code(line, form) for line in lines.gather(alone).to_list()])


def _as_code(line: str, form: Form) -> str:
    found = _link(line)
    if found.keys() != set(form.ais):
        return ""
    ends = ("" if ai in _FIXED or ai == form.ais[-1] else gs1.GS for ai in form.ais)
    return "".join(ai + found[ai] + end for ai, end in zip(form.ais, ends, strict=True))


def _explain(line: str, number: int, form: Form, facts: Facts) -> BadRow:
    """What is wrong with a line that cannot be taken."""
    row = BadRow(number, form.column, form.in_words(), gs1.to_file(line), "")
    found = {"21": line}
    if form.kind != "serial":
        found = (_link if form.kind == "link" else _elements)(line.removeprefix(gs1.DATAMATRIX_ID))
    if not line:
        return replace(row, came="an empty line", remedy="take the line out")
    if damaged_by_spreadsheet(line):
        return replace(row, remedy=SPREADSHEET)
    if line != line.strip():
        return replace(row, remedy="take away the spaces at its ends")
    if tuple(found) != form.ais and set(found) != set(form.ais):
        return replace(row, remedy=_advice(line, form))
    for ai, value in facts.fixed().items():
        if ai in found and found[ai] != value:
            what = {"01": "the lot's product", "17": "the lot's expiry", "10": "this lot"}[ai]
            row = replace(row, expected=f"({ai}) {value}, {what}", came=found[ai])
            return replace(row, remedy="check that the file is for this lot")
    for ai, value in found.items():
        strange = next((sign for sign in value if sign not in gs1.SET_82), "")
        if strange:
            return replace(row, remedy=f"{strange!r} in ({ai}) is not in GS1 character set 82")
        if len(value) > _LONGEST.get(ai, 14):
            return replace(row, remedy=f"({ai}) has {len(value)} characters; a {{GS}} may be lost")
    return _explain_number(row, found["21"], form, facts)


def _explain_number(row: BadRow, number: str, form: Form, facts: Facts) -> BadRow:
    """What is wrong with a number that could be printed."""
    if number.startswith("01" + facts.gtin):
        expected = "a number, or under the header code an element string"
        return replace(row, expected=expected, remedy="write code as the header of the file")
    if form.guessed and re.search(_QUESTIONABLE, number):
        expected = "a number alone, without quotes, commas or semicolons"
        remedy = "leave one column; if numbers hold such signs, write serial as the first line"
        return replace(row, expected=expected, remedy=remedy)
    if number.startswith(RESERVED):
        expected = f"a number that does not begin with {', '.join(RESERVED)}"
        remedy = "such numbers mark challenge labels here; ask the issuer for another number"
        return replace(row, expected=expected, remedy=remedy)
    return replace(row, remedy="give the identifiers of every line in the same order")


_LONGEST_PLAIN = len("01") + 14 + len("21") + 20


def _advice(line: str, form: Form) -> str:
    if form.kind == "link" and "+" in line.partition("?")[2]:
        return "write + as %2B in a link, where it would be a space"
    if line.startswith("("):
        return "write element strings without brackets, {GS} after elements of variable length"
    if form.kind == "code" and gs1.GS not in line and len(line) > _LONGEST_PLAIN:
        return "the separators are lost: write {GS} after elements of variable length"
    return (
        "every line carries the same identifiers as the first one; which: "
        "`serialkeeper guide numbers`"
    )


@dataclass(frozen=True)
class Printed:
    """How numbers and their extras stand in printed codes.

    Attributes:
        code: the lot's facts; its serial says nothing.
        order: the elements, with `+` for the extras if there are any.
        extras: the extras' identifiers.
    """

    code: gs1.LabelCode
    order: tuple[str, ...]
    extras: tuple[str, ...] = ()

    def scanned(self, serial: pl.Expr, extras: pl.Expr) -> pl.Expr:
        """What a reader sends, separators as `{GS}`.

        Args:
            serial, extras: columns.
        """
        values = self.code.values()
        pieces: list[pl.Expr | str] = [gs1.DATAMATRIX_ID]
        for ai in self.order:
            if ai == EXTRAS:
                pieces.append(extras)
            else:
                pieces += [ai, serial if ai == "21" else values[ai]]
            last = ai == self.order[-1]
            pieces.append("" if last or ai in _FIXED else gs1.FILE_GS)
        return _joined(pieces)

    def bracketed(self, serial: pl.Expr, extras: pl.Expr) -> pl.Expr:
        r"""The code for people and symbol makers; a bracket in a value is written `\(`."""
        values = self.code.values()
        pieces: list[pl.Expr | str] = []
        for ai in self.order:
            if ai == EXTRAS:
                each = extras.str.split(gs1.FILE_GS)
                for number, one in enumerate(self.extras):
                    value = each.list.get(number).str.slice(len(one))
                    pieces += [f"({one})", _escaped(value)]
                continue
            plain = values[ai].replace("(", "\\(")
            pieces += [f"({ai})", _escaped(serial) if ai == "21" else plain]
        return _joined(pieces)


@dataclass(frozen=True)
class Labels:
    """Successive labels of a job whose codes are built alike, up to a block.

    Attributes:
        positions: int64.
        serials: their numbers.
        extras: what is printed with each number, empty texts for nothing.
        printed: how their codes are built.
    """

    positions: NDArray[np.int64]
    serials: list[str]
    extras: list[str]
    printed: Printed


def _joined(pieces: list[pl.Expr | str]) -> pl.Expr:
    """One text from pieces, constant ones put together first."""
    joined: list[pl.Expr] = []
    for constant, some in groupby(pieces, lambda piece: isinstance(piece, str)):
        if constant:
            joined.append(pl.lit("".join(str(piece) for piece in some)))
        else:
            joined += [piece for piece in some if isinstance(piece, pl.Expr)]
    return pl.concat_str(joined)


def _escaped(value: pl.Expr) -> pl.Expr:
    return value.str.replace_all("(", "\\(", literal=True)


def pairs_of(extras: str) -> list[list[str]]:
    """Extras as they are kept, as identifiers and values.

    >>> pairs_of("91EE06{GS}92dGVzdA==")
    [['91', 'EE06'], ['92', 'dGVzdA==']]
    """
    found = []
    for piece in extras.split(gs1.FILE_GS) if extras else []:
        size = 2 if piece[:2] in LENGTHS else 3
        found.append([piece[:size], piece[size:]])
    return found


def given_up(path: str, there: int, of: int) -> Refused:
    """The refusal to take in a file that was given up half taken in."""
    return Refused(
        "import_claimed",
        "Taking in this file was given up.",
        where=path,
        expected="a file that nobody gave up",
        came=f"a file of which {there:,} of {of:,} numbers were taken in",
        remedy="Ask the issuer for other numbers. Or make sure that none of the rest was printed "
        "elsewhere, by the other record if this one was restored, and give it in its own file.",
    )


def count_of(told: Mapping[str, Any]) -> str:
    """How many numbers of a file there are, as `lot show` tells an import, in words."""
    if told["done"] == told["count"]:
        return f"{told['count']:,} number{'' if told['count'] == 1 else 's'}"
    return f"{told['done']:,} of {told['count']:,} numbers so far, NOT FINISHED,"
