"""Numbers that an authority or a customer gave: taken into a lot, all of a file or nothing.

First every line is looked at, so that all faults are told at once and nothing is written for a bad
file. Then the numbers get the next positions, a few blocks per transaction, so that others need
not wait. No number of the file can be printed before all are there; after an interruption the same
file goes on where it stopped, and until it is finished the product gets no other numbers.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from serialkeeper.errors import Refused
from serialkeeper.outside.sheets import Numbers
from serialkeeper.rules import datamatrix, gs1, imported
from serialkeeper.rules.bad_rows import MOST_TOLD, BadRow, refuse_rows
from serialkeeper.rules.chain import BLOCK, HOUSE, LotKey, Part
from serialkeeper.rules.moves import OPEN_LOT, check_lot
from serialkeeper.rules.parts import pack_extras, pack_serials
from serialkeeper.store.forms import form_of
from serialkeeper.store.import_tables import NumberImport
from serialkeeper.store.numbers import IMPORTED, check_product
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

MOST = 20_000_000
"""Numbers in one file."""

BLOCKS_AT_ONCE = 5
"""Blocks per transaction: few enough to let others in, enough to share the wait for the disk."""


@dataclass
class _Look:
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


def import_numbers(
    record: Record, name: str, path: Path, *, issuer: str = "", usable_until: date | None = None
) -> dict[str, Any]:
    """Take numbers of a file into a lot; file order is position order.

    Args:
        name: an approved lot.
        path: one number a line: bare, as an element string, or as a Digital Link URI; see
            `rules.imported`.
        issuer: who gave them.
        usable_until: the last day on which they may be printed.

    Refuses `import_rows` with every bad row, `import_header`, `import_encoding`, `import_empty`,
    `file_missing`, `import_claimed`, `lot_not_approved`, `lot_state`, `allocation_unfinished`,
    `numbers_expired`, `bad_value`. A file that was taken before changes nothing; one that was
    interrupted is finished by the same call.
    """
    record.check_may("numbers imported")
    _check(record, issuer, usable_until)
    with record.read() as view:
        lot = view.lot(name)
        check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        facts = _facts(view, lot)
    look = _look_through(path, facts)
    _find_repeats(look)
    told = {"issuer": issuer.strip()}
    told["usable_until"] = usable_until.isoformat() if usable_until else ""
    data = told | _told_of(path, look, facts)
    made, begun = None, False
    while made is None:
        with record.read() as view:
            made = _earlier(view, lot, look.sha256, len(look.serials), path)
            begun = made is not None
            there = view.count_numbers(lot.product_id)
            if not begun:
                _look_around(view, lot, path, look)
        made = made or _begin(record, lot, path, data, there)
    with record.read() as view:
        done = _done(view, made)
    already = done == made.count
    if not already:
        _write(record, lot, path, look, facts, made, done)
    return {
        **_describe(lot, made),
        "already_taken": already,
        "resumed": begun and not already,
        "notes": [] if begun else look.notes,
    }


def _told_of(path: Path, look: _Look, facts: imported.Facts) -> dict[str, Any]:
    """What the journal tells of a file."""
    return {
        "count": len(look.serials),
        "form": look.form.kind,
        "extras": " ".join(look.form.extras),
        "ai_order": " ".join(look.form.order(facts.order)),
        "name": path.name,
        "sha256": look.sha256,
        "size": look.size,
    }


def _look_around(view: View, lot: Lot, path: Path, look: _Look) -> None:
    """Hold the file against what the product has. Refuses `import_rows`, and
    `allocation_unfinished`, so that what is half done is told first."""
    check_product(view, lot.product_id, "random", IMPORTED)
    look.notes.clear()
    _find_taken(view, lot, look)
    refuse_rows(str(path), len(look.serials), look.bad, look.more)
    _find_look_alikes(view, lot, look)
    _find_too_long(view, lot, look)


def _begin(
    record: Record, lot: Lot, path: Path, data: dict[str, Any], there: int
) -> NumberImport | None:
    """Give the file its place in the plan; None if the product changed since it was looked at.

    From here until the last number is there, no other numbers are given to the product: so none
    of the file's can be taken meanwhile.
    """
    key = key_of(lot)
    with record.work(key, HOUSE) as work:
        lot = work.lot(lot.full_name)
        if old := _earlier(
            work, lot, data["sha256"], data["count"], path
        ):  # another process was faster
            return old
        check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        check_product(work, lot.product_id, "random", IMPORTED)
        if work.count_numbers(lot.product_id) != there:
            return None
        row = {"id": len(work.allocations(key)) + 1, "first": lot.labels + 1, **data}
        state = "running" if lot.state == "reconciled" else lot.state
        work.write(key, "numbers imported", {**row, "lot_state": state})
        return _earlier(work, lot, data["sha256"], data["count"], path)


def _check(record: Record, issuer: str, usable_until: date | None) -> None:
    if len(issuer) > 120 or not issuer.isprintable():
        raise Refused(
            "bad_value",
            "The issuer's name cannot be kept.",
            where="issuer",
            expected="up to 120 printable characters",
            came=issuer,
            remedy="Correct it.",
        )
    today = record.now().date()
    if usable_until and usable_until < today:
        raise Refused(
            "numbers_expired",
            "The numbers may not be used any more.",
            where="their last day",
            expected=f"{today.isoformat()} or later",
            came=usable_until.isoformat(),
            remedy="Check the date; ask the issuer for new numbers.",
        )


def _facts(view: View, lot: Lot) -> imported.Facts:
    return imported.Facts(
        gtin=lot.gtin,
        lot=lot.number,
        expiry=gs1.write_date(date.fromisoformat(lot.expiry)),
        order=tuple(lot.ai_order.split()),
        serial_length=view.product_of(lot).serial_length,
    )


def _look_through(path: Path, facts: imported.Facts) -> _Look:
    """Read every line of a file. Refuses what `Numbers.lines` refuses, and `import_rows` where the
    first line already says that nothing in the file can be read."""
    numbers = Numbers(path)
    pieces: list[pl.Series] = []
    look: _Look | None = None
    for first, lines in numbers.lines():
        if look is None:
            form = _form(path, first, lines[0], numbers.header)
            look = _Look(form, first, pl.Series(dtype=pl.String), [], 0, "", 0)
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


def _earlier(view: View, lot: Lot, sha256: str, numbers: int, path: Path) -> NumberImport | None:
    """The import of the same bytes, of so many numbers, into this lot. Refuses `import_claimed`
    for another lot, and for one that was given up."""
    for one in view.imports_of(lot.product_id):
        if one.sha256 == sha256 and one.lot_id != lot.id:
            other = view.lot_of(one)
            raise Refused(
                "import_claimed",
                "The numbers of this file belong to another lot already.",
                where=str(path),
                expected=f"a file for lot {lot.number}",
                came=f"the file of lot {other.number}, taken in {one.at}",
                remedy="Check which file this is; a number is given to one label only.",
            )
        if one.sha256 == sha256:
            _check_whole(one, numbers, path)
            return one
    return None


def _check_whole(one: NumberImport, numbers: int, path: Path) -> None:
    """Refuses `import_claimed` for a file that was given up half taken in."""
    if one.count < numbers:
        raise imported.given_up(str(path), one.count, numbers)


def _find_repeats(look: _Look) -> None:
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


def _find_taken(view: View, lot: Lot, look: _Look) -> None:
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


def _find_look_alikes(view: View, lot: Lot, look: _Look) -> None:
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


def _find_too_long(view: View, lot: Lot, look: _Look) -> None:
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


def _done(view: View, made: NumberImport) -> int:
    """How many numbers of a file have their positions. Refuses `import_claimed` if somebody gave it
    up meanwhile."""
    key = LotKey(made.product_id, made.lot_id)
    one = next(one for one in view.allocations(key) if one.id == made.id)
    if one.count < made.count:
        raise imported.given_up(made.name, one.count, made.count)
    return one.done


def _write(
    record: Record,
    lot: Lot,
    path: Path,
    look: _Look,
    facts: imported.Facts,
    made: NumberImport,
    done: int,
) -> None:
    """Give the numbers from `done` on their positions, a few blocks per transaction.

    Refuses `import_rows` if the file is another one now.
    """
    parts: list[Part] = []
    end = blocks = 0
    for frame in _blocks(path, look, facts, made.first):
        start, end = end, end + frame.height
        if start < done:  # written before the interruption, or by another process
            continue
        parts.append(pack_serials(made.first + start, _lines(frame["serial"])))
        if look.form.extras:
            parts.append(pack_extras(made.first + start, _lines(frame["extras"])))
        blocks += 1
        if blocks == BLOCKS_AT_ONCE or end == made.count:
            done = _chunk(record, key_of(lot), made, done, end, parts)
            record.seen("numbers", done, made.count)
            parts, blocks = [], 0


def _chunk(
    record: Record, key: LotKey, made: NumberImport, start: int, end: int, parts: list[Part]
) -> int:
    """Numbers start..end - 1 of a file in one transaction; gives how many there are then."""
    with record.work(key) as work:
        done = _done(work, made)
        if done != start:  # another process goes on with the same file
            return done
        work.write(key, "allocated", {"allocation": made.id, "done": end}, parts=parts)
    return end


def _blocks(path: Path, look: _Look, facts: imported.Facts, first: int) -> Iterator[pl.DataFrame]:
    """The rows of a file, cut where blocks of positions end."""
    waiting = pl.DataFrame()
    room = BLOCK - (first - 1) % BLOCK
    for frame in _again(path, look, facts):
        waiting = pl.concat([waiting, frame]) if waiting.height else frame
        while waiting.height >= room:
            yield waiting.head(room)
            waiting, room = waiting.slice(room), BLOCK
    if waiting.height:
        yield waiting


def _again(path: Path, look: _Look, facts: imported.Facts) -> Iterator[pl.DataFrame]:
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


def _lines(texts: pl.Series) -> bytes:
    return "".join(itertools.chain.from_iterable((text, "\n") for text in texts.to_list())).encode()


def _describe(lot: Lot, row: NumberImport) -> dict[str, Any]:
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "import": row.id,
        "count": row.count,
        "first": row.first,
        "last": row.first + row.count - 1,
        "form": row.form,
        "extras": row.extras.split(),
        "order": row.ai_order.split(),
        "issuer": row.issuer or None,
        "usable_until": row.usable_until or None,
        "name": row.name,
        "sha256": row.sha256,
    }
