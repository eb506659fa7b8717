"""Symbols: whether they fit their space, and their export for printers that draw none."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import orjson
import polars as pl

from serialkeeper.errors import Refused
from serialkeeper.outside import carriers, papers
from serialkeeper.outside import symbols as drawn
from serialkeeper.outside.camera import table
from serialkeeper.outside.files import Delivery
from serialkeeper.outside.readback import read_back
from serialkeeper.rules import datamatrix, digital_link, fit, gs1, logistic
from serialkeeper.rules.chain import BLOCK
from serialkeeper.rules.figures import svg
from serialkeeper.rules.gs1 import ElementString
from serialkeeper.rules.jobs import ranges_of
from serialkeeper.rules.layout import microns
from serialkeeper.rules.moves import OPEN_LOT, State, check_lot
from serialkeeper.store.codes import check_usable
from serialkeeper.store.forms import LabelForm, form_of, texts_of
from serialkeeper.store.record import Record
from serialkeeper.store.view import View

FORMS = {"svg": ".zip", "png": ".zip", "matrix": ".csv", "qr": ".zip"}
"""What can be written, and the ending of the file it comes in."""

MOST_IN_CONTAINER = 50_000
"""Files in one container; more are slow to open on the machines beside printers."""

PRACTICE = "practice record: not for a real lot"

LEAST_DPI, MOST_DPI = 100, 4_800


@dataclass(frozen=True, slots=True)
class _Block:
    """Labels that are drawn together; `codes` is what their symbols carry, `bracketed` the same."""

    positions: list[int]
    serials: list[str]
    codes: list[ElementString]
    bracketed: list[str]


@dataclass(frozen=True, slots=True)
class _Style:
    """How all symbols of an export are drawn; `module` in millimetres."""

    form: str
    size: str
    module: float
    dots: int
    note: str

    def data(self) -> dict[str, Any]:
        """As the journal has it, lengths in micrometres."""
        return {
            "form": self.form,
            "size": self.size,
            "module": round(self.module * 1000),
            "dots": self.dots,
        }


def write(
    record: Record,
    name: str,
    *,
    out: Path,
    form: str = "svg",
    first: int | None = None,
    last: int | None = None,
    dpi: int = 600,
) -> dict[str, Any]:
    """Write the symbols of issued labels: those that a print job has handed out, and no others.

    Labels that were read, rejected, voided or decommissioned since are left out, so that no
    number gets onto the web a second time by this. Every export is journalled.

    Args:
        out: `FILE.csv` for `matrix`, else `FILE.zip`; `NAME.manifest.json` is made beside it.
        form: `svg`, `png` or `matrix` of the DataMatrix, or `qr`: the GS1 Digital Link as SVG.
        first, last: positions; None for the plan's ends.
        dpi: the printer's dots per inch, for `png`: a module is a whole number of them.

    Refuses `bad_value`, `nothing_to_print`, `symbol_too_small`, `file_exists`, `lot_state`,
    `print_changed`, `unread_symbol`, `symbol_too_large`, `numbers_expired`.

    Returns:
        lot, gtin, form, size, x (mm, as drawn), dots (a module, `png`), first, last, count,
        left_out, name, sha256, bytes, head, record, file, manifest.
    """
    _check(out, form, dpi)
    with record.read() as view:
        lot = view.lot(name)
        check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        label = form_of(view, lot)
        start, end = 1 if first is None else first, lot.labels if last is None else last
        states = view.states(label.key, start, end) if 1 <= start <= end <= lot.labels else b""
        count = states.count(State.ISSUED.encode())
        _check_count(count, form, f"lot {lot.number}, positions {start} to {end}")
        check_usable(view, lot, ranges_of(states, State.ISSUED, start), record.now().date())
        style = _style(label, form, dpi, practice=record.practice)
        with Delivery(out) as file, Delivery(_manifest_path(out)) as beside:
            for piece in _pieces(view, label, style, start, states, file):
                file.write(piece)
            data = {
                **style.data(),
                "first": start,
                "last": end,
                "count": count,
                "name": out.name,
                "sha256": file.sync(),
                "bytes": file.size,
            }
            told = {
                "record": "practice" if record.practice else "live",
                **_note(record, label, data, states),
                "x": style.module,
                "left_out": len(states) - count,
            }
            file.deliver()
            beside.write(orjson.dumps(told, option=orjson.OPT_INDENT_2) + b"\n")
            beside.sync()
            beside.deliver()
    return {**told, "file": str(out), "manifest": str(_manifest_path(out))}


def _note(record: Record, label: LabelForm, data: dict[str, Any], states: bytes) -> dict[str, Any]:
    """Tell the journal of an export; gives what was told, with the lot and the chain's head."""
    lot = label.lot
    with record.work(label.key) as work:
        if work.states(label.key, data["first"], data["last"]) != states:
            raise Refused(
                "print_changed",
                "The labels changed while their symbols were drawn.",
                where=f"lot {lot.number}",
                remedy="Nothing was written. Write them again.",
            )
        work.write(label.key, "symbols written", data)
        head = work.head(label.key)
    told = {name: value for name, value in data.items() if name != "module"}
    return {"lot": lot.number, "gtin": lot.gtin, **told, "head": head}


