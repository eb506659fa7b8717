"""DataMatrix symbols on an image: read by zxing-cpp, read once more by libdmtx.

A symbol counts as read where the readers agree, or where one of them reads it and the other
reads nothing; where they differ it is unread, with both texts in the detail. Error correction
is all that either does: nothing is completed from what the plan says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from importlib.metadata import version
from math import atan2, degrees, hypot
from pathlib import Path
from statistics import mean
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.outside.dmtx import SIZES, second_reader
from serialkeeper.rules.frames import CLOSE, Symbol
from serialkeeper.rules.gs1 import reader_text

if TYPE_CHECKING:
    import zxingcpp

BOTH, FIRST_ONLY, SECOND_ONLY, DIFFER, NONE = (
    "both",
    "zxing-cpp only",
    "libdmtx only",
    "differ",
    "none",
)
AGREEMENTS = (BOTH, FIRST_ONLY, SECOND_ONLY, DIFFER, NONE)

_LONGEST = 2_000
"""Characters of a text that a row of a results file holds with room to spare."""

_MOST_AT_ONCE = 255
"""Symbols that zxing-cpp gives of one image; more might be there."""

_PLAIN_IDENTIFIERS = ("]d1", "]d2", "]d3")
"""Those that both readers understand alike; the others carry a change of character set."""

_AROUND = 0.85
"""Part of a side, from the middle of a symbol, that the second reader is shown: all of a symbol
that is turned by 45 degrees, and no neighbour whole."""


@dataclass(frozen=True, slots=True)
class _Reading:
    """What zxing-cpp gives of one symbol: its place and, if it decoded, its text."""

    symbol: Symbol
    identifier: str


def readers() -> dict[str, str | None]:
    """The readers and their versions; None for a second reader that is not installed."""
    second = second_reader()
    return {"zxing-cpp": version("zxing-cpp"), "libdmtx": second.version if second else None}


def find_symbols(gray: NDArray[np.uint8], path: Path) -> tuple[Symbol, ...]:
    """Every symbol of an image, and what looks like one but does not decode.

    Args:
        gray: brightness, height x width.
        path: the image, for refusals.

    Refuses `image_too_large` where there are more symbols than are found at once.
    """
    found = _read(gray, errors=True)
    if len(found) >= _MOST_AT_ONCE:
        raise Refused(
            "image_too_large",
            "The image shows too many symbols.",
            where=str(path),
            expected=f"fewer than {_MOST_AT_ONCE}",
            came=f"{len(found)} or more",
            remedy="Cut the image between two rows.",
        )
    read = [one for one in found if one.symbol.text]
    marks = [
        one.symbol
        for one in found
        if not one.symbol.text and not any(_same_place(one.symbol, other.symbol) for other in read)
    ]
    return (*(_confirmed(one, gray) for one in read), *marks)


def find_other_codes(gray: NDArray[np.uint8]) -> list[str]:
    """The texts of QR and Code 128 symbols of an image, as a reader sends them: logistic labels and
    GS1 Digital Links. Only zxing-cpp reads them."""
    import zxingcpp

    formats = [zxingcpp.BarcodeFormat.QRCode, zxingcpp.BarcodeFormat.Code128]
    found = zxingcpp.read_barcodes(
        np.ascontiguousarray(gray), formats=zxingcpp.BarcodeFormats(formats)
    )
    return [reader_text(one.symbology_identifier, one.bytes) for one in found if one.bytes]


def _read(
    gray: NDArray[np.uint8], *, errors: bool = False, evenly_lit: bool = False
) -> list[_Reading]:
    import zxingcpp

    binarizer = zxingcpp.Binarizer
    found = zxingcpp.read_barcodes(
        np.ascontiguousarray(gray),
        formats=zxingcpp.BarcodeFormats([zxingcpp.BarcodeFormat.DataMatrix]),
        binarizer=binarizer.GlobalHistogram if evenly_lit else binarizer.LocalAverage,
        return_errors=errors,
    )
    return [_reading(one) for one in found]


def _reading(found: zxingcpp.Barcode) -> _Reading:
    at = found.position
    corners = [
        (point.x, point.y) for point in (at.top_left, at.top_right, at.bottom_right, at.bottom_left)
    ]
    sides = [
        (other[0] - one[0], other[1] - one[1])
        for one, other in zip(corners, corners[1:] + corners[:1], strict=True)
    ]
    turns = [(degrees(atan2(dy, dx)) + 45) % 90 - 45 for dx, dy in sides]
    # Angles near 45 degrees may stand on either side of the fold.
    turns = [turn - 90 if turn - turns[0] > 45 else turn for turn in turns]
    turns = [turn + 90 if turns[0] - turn > 45 else turn for turn in turns]
    extra = found.extra if isinstance(found.extra, dict) else {}
    text = reader_text(found.symbology_identifier, found.bytes) if found.valid else ""
    detail = "" if found.valid else f"found, but not decoded: {found.error}"
    if len(text) > _LONGEST:
        text, detail = "", f"decoded, but its text is {len(text)} characters long"
    symbol = Symbol(
        x=mean(x for x, _ in corners),
        y=mean(y for _, y in corners),
        side=mean(hypot(*side) for side in sides),
        angle=mean(turns),
        text=text,
        agreement=FIRST_ONLY if text else NONE,
        detail=detail,
        size=str(extra.get("Version", "")),
        unused=float(extra["UEC"]) if "UEC" in extra else None,
    )
    return _Reading(symbol, found.symbology_identifier)


def _same_place(one: Symbol, other: Symbol) -> bool:
    return hypot(one.x - other.x, one.y - other.y) <= CLOSE * max(one.side, other.side)


def _confirmed(found: _Reading, gray: NDArray[np.uint8]) -> Symbol:
    """What zxing-cpp read, held against what libdmtx reads in the same place."""
    symbol, second = found.symbol, second_reader()
    if not second or symbol.size not in SIZES or found.identifier not in _PLAIN_IDENTIFIERS:
        return symbol
    text = _second_text(_piece(gray, symbol), symbol.side, symbol.size)
    return _judged(symbol, {symbol.text}, {text} - {""})


def look_again(
    gray: NDArray[np.uint8], mark: Symbol, size: str, *, everywhere: bool = False
) -> Symbol:
    """Look once more, and closer, at a place where no symbol was read.

    zxing-cpp is shown the piece evenly lit and softened (printed dots flow together), libdmtx
    as it is; all that is read has to be the same text.

    Args:
        gray: the whole image.
        mark: where to look.
        size: modules of the symbols expected, such as `22x22`.
        everywhere: look at the whole image; else only around the mark.
    """
    from PIL import Image, ImageFilter

    piece = gray if everywhere else _piece(gray, mark)
    if not piece.size:
        return mark
    soft = np.asarray(Image.fromarray(piece).filter(ImageFilter.GaussianBlur(1)))
    readings = [*_read(piece, evenly_lit=True), *_read(soft)]
    if not everywhere:
        height, width = piece.shape
        middle = Symbol(width / 2, height / 2, mark.side, 0, "", NONE)
        readings = [one for one in readings if _same_place(one.symbol, middle)]
    first = {one.symbol.text for one in readings} - {""}
    second = _second_text(piece, mark.side, size) if size in SIZES else ""
    return _judged(mark, first, {second} - {""})


def _piece(gray: NDArray[np.uint8], symbol: Symbol) -> NDArray[np.uint8]:
    reach = _AROUND * symbol.side
    top, left = max(round(symbol.y - reach), 0), max(round(symbol.x - reach), 0)
    bottom, right = max(round(symbol.y + reach), 0), max(round(symbol.x + reach), 0)
    return gray[top:bottom, left:right]


def _second_text(piece: NDArray[np.uint8], side: float, size: str) -> str:
    reader = second_reader()
    found = reader.read(piece, side, size) if reader and piece.size else None
    text = reader_text(found.identifier, found.data) if found else ""
    return text if len(text) <= _LONGEST else ""


def _judged(symbol: Symbol, first: set[str], second: set[str]) -> Symbol:
    """The symbol with the one text that was read, or without any."""
    texts = sorted(first | second)
    if not texts:
        return symbol
    if len(texts) > 1:
        return replace(
            symbol, text="", agreement=DIFFER, detail=f"read as {' and as '.join(texts)}"
        )
    agreement = BOTH if first and second else FIRST_ONLY if first else SECOND_ONLY
    detail = "" if symbol.text else "read at the second look"
    return replace(symbol, text=texts[0], agreement=agreement, detail=detail)
