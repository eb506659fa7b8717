"""The proof of a lot's label code: one page to hold beside the first print."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside import papers
from serialkeeper.outside.files import Delivery
from serialkeeper.outside.readback import read_back
from serialkeeper.outside.symbols import module_texts
from serialkeeper.rules import datamatrix, fit, proof, readable
from serialkeeper.rules.figures import svg
from serialkeeper.store.forms import LabelForm, form_of, texts_of
from serialkeeper.store.record import Record
from serialkeeper.store.view import View, key_of

SUFFIXES = (".svg", ".pdf")
DRAFT = "A"
"""Fills the number of a specimen, where the lot has no labels yet."""


def write(
    record: Record,
    name: str,
    *,
    out: Path,
    position: int = 0,
    paper: str = "A4",
    use: str = fit.DEFAULT_USE,
) -> dict[str, Any]:
    """Write the proof of a label; the record is not changed.

    Args:
        out: `FILE.svg` or `FILE.pdf`.
        position: which label; 0 for the first, or a specimen with the longest number where the
            lot has no labels yet.
        paper: `A4` or `Letter`.
        use: a key of `rules.fit.SPECIFICATIONS`.

    Refuses `bad_value`, `label_unknown`, `symbol_too_small`, `file_exists`, `lot_unknown`.

    Returns:
        lot, gtin, position (0 for a specimen), lines, bracketed, size, x, needs, codewords,
        fits, in_range, verifier_minimum, read_back (by reader), sha256, file.
    """
    proof.check_paper(paper)
    fit.check_use(use)
    if out.suffix.lower() not in SUFFIXES:
        raise Refused(
            "bad_value",
            "A proof is an SVG or PDF file.",
            expected=" or ".join(SUFFIXES),
            came=out.name,
            remedy="Give --out with one of these endings.",
        )
    with record.read() as view:
        label = form_of(view, view.lot(name))
        chosen, serial = _label(view, label, position)
        told = _proof(record, view, label, chosen, serial, paper, use)
    sheet = proof.page(told)
    with Delivery(out) as file:
        file.write(papers.pdf([sheet]) if out.suffix.lower() == ".pdf" else svg(sheet).encode())
        sha256 = file.sync()
        file.deliver()
    return {
        "lot": label.lot.number,
        "gtin": label.lot.gtin,
        "position": chosen,
        "lines": list(told.lines),
        "bracketed": told.bracketed,
        "size": label.size.name,
        "x": told.fit["x"],
        "needs": told.fit["needs"],
        "codewords": list(told.filled),
        "fits": told.fit["fits"],
        "in_range": told.fit["in_range"],
        "verifier_minimum": told.minimum,
        "read_back": dict(told.readings),
        "sha256": sha256,
        "file": str(out),
    }


def _label(view: View, label: LabelForm, position: int) -> tuple[int, str]:
    """The label's position and number; position 0 is a specimen."""
    if not position and not label.lot.labels:
        return 0, DRAFT * (label.layout.longest or label.product.serial_length)
    row = view.known_label(label.lot, position or 1)
    return row.position, row.serial


def _proof(
    record: Record,
    view: View,
    label: LabelForm,
    position: int,
    serial: str,
    paper: str,
    use: str,
) -> proof.Proof:
    lot, code = label.lot, label.code(serial)
    text, bracketed = label.specimen(serial)
    if position:
        [text], [bracketed] = texts_of(view, lot, position, [serial])
    words, count = datamatrix.encode([text])
    filled = datamatrix.fill(words, count, label.size)
    dark = datamatrix.modules(filled, label.size)
    readings = read_back(dark[0], text, filled[0], label.size)
    chain = view.chain(key_of(lot))
    found = fit.check_fit(label.size, label.layout.module, label.layout.space, label.codewords, use)
    return proof.Proof(
        product=label.product.name,
        gtin=lot.gtin,
        lot=lot.number,
        facts=[
            ("state", lot.state),
            ("expiry", lot.expiry),
            ("elements", " ".join(label.order)),
            ("market", lot.market or "not given"),
            ("artwork", lot.artwork or "not given"),
            ("labels", f"{lot.labels:,} planned, {lot.target:,} good ones wanted"),
        ],
        label=f"label {position:,} of the plan" if position else "specimen: no label's number",
        lines=label.layout.shown(code),
        not_shown=readable.not_shown(label.layout.lines),
        bracketed=bracketed,
        rows=tuple(module_texts(dark)[0].split("/")),
        size=label.size,
        filled=filled[0].tolist(),
        used=int(count[0]),
        fit=found,
        minimum=fit.verifier_minimum(lot.minimum_grade, use),
        readings=[(one.reader, one.right) for one in readings],
        made=f"made {record.now():%Y-%m-%d %H:%M:%S %z}, {record.station}, {record.person}",
        head=f"journal entry {chain.count}, head {chain.head.hex()}",
        practice=record.practice,
        paper=paper,
    )