def _check(out: Path, form: str, dpi: int) -> None:
    if form not in FORMS or not LEAST_DPI <= dpi <= MOST_DPI or out.suffix != FORMS[form]:
        raise Refused(
            "bad_value",
            "The export is not understood.",
            expected=f"--form {', '.join(FORMS)}; --out FILE.zip, FILE.csv for "
            f"matrix; --dpi {LEAST_DPI} to {MOST_DPI}",
            came=f"form {form}, file {out.name}, {dpi} dpi",
            remedy="Correct it.",
        )


def _check_count(count: int, form: str, where: str) -> None:
    if not count:
        raise Refused(
            "nothing_to_print",
            "There is no label in that range that was issued and not read yet.",
            where=where,
            expected="labels of a print job",
            came="none",
            remedy="Issue them first: print write. A label that was read gets no second symbol.",
        )
    if count > MOST_IN_CONTAINER and FORMS[form] == ".zip":
        raise Refused(
            "bad_value",
            "These are more labels than one container takes.",
            where=where,
            expected=f"at most {MOST_IN_CONTAINER:,}",
            came=f"{count:,}",
            remedy="Write it in pieces (--first, --last), or take --form matrix.",
        )


def _style(label: LabelForm, form: str, dpi: int, *, practice: bool) -> _Style:
    """How the symbols are drawn; an image has whole dots a module, the other forms X itself.

    Refuses `symbol_too_large` where whole dots make the symbol larger than its space.
    """
    module, dots, size = label.layout.module / 1000, 0, label.size.name
    if form == "png":
        dots = max(round(module * dpi / 25.4), 1)
        module = dots * 25.4 / dpi
        found = fit.check_fit(label.size, round(module * 1000), label.layout.space, label.codewords)
        fit.refuse_if_too_large(found, f"{dots} dots a module at {dpi} dpi")
    elif form == "qr":
        size = "x".join([f"{_link_side(label)}"] * 2)
    return _Style(form, size, module, dots, PRACTICE if practice else "")


def _manifest_path(out: Path) -> Path:
    return out.with_name(f"{out.stem}.manifest.json")


def _pieces(
    view: View, label: LabelForm, style: _Style, start: int, states: bytes, file: Delivery
) -> Iterator[bytes]:
    """What goes into the file itself; a container writes into it of its own."""
    if style.form == "matrix":
        yield b"position,serial,size,modules\n"
        for block in _blocks(view, label, start, states):
            texts = drawn.module_texts(_drawn(block, label))
            yield _rows(block.positions, block.serials, [style.size] * len(texts), texts)
        return
    container = drawn.Container(file)
    index = [b"position,name,serial,bracketed\n"]
    for block in _blocks(view, label, start, states):
        ending = "png" if style.form == "png" else "svg"
        names = [f"{position:09}.{ending}" for position in block.positions]
        files = _files(block, label, style)
        container.add(zip(names, files, strict=True))
        index.append(_rows(block.positions, names, block.serials, block.bracketed))
    container.add([("index.csv", b"".join(index))])
    container.close()


def _files(block: _Block, label: LabelForm, style: _Style) -> Iterator[bytes]:
    if style.form == "qr":
        dark = _links(block, label)
        return drawn.svg_files(dark, style.module, style.note, carriers.QR_QUIET)
    if style.form == "png":
        return drawn.png_files(_drawn(block, label), style.module, style.dots, style.note)
    return drawn.svg_files(_drawn(block, label), style.module, style.note)


def _rows(*columns: Sequence[Any]) -> bytes:
    named = {str(number): column for number, column in enumerate(columns)}
    return table(pl.DataFrame(named), header=False)


