"""The proof: one page on which the code of a lot's labels is shown and proven.

The printer operator and the quality unit hold it beside the first print: the symbol at true
size and enlarged, the human-readable lines, its measures, what other readers made of it, whether
it fits, and what a verifier has to find. Left what is seen, right what it rests on.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.cautions import AID, GRADE
from serialkeeper.rules.datamatrix import FNC1, QUIET, Size
from serialkeeper.rules.figures import (
    FAINT,
    GOOD,
    INK,
    PAPER,
    SOFT,
    Cells,
    Item,
    Line,
    Sheet,
    Text,
    box,
)
from serialkeeper.rules.pages import PAPERS

_MARGIN, _COLUMN, _GAP = 14.0, 84.0, 8.0
_SIZE, _STEP = 2.6, 4.3
_CAUTIONS = (
    f"{AID} {GRADE}",
    "True size holds only if the page was printed at 100 %: measure the ruler first. A symbol "
    "printed on office paper says nothing about the press. The codes on this page are those of "
    "a label: keep it with the lot's papers, away from scanners.",
)


@dataclass(frozen=True, slots=True)
class Proof:
    """What stands on the page.

    Attributes:
        product, gtin, lot: whose labels.
        facts: further facts of the lot, name and value.
        label: which label is shown, in words.
        lines: its human-readable lines.
        not_shown: values of the code that no line shows.
        bracketed: the code for people.
        rows: the modules, texts of 1 and 0.
        size: of the symbol.
        filled: its data codewords; used: how many of them the code takes.
        fit: as `rules.fit.check_fit` gives it.
        minimum: what a verifier has to find, in full.
        readings: each reader, and whether it read exactly this (None: it is not there).
        made: when, where, by whom; head: the journal's.
        practice: whether this is a practice record.
        paper: a name of `pages.PAPERS`.
    """

    product: str
    gtin: str
    lot: str
    facts: Sequence[tuple[str, str]]
    label: str
    lines: Sequence[str]
    not_shown: Sequence[str]
    bracketed: str
    rows: tuple[str, ...]
    size: Size
    filled: Sequence[int]
    used: int
    fit: Mapping[str, Any]
    minimum: str
    readings: Sequence[tuple[str, bool | None]]
    made: str
    head: str
    practice: bool
    paper: str = "A4"


def check_paper(paper: str) -> None:
    """Refuses `bad_value` for a paper that there is not."""
    if paper not in PAPERS:
        raise Refused(
            "bad_value",
            "There is no such paper.",
            expected=" or ".join(PAPERS),
            came=paper,
            remedy="Name one of these.",
        )


def page(proof: Proof) -> Sheet:
    """The page, all of it on one sheet."""
    width, height = PAPERS[proof.paper]
    sheet = Sheet(width, height, f"Proof of the label code, lot {proof.lot}")
    top = _add(sheet, _head(proof, width))
    right = width - _MARGIN - _COLUMN
    below = _add(sheet, _seen(proof, _MARGIN, top))
    other = _add(sheet, _rests(proof, right, top))
    _add(sheet, _foot(proof, width, height, max(below, other)))
    return sheet


def _add(sheet: Sheet, made: tuple[list[Item], float]) -> float:
    sheet.items.extend(made[0])
    return made[1]


def _head(proof: Proof, width: float) -> tuple[list[Item], float]:
    right = width - _MARGIN
    items: list[Item] = [
        Text(_MARGIN, 19, "Proof of the label code", 6.2, bold=True),
        Text(_MARGIN, 25.5, _cut(f"GTIN {proof.gtin}, {proof.product}", 74), 3),
        Text(right, 19, _cut(f"Lot {proof.lot}", 24), 5, "end", bold=True),
        Text(right, 25.5, proof.label, 3, "end"),
        Line(_MARGIN, 28.5, right, 28.5, INK, 0.4),
    ]
    if proof.practice:
        items += [
            box(_MARGIN, 7, right - _MARGIN, 5, fill=INK),
            Text(width / 2, 10.6, "PRACTICE RECORD: NOT FOR A REAL LOT", 3, "middle", True, PAPER),
        ]
    return items, 34.0


def _seen(proof: Proof, x: float, top: float) -> tuple[list[Item], float]:
    """The symbol twice, and the lines beside it."""
    size, module = proof.size, float(proof.fit["x"])
    wide, high = proof.fit["needs"]
    items: list[Item] = [_title("True size", x, top)]
    y = top + 3
    space = proof.fit["space"]
    if space:
        items += _space(space, x, y)
    inset = (space[0] - wide) / 2 if space and proof.fit["fits"] else 0.0
    lower = (space[1] - high) / 2 if space and proof.fit["fits"] else 0.0
    quiet = QUIET * module
    items.append(Cells(x + inset + quiet, y + lower + quiet, module, proof.rows))
    beside = x + max(wide, space[0] if space else 0.0) + 4
    if beside > x + _COLUMN - 30:  # no room beside: the measures stand below
        y, beside = y + max(high, space[1] if space else 0.0) + 1, x
    notes = [
        f"{wide:.2f} x {high:.2f} mm with quiet zone",
        f"{size.columns * module:.2f} x {size.rows * module:.2f} mm without",
        *([f"space {space[0]:.2f} x {space[1]:.2f} mm (dashed)"] if space else []),
    ]
    items += [Text(beside, y + 2.6 + 3.8 * n, note, 2.4) for n, note in enumerate(notes)]
    used = max(high, space[1] if space else 0.0, 3.8 * len(notes)) if beside > x else 12.0
    y += used + 6
    items += _ruler(x, y)
    return _enlarged(proof, x, y + 9, items)


def _space(space: Sequence[float], x: float, y: float) -> list[Item]:
    right, down = x + space[0], y + space[1]
    edges = ((x, y, right, y), (right, y, right, down), (right, down, x, down), (x, down, x, y))
    return [Line(*edge, SOFT, 0.15, dash=True) for edge in edges]


def _ruler(x: float, y: float) -> list[Item]:
    ticks: list[Item] = [
        Line(x + n, y, x + n, y + (2.2 if n % 10 == 0 else 1.1), INK, 0.1) for n in range(51)
    ]
    return [
        *ticks,
        Line(x, y, x + 50, y, INK, 0.1),
        Text(x + 52, y + 2.2, "50 mm", 2.2, fill=SOFT),
    ]


def _enlarged(proof: Proof, x: float, top: float, items: list[Item]) -> tuple[list[Item], float]:
    """The symbol as large as the column allows, its quiet zone outlined."""
    size, module = proof.size, float(proof.fit["x"])
    across, down = size.columns + 2 * QUIET, size.rows + 2 * QUIET
    factor = max(min(68 / (max(across, down) * module), 12.0), 1.0)
    factor = int(factor) if factor >= 2 else factor
    side = module * factor
    items.append(_title(f"Enlarged {factor:.3g} times", x, top))
    y = top + 3
    items.append(box(x, y, across * side, down * side, stroke=FAINT, line=0.15))
    items.append(Cells(x + QUIET * side, y + QUIET * side, side, proof.rows))
    y += down * side + 4
    note = f"{size.columns} x {size.rows} modules, quiet zone {QUIET} module (thin line)"
    items.append(Text(x, y, note, 2.2, fill=SOFT))
    y += 8
    items.append(_title("Human-readable lines", x, y))
    for line in proof.lines:
        y += 5.6
        items.append(Text(x, y, _cut(line, 42), 3.8))
    if proof.not_shown:
        y += 5
        told = f"In the code, but in no line: {', '.join(proof.not_shown)}."
        items.append(Text(x, y, told, 2.4, fill=SOFT))
    return items, y + 4


def _rests(proof: Proof, x: float, top: float) -> tuple[list[Item], float]:
    """Measures, what readers made of it, whether it fits, the lot."""
    items: list[Item] = []
    y = _table(items, "Symbol", _measures(proof), x, top)
    items.append(_title("Code", x, y))
    y += 1
    for line in _element_lines(proof.bracketed, 42):
        y += 4
        items.append(Text(x, y, line, 2.6, bold=True))
    y = _codewords(items, proof, x, y + 4)
    y = _table(items, "Read back", list(_readings(proof)), x, y + 4)
    y = _fits(items, proof, x, y)
    y = _table(items, "Lot", proof.facts, x, y)
    return items, y


def _element_lines(bracketed: str, most: int) -> list[str]:
    """The code in lines that break between elements where they can."""
    lines = [""]
    for element in re.split(r"(?<!\\)(?=\([0-9]{2}\))", bracketed):
        if len(lines[-1]) + len(element) <= most:
            lines[-1] += element
        else:
            lines += [element[start : start + most] for start in range(0, len(element), most)]
    return [line for line in lines if line]


def _measures(proof: Proof) -> list[tuple[str, str]]:
    size, fit = proof.size, proof.fit
    return [
        ("kind", "GS1 DataMatrix, ECC 200, FNC1 in first place"),
        ("size", f"{size.name} modules, the only size in this lot"),
        ("X-dimension", f"{fit['x']:.3f} mm"),
        ("quiet zone", f"{QUIET} X = {QUIET * fit['x']:.3f} mm on all sides"),
        ("codewords", f"{proof.used} used of {size.data}, {size.check} for correction"),
        ("verifier", f"at least {proof.minimum} (grade/aperture/light)"),
    ]


def _codewords(items: list[Item], proof: Proof, x: float, y: float) -> float:
    """The data codewords; FNC1 stands out, pads are pale."""
    a_row = 14
    if len(proof.filled) > 8 * a_row:
        items.append(Text(x, y, f"{len(proof.filled)} codewords, too many to list here", 2.2))
        return y + 3
    for place, word in enumerate(proof.filled):
        row, column = divmod(place, a_row)
        fill = INK if place < proof.used else "#9a9d9f"
        at = x + 5 + column * 6
        items.append(Text(at, y + row * 3.5, str(word), 2.2, "end", bold=word == FNC1, fill=fill))
    y += (len(proof.filled) - 1) // a_row * 3.5 + 3.5
    items.append(Text(x, y, f"{FNC1} is FNC1; pale ones are pads.", 2.1, fill=SOFT))
    return y + 2


def _readings(proof: Proof) -> Iterator[tuple[str, str]]:
    verdict = {True: "reads exactly this", False: "DOES NOT READ THIS", None: "no second reading"}
    for reader, right in proof.readings:
        name, _, more = reader.partition(" ")
        yield name.rstrip(":"), f"{verdict[right]} ({more})"


def _fits(items: list[Item], proof: Proof, x: float, y: float) -> float:
    fit = proof.fit
    verdict = {True: "yes, it fits", False: "NO", None: "no space is given"}[fit["fits"]]
    verdict += "" if fit["in_range"] else ", X IS NOT ALLOWED"
    items.append(_title(f"Does it fit? {verdict}", x, y))
    told = [*fit["arithmetic"]]
    told += [
        f"would fit: {one['size']}, X up to {one['x_up_to']:.3f} mm" for one in fit["would_fit"]
    ]
    for text in told:
        for line in wrap(text, 70):
            y += 3.6
            items.append(Text(x, y + 1, line, 2.15))
    return y + 8


def _table(
    items: list[Item], title: str, rows: Sequence[tuple[str, str]], x: float, y: float
) -> float:
    items.append(_title(title, x, y))
    for name, value in rows:
        y += _STEP
        items.append(Text(x, y + 1, name, 2.4, fill=SOFT))
        items.append(Text(x + 22, y + 1, _cut(value, 46), 2.4))
    return y + 8


def _foot(proof: Proof, width: float, height: float, above: float) -> tuple[list[Item], float]:
    """Signatures and cautions, at the lower edge or below what is longer."""
    right = width - _MARGIN
    cautions = [line for text in _CAUTIONS for line in wrap(text, 150)]
    below = height - 8 - 3.1 * (len(cautions) + 2)
    y = min(max(above, below - 34), below - 34)
    items: list[Item] = [
        box(_MARGIN, y, right - _MARGIN, 31, fill=GOOD),
        Text(_MARGIN + 3, y + 5.5, "First print held beside this page", 3, bold=True),
        Text(right - 3, y + 5.5, "symbol agrees: yes / no     lines agree: yes / no", 2.6, "end"),
    ]
    for number, who in enumerate(("Printer operator", "Quality unit")):
        line = y + 16 + number * 10.5
        items.append(Text(_MARGIN + 3, line, who, 2.6))
        for start, end, what in ((36, 86, "name"), (92, 122, "date"), (128, None, "signature")):
            last = _MARGIN + end if end else right - 3
            items.append(Line(_MARGIN + start, line + 0.6, last, line + 0.6, INK, 0.15))
            items.append(Text(_MARGIN + start, line + 3.4, what, 2, fill=SOFT))
    for number, text in enumerate(cautions):
        items.append(Text(_MARGIN, below + 2 + 3.1 * number, text, 2.1, fill=SOFT))
    last = below + 2 + 3.1 * len(cautions)
    items.append(Text(_MARGIN, last + 0.6, f"{proof.made}; {proof.head}", 2.1))
    return items, last


def _title(text: str, x: float, y: float) -> Text:
    return Text(x, y, text, 3.1, bold=True)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."
