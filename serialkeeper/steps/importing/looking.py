"""A file of numbers is looked at before anything is written: all its faults are told at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl

from serialkeeper.errors import Refused
from serialkeeper.outside.sheets import Numbers
from serialkeeper.rules import datamatrix, gs1, imported
from serialkeeper.rules.bad_rows import MOST_TOLD, BadRow, refuse_rows
from serialkeeper.rules.chain import BLOCK
from serialkeeper.store.forms import form_of
from serialkeeper.store.numbers import IMPORTED, check_product
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View

MOST = 20_000_000
"""Numbers in one file."""


@dataclass
class Look:
    """What a file holds.

    Attributes:
        form: what its lines are.
        first_line: line number of the first number.
        serials: all numbers in order, null where a line is bad.
        bad: faults, as many as are told; `more` are only counted.
        sha256, size: of the file's bytes; `pieces`: SHA-256 up to each piece of it.
        longest, extras: characters of the longest number, and of the longest extras as kept.
    """

    form: imported.Form
    first_line: int
    serials: pl.Series
    bad: list[BadRow]
    more: int
    sha256: str
    size: int
    pieces: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    longest: int = 0
    extras: int = 0

    def add_bad(self, rows: list[BadRow], more: int = 0) -> None:
        """Further faults, and the number of those that nobody looked at; the first are kept."""
        found = sorted([*self.bad, *rows], key=lambda row: row.line)
        self.bad = found[: MOST_TOLD + 1]
        self.more += len(found) - len(self.bad) + more


def look_through(path: Path, facts: imported.Facts) -> Look:
    """Read every line of a file. Refuses what `Numbers.lines` refuses, and `import_rows` where the
    first line already says that nothing in the file can be read."""
    numbers = Numbers(path)
    pieces: list[pl.Series] = []
    look: Look | None = None
    for first, lines in numbers.lines():
        if look is None:
            form = _form(path, first, lines[0], numbers.header)
            look = Look(form, first, pl.Series(dtype=pl.String), [], 0, "", 0)
        frame, bad = imported.read_lines(lines, first, look.form, facts)
        look.add_bad(bad, frame["serial"].null_count() - len(bad))
        pieces.append(frame["serial"])
        look.pieces.append(numbers.so_far)
        look.longest = max(look.longest, _longest(frame["serial"]))
        look.extras = max(look.extras, _longest(frame["extras"]))
        if first > MOST:
            refuse_rows(str(path), first, [_too_many(first)])
    if look is None:
        raise LookupError("a file without lines was not refused")
    look.serials = pl.concat(pieces)
    look.sha256, look.size = numbers.sha256, numbers.size
    _find_repeats(look)
    return look


def _longest(texts: pl.Series) -> int:
    return int(texts.str.len_chars().fill_null(0).to_numpy().max(initial=0))


def _too_many(line: int) -> BadRow:
    return BadRow(line, "the whole row", f"at most {MOST:,} rows", "more", "cut the file")


def _form(path: Path, line: int, text: str, header: str) -> imported.Form:
    kind = header or imported.guess_kind(text)
    form = imported.form_of(text, kind)
    if form == imported.Form("serial") and not header:
        form = replace(form, guessed=True)
    if not header and imported.HEADERS.fullmatch(text):
        raise Refused(
            "import_header",
            "The first line looks like a header, and is none that is understood.",
            where=f"{path}, line {line}",
            expected="serial or code, or no header",
            came=text,
            remedy="Correct it.",
        )
    if form is None:
        row = BadRow(
            line,
            "code",
            "(01), (21) and, if given, (17), (10) and extras, each once, or a Digital Link URI",
            gs1.to_file(text),
            "write {GS} after elements of variable length, without brackets; bare numbers stand "
            "under the header serial",
        )
        refuse_rows(str(path), 1, [row])
    return form or imported.Form("serial")


def _find_repeats(look: Look) -> None:
    """Numbers that stand in the file twice."""
    twice = look.serials.is_duplicated() & look.serials.is_not_null()
    if not twice.any():
        return
    first: dict[str, int] = {}
    rows: list[BadRow] = []
    places = twice.arg_true()
    for place, number in zip(places.to_list(), look.serials.gather(places).to_list(), strict=True):
        line = place + look.first_line
        if first.setdefault(number, line) == line:
            continue
        remedy = f"it stands in line {first[number]} already; ask the issuer which one is right"
        rows.append(
            BadRow(line, look.form.column, "a number once in the file", str(number), remedy)
        )
    look.add_bad(rows)


def look_around(view: View, lot: Lot, path: Path, look: Look) -> None:
    """Hold the file against what the product has. Refuses `import_rows`, and
    `allocation_unfinished`, so that what is half done is told first."""
    check_product(view, lot.product_id, "random", IMPORTED)
    look.notes.clear()
    _find_taken(view, lot, look)
    refuse_rows(str(path), len(look.serials), look.bad, look.more)
    _find_look_alikes(view, lot, look)
    _find_too_long(view, lot, look)


def _find_taken(view: View, lot: Lot, look: Look) -> None:
    """Numbers that the product has already."""
    if not view.count_numbers(lot.product_id):
        return
    lots = {one.id: one.number for one in view.lots()}
    rows: list[BadRow] = []
    for start in range(0, len(look.serials), BLOCK):
        some = look.serials[start : start + BLOCK].to_list()
        lines = {one: line for line, one in enumerate(some, start + look.first_line) if one}
        for number, where in view.taken(lot.product_id, list(lines)):
            line = lines[number]
            expected = "a number that the product never had"
            remedy = f"lot {lots[where]} has it already; a number is never used again"
            rows.append(BadRow(line, look.form.column, expected, number, remedy))
    look.add_bad(rows)


def _find_look_alikes(view: View, lot: Lot, look: Look) -> None:
    """Say which numbers differ from others in capitals only, and where lengths are mixed."""
    serials = look.serials
    lengths = serials.str.len_chars().unique().sort().to_list()
    if len(lengths) > 1:
        look.notes.append(
            f"The numbers have {lengths[0]} to {lengths[-1]} characters: make sure that no "
            "spreadsheet took leading zeros away, and that every line is a number."
        )
    small = serials.filter(serials.str.contains("[a-z]"))
    imports = view.imports_of(lot.product_id)
    alike = int(len(serials) - serials.str.to_uppercase().n_unique()) if len(small) else 0
    others = small.str.to_uppercase()
    if imports:
        others = pl.concat(
            [others, serials.filter(serials.str.contains("[A-Z]")).str.to_lowercase()]
        )
    for start in range(0, len(others), BLOCK):
        alike += len(view.taken(lot.product_id, others[start : start + BLOCK].to_list()))
    if alike:
        look.notes.append(
            f"Numbers that differ from another one of the product in capitals only: {alike:,}; "
            "GS1 tells them apart, people may not."
        )


def _find_too_long(view: View, lot: Lot, look: Look) -> None:
    """Say that the lot's symbols may not hold the codes of the file."""
    form = form_of(view, lot)
    text = form.specimen("A" * look.longest)[0]
    needed = int(datamatrix.encode([text])[1][0])
    if count := len(look.form.extras):  # a separator is one codeword, and so are two digits
        needed += 1 + look.extras - (len(gs1.FILE_GS) - 1) * (count - 1) - count
    if needed > form.size.data:
        look.notes.append(
            f"The lot's symbols of {form.size.name} hold {form.size.data} codewords; codes of this "
            f"file need up to {needed}. print symbols and print proof refuse what does not fit; "
            "set longest and extras in the layout before a lot is approved (product layout)."
        )


def read_again(path: Path, look: Look, facts: imported.Facts) -> Iterator[pl.DataFrame]:
    """The rows of a file once more; from the file itself where there are extras, which are many.

    Refuses `import_rows` before anything is given that was not looked at.
    """
    if not look.form.extras:
        yield look.serials.to_frame("serial")
        return
    numbers = Numbers(path)
    before = iter(look.pieces)
    for line, lines in numbers.lines():
        frame, _ = imported.read_lines(lines, line, look.form, facts)
        if numbers.so_far != next(before, ""):
            row = BadRow(
                line,
                "the whole file",
                f"the bytes that were looked at, SHA-256 {look.sha256}",
                "other bytes",
                "the file changed while it was read; give it again as it was",
            )
            refuse_rows(str(path), line, [row])
        yield frame
