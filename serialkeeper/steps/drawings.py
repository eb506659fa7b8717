"""The roll drawing: sheets of paper on which every doubtful label is found."""

from __future__ import annotations

from collections import Counter
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside import pictures
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import drawing
from serialkeeper.rules.doubts import SIGNS, Stretch
from serialkeeper.rules.figures import Sheet, svg
from serialkeeper.rules.strips import make_strips, shown_in
from serialkeeper.store.record import Record
from serialkeeper.store.view import key_of
from serialkeeper.store.webs import Part, named_part, serials_at, stretch_of

SUFFIXES = (".svg", ".png")


def draw(
    record: Record,
    name: str,
    *,
    out: Path,
    job: int = 0,
    rows: str = "",
    lane: int = 0,
    roll: int = 0,
    pitch: float = 0,
    paper: str = "A4",
    sheets: int = drawing.MOST_SHEETS,
) -> dict[str, Any]:
    """Draw a stretch of a print job's web; the record is not changed.

    Args:
        record, name: where, which lot.
        out: the first sheet's file, `.svg` or `.png`; the others get `-2`, `-3` and so on.
        job, rows, lane, roll: which part of the web, as in `store.webs.Part`.
        pitch: millimetres from label to label in a lane; 0 where it is not known.
        paper: `A4` or `A3`.
        sheets: sheets at most, 0 for as many as it takes.

    Refuses `bad_value`, `nothing_printed`, `job_unknown`, `roll_unknown`, `file_exists`.

    Returns:
        lot, roll, job, rows, lanes, labels, doubtful, not_inspected, signs, in_strips, files.
    """
    drawing.check_paper(paper, pitch, sheets)
    _check_name(out)
    with record.read() as view:
        lot = view.lot(name)
        part = named_part(view, lot, Part(job, rows, lane, roll=roll))
        chosen, stretch = stretch_of(view, lot, part)
        chain = view.chain(key_of(lot))
        strips = make_strips(stretch, drawing.PAPERS[paper][0] - 2 * drawing.MARGIN)
        scene = drawing.Scene(
            lot=lot.number,
            gtin=lot.gtin,
            product=view.product_of(lot).name,
            web=f"roll {roll}, print job {chosen.id}" if roll else f"print job {chosen.id}",
            head=f"journal entry {chain.count}, head {chain.head.hex()}",
            drawn=f"{record.now():%Y-%m-%d %H:%M:%S %z}, {record.station}, {record.person}",
            pitch=pitch,
            practice=record.practice,
            paper=paper,
            sheets=sheets,
            serials=serials_at(view, lot, shown_in(strips, stretch)),
        )
    made, shown = drawing.draw(stretch, scene)
    return {
        "lot": lot.number,
        "roll": roll or None,
        "job": chosen.id,
        **_told(stretch),
        "in_strips": shown,
        "files": _write(made, out),
    }


def _told(stretch: Stretch) -> dict[str, Any]:
    counts = Counter(doubt.sign for doubt in stretch.doubts)
    return {
        "rows": [stretch.first, stretch.last],
        "lanes": list(stretch.lanes),
        "labels": stretch.labels,
        "doubtful": len(stretch.doubts),
        "not_inspected": int(stretch.waiting.sum()),
        "signs": {letter: counts[letter] for letter in SIGNS if counts[letter]},
    }


def _check_name(out: Path) -> None:
    if out.suffix.lower() not in SUFFIXES:
        raise Refused(
            "bad_value",
            "A drawing is an SVG or PNG file.",
            expected=" or ".join(SUFFIXES),
            came=out.name,
            remedy="Give --out with one of these endings.",
        )


def _write(sheets: list[Sheet], out: Path) -> list[str]:
    """Write all sheets, or none."""
    names = [
        out if number == 1 else out.with_name(f"{out.stem}-{number}{out.suffix}")
        for number in range(1, len(sheets) + 1)
    ]
    with ExitStack() as stack:
        files = [stack.enter_context(Delivery(name)) for name in names]
        for sheet, file in zip(sheets, files, strict=True):
            if out.suffix.lower() == ".svg":
                file.write(svg(sheet).encode())
            else:
                file.write(pictures.png(sheet))
            file.sync()
        for file in files:
            file.deliver()
    return [str(name) for name in names]
