"""Labels of packs: made, checked by a scan, torn and made again for the same pack."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from serialkeeper.errors import Refused
from serialkeeper.outside import carriers, papers
from serialkeeper.outside import symbols as drawn
from serialkeeper.outside.files import Delivery
from serialkeeper.outside.readback import read_back
from serialkeeper.rules import datamatrix, gs1, logistic, packs, scans
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.figures import Sheet, svg
from serialkeeper.rules.identifiers import Elements
from serialkeeper.rules.pack_entries import TORN
from serialkeeper.rules.pack_labels import bars_sheet, elements_of, in_bars, matrix_sheet
from serialkeeper.store import packs as store
from serialkeeper.store.pack_bulk import Pack
from serialkeeper.store.pack_tables import PackLabel
from serialkeeper.store.pack_trees import describe_pack
from serialkeeper.store.record import Record
from serialkeeper.store.view import View


def make(
    record: Record,
    name: str,
    *,
    out: Path,
    carrier: str = logistic.BARS,
    x: float = 0,
    reason: str = "",
) -> dict[str, Any]:
    """Write a pack's label, and count it.

    Args:
        out: `FILE.svg` or `FILE.pdf`.
        carrier: `gs1-128` or `datamatrix`.
        x: the X-dimension in millimetres; 0 for the smallest allowed.
        reason: why a label is made again; the one before it is torn then.

    Refuses `reason_needed` where the pack has a label, `bad_value`, `file_exists`,
    `unread_symbol`, `pack_unknown`, `role_not_allowed`.

    Returns:
        key, level, copy (1 for the first), torn (copies before it), bracketed, content, file,
        sha256.
    """
    module = _checked(record, out, carrier, x)
    with record.read() as view:
        pack = store.named_pack(view, name, record.now().year)
    key = LotKey(pack.product_id, pack.lot_id)
    with record.work(key) as work, Delivery(out) as file:
        elements = elements_of(describe_pack(work, pack))
        there = store.labels_of(work, pack)
        standing = [one for one in there if one.state != TORN]
        if standing and not reason.strip():
            raise _again(pack, standing[-1])
        sheet = _sheet(pack, elements, carrier, module)
        text = papers.pdf([sheet]) if out.suffix.lower() == ".pdf" else svg(sheet).encode()
        file.write(text)
        sha256 = file.sync()
        for one in standing:
            place = {"pack": pack.id, "copy_number": one.copy_number}
            work.write(key, "pack label torn", place, reason=reason)
        bracketed = gs1.write_bracketed(elements)
        data = {"pack": pack.id, "copy_number": len(there) + 1, "content": bracketed}
        work.write(key, "pack label made", data)
        file.deliver()
    return {
        "key": pack.key,
        "level": pack.level,
        "copy": len(there) + 1,
        "torn": sum(one.state == TORN for one in there) + len(standing),
        "bracketed": bracketed,
        "carrier": carrier,
        "x": module,
        "needs": [round(sheet.width, 2), round(sheet.height, 2)],
        "file": str(out),
        "sha256": sha256,
    }


def _checked(record: Record, out: Path, carrier: str, x: float) -> float:
    """The X-dimension. Refuses what cannot be written."""
    record.check_may("pack label made")
    if out.suffix.lower() not in (".svg", ".pdf"):
        raise Refused(
            "bad_value",
            "The label of a pack is an SVG or PDF file.",
            expected=".svg or .pdf",
            came=out.name,
            remedy="Give --out with one of these endings.",
        )
    return logistic.check_x(carrier, x)


def _again(pack: Pack, label: PackLabel) -> Refused:
    return Refused(
        "reason_needed",
        "The pack has a label; another is made for a reason only.",
        where=f"{pack.level} {pack.key}",
        expected="--reason, such as 'torn'",
        came=f"label {label.copy_number}, {label.state}",
        remedy="Give --reason; the label before it counts as torn then.",
    )


def _sheet(pack: Pack, elements: Elements, carrier: str, x: float) -> Sheet:
    """The label, its symbols read back. Refuses `unread_symbol`."""
    title = f"{pack.level} {pack.key}"
    if carrier == logistic.BARS:
        symbols = []
        for some in in_bars(elements):
            text = gs1.write_bracketed(some)
            bars = carriers.gs1_128_bars(text)
            dark = np.array([[sign == "1" for sign in bars]] * 40)
            code = gs1.write_elements(some)
            if not carriers.reads(dark, "]C1", code.encode(), logistic.BAR_QUIET):
                raise _unread(title, text)
            symbols.append((text, bars))
        return bars_sheet(title, symbols, x)
    code = gs1.write_elements(elements)
    words, count = datamatrix.encode([code])
    size = datamatrix.smallest(int(count[0]), datamatrix.SQUARE)
    if size is None:
        raise datamatrix.too_small(int(count[0]), datamatrix.SIZES[-1])
    filled = datamatrix.fill(words, count, size)
    modules = datamatrix.modules(filled, size)
    if not all(one.right is not False for one in read_back(modules[0], code, filled[0], size)):
        raise _unread(title, gs1.write_bracketed(elements))
    rows = tuple(drawn.module_texts(modules)[0].split("/"))
    return matrix_sheet(title, [gs1.write_bracketed((one,)) for one in elements], rows, x)


def _unread(where: str, text: str) -> Refused:
    return Refused(
        "unread_symbol",
        "The symbol does not read back as what it should say.",
        where=where,
        expected=text,
        came="another reading",
        remedy="This is a fault of ours: keep the message for the people who maintain this.",
    )


def check(record: Record, name: str, scan: str) -> dict[str, Any]:
    """Compare a scan of the label on the pack with what the record says of it.

    Args:
        name: the pack's key.
        scan: as a reader sent it: one of the label's symbols, which names the pack.

    Refuses `not_in_pack` where the scan says something else, `pack_state` for a pack without a
    label, and a malformed scan by what is wrong with it.
    """
    year = record.now().year
    with record.read() as view:
        pack = store.named_pack(view, name, year)
    key = LotKey(pack.product_id, pack.lot_id)
    with record.work(key) as work:
        there = [one for one in store.labels_of(work, pack) if one.state != TORN]
        if not there:
            raise Refused(
                "pack_state",
                "The pack has no label.",
                where=f"{pack.level} {pack.key}",
                expected="a label that was made and not torn",
                came="none",
                remedy=f"Make it: pack label {pack.key} --out FILE.svg",
            )
        _check_scan(work, pack, scan, year)
        label = there[-1]
        told = gs1.to_file(gs1.from_file(scan.strip()))
        data = {"pack": pack.id, "copy_number": label.copy_number, "scan": told}
        work.write(key, "pack label checked", data)
    return {"key": pack.key, "level": pack.level, "copy": label.copy_number, "state": "checked"}


def _check_scan(view: View, pack: Pack, scan: str, year: int) -> None:
    reading = scans.read(gs1.from_file(scan), this_year=year)
    for wrong in (*reading.faults, *reading.doubts):
        raise wrong
    wanted = dict(elements_of(describe_pack(view, pack)))
    there = dict(reading.elements)
    other = [ai for ai in there if there[ai] != wanted.get(ai)]
    named = "00" in there or ("01" in there and "21" in there)
    if other or not named:
        raise packs.not_in(
            gs1.to_file(scan), pack.key, "which says " + gs1.write_bracketed(tuple(wanted.items()))
        )