def _blocks(view: View, label: LabelForm, start: int, states: bytes) -> Iterator[_Block]:
    issued = np.flatnonzero(np.frombuffer(states, np.uint8) == ord(State.ISSUED)) + start
    for some in np.split(issued, np.flatnonzero(np.diff((issued - 1) // BLOCK)) + 1):
        if len(some):
            first, last = int(some[0]), int(some[-1])
            serials = view.serials(label.key, first, last - first + 1)
            codes, bracketed = texts_of(view, label.lot, first, serials)
            told = [[texts[i] for i in (some - first)] for texts in (serials, codes, bracketed)]
            yield _Block(some.tolist(), *told)


def _drawn(block: _Block, label: LabelForm) -> Any:
    """The block's symbols; the first, the last and one between are read back."""
    codes = block.codes
    filled = datamatrix.fill(*datamatrix.encode(codes), label.size)
    dark = datamatrix.modules(filled, label.size)
    for place in {0, len(codes) // 2, len(codes) - 1}:
        for found in read_back(dark[place], codes[place], filled[place], label.size):
            if found.right is False:
                raise _unread(found.reader, codes[place])
    return dark


def _links(block: _Block, label: LabelForm) -> Any:
    """The block's Digital Links as QR symbols; the first, the last and one between read back."""
    uris = [digital_link.unit_link(label.lot.gtin, serial) for serial in block.serials]
    try:
        dark = carriers.qr_symbols(uris, _link_side(label))
    except ValueError as error:
        raise Refused(
            "symbol_too_small",
            "A number is longer than the lot's QR symbol holds.",
            where=label.lot.full_name,
            came=str(error),
            remedy="Set 'longest' in the layout of the product's next lots.",
        ) from None
    for place in {0, len(uris) // 2, len(uris) - 1}:
        if not carriers.reads(dark[place], "]Q1", uris[place].encode(), carriers.QR_QUIET):
            raise _unread("zxing-cpp", ElementString(uris[place]))
    return dark


def _link_side(label: LabelForm) -> int:
    # Small letters are the worst that a link holds unescaped: no denser mode takes them.
    longest = "a" * (label.layout.longest or label.product.serial_length)
    return carriers.qr_side(digital_link.unit_link(label.lot.gtin, longest))


def _unread(reader: str, code: ElementString) -> Refused:
    return Refused(
        "unread_symbol",
        "A symbol does not read back as what it should say.",
        where=reader,
        expected=gs1.to_file(code),
        remedy="Nothing was written. This is a fault of the program: report it.",
    )


def check(
    record: Record,
    name: str,
    *,
    x: float = 0,
    space: tuple[float, float] = (0, 0),
    size: str = "",
    use: str = fit.DEFAULT_USE,
) -> dict[str, Any]:
    """Say whether a lot's symbol fits its space; nothing is changed.

    Args:
        x: another X-dimension than the lot's, in millimetres.
        space: another space, width and height in millimetres.
        size: another size, such as `16x48`.
        use: a key of `rules.fit.SPECIFICATIONS`.

    Refuses `lot_unknown`, `bad_value`, `layout_invalid`, `symbol_too_small`.

    Returns:
        As `rules.fit.check_fit`, with lot, gtin, codewords, holds and verifier_minimum.
    """
    fit.check_use(use)
    with record.read() as view:
        label = form_of(view, view.lot(name))
    module = microns(x, 0.05, 5, "x", "--x") if x else label.layout.module
    sides = [microns(side, 0, 1_000, "space", "--space") for side in space]
    room = (sides[0], sides[1]) if any(sides) else label.layout.space
    chosen = datamatrix.size_named(size) if size else label.size
    if chosen.data < label.codewords:
        raise datamatrix.too_small(label.codewords, chosen)
    return {
        "lot": label.lot.number,
        "gtin": label.lot.gtin,
        "codewords": label.codewords,
        "holds": chosen.data,
        **fit.check_fit(chosen, module, room, label.codewords, use),
        "verifier_minimum": fit.verifier_minimum(label.lot.minimum_grade, use),
    }


def sscc(number: str, *, out: Path, carrier: str = logistic.BARS, x: float = 0) -> dict[str, Any]:
    """Write the symbol of a logistic label; it needs no record and tells none.

    Args:
        number: an SSCC, 18 digits.
        out: `FILE.svg` or `FILE.pdf`.
        carrier: `gs1-128` or `datamatrix`.
        x: the X-dimension in millimetres; 0 for the smallest allowed.

    Refuses `bad_value`, `file_exists`, `unread_symbol`.

    Returns:
        sscc, carrier, x, needs (width and height in millimetres), sha256, file.
    """
    logistic.check_sscc(number)
    module = logistic.check_x(carrier, x)
    if out.suffix.lower() not in (".svg", ".pdf"):
        raise Refused(
            "bad_value",
            "A symbol of a logistic label is an SVG or PDF file.",
            expected=".svg or .pdf",
            came=out.name,
            remedy="Give --out with one of these endings.",
        )
    code = ElementString(f"00{number}")
    if carrier == logistic.BARS:
        bars = carriers.gs1_128_bars(f"(00){number}")
        dark = np.array([[sign == "1" for sign in bars]] * 40)
        right = carriers.reads(dark, "]C1", code.encode(), logistic.BAR_QUIET)
        sheet = logistic.bars_sheet(number, bars, module)
    else:
        size = datamatrix.size_named("16x16")  # 11 codewords of 12, whatever the digits
        filled = datamatrix.fill(*datamatrix.encode([code]), size)
        modules = datamatrix.modules(filled, size)
        found = read_back(modules[0], code, filled[0], size)
        right = all(one.right is not False for one in found)
        rows = tuple(drawn.module_texts(modules)[0].split("/"))
        sheet = logistic.matrix_sheet(number, rows, module)
    if not right:
        raise _unread(carrier, code)
    with Delivery(out) as file:
        file.write(papers.pdf([sheet]) if out.suffix.lower() == ".pdf" else svg(sheet).encode())
        sha256 = file.sync()
        file.deliver()
    return {
        "sscc": number,
        "carrier": carrier,
        "x": module,
        "needs": [round(sheet.width, 2), round(sheet.height, 2)],
        "sha256": sha256,
        "file": str(out),
    }
