"""Our own symbols, read back by other people's code before anybody prints them."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version

import numpy as np
from numpy.typing import NDArray

from serialkeeper.outside.dmtx import second_reader
from serialkeeper.rules.datamatrix import Size
from serialkeeper.rules.gs1 import DATAMATRIX_ID, ElementString

_DOTS, _BLANK = 6, 3
"""Pixels along a module, and modules of paper around the symbol that the readers are shown."""


@dataclass(frozen=True, slots=True)
class ReadBack:
    """What one reader made of a symbol.

    Attributes:
        reader: its name and version.
        right: it read exactly what was meant, as a GS1 DataMatrix; None where it is not there.
        codewords: those of the data, where the reader gives them.
    """

    reader: str
    right: bool | None
    codewords: tuple[int, ...] = ()


def read_back(
    dark: NDArray[np.bool_], code: ElementString, filled: NDArray[np.uint8], size: Size
) -> tuple[ReadBack, ReadBack]:
    """What zxing-cpp and libdmtx read in one symbol.

    Args:
        dark: its modules.
        code: what it should say.
        filled: the codewords that libdmtx should find, FNC1 among them as such.
    """
    big = np.kron(np.pad(dark, _BLANK), np.ones((_DOTS, _DOTS), dtype=np.bool_))
    gray = np.where(big, 0, 255).astype(np.uint8)
    return _first(gray, code), _second(gray, code, filled, size)


def _first(gray: NDArray[np.uint8], code: ElementString) -> ReadBack:
    import zxingcpp

    found = zxingcpp.read_barcodes(gray)
    right = [(one.symbology_identifier, one.bytes) for one in found] == [
        (DATAMATRIX_ID, code.encode("ascii"))
    ]
    return ReadBack(f"zxing-cpp {version('zxing-cpp')}", right)


def _second(
    gray: NDArray[np.uint8], code: ElementString, filled: NDArray[np.uint8], size: Size
) -> ReadBack:
    reader = second_reader()
    if not reader:
        return ReadBack("libdmtx: not installed", None)
    found = reader.read(gray, size.columns * _DOTS, size.name)
    if not found:
        return ReadBack(f"libdmtx {reader.version}", right=False)
    words = tuple(found.codewords[: size.data])
    right = (
        found.identifier == DATAMATRIX_ID
        and found.data == code.encode("ascii")
        and words == tuple(filled.tolist())
    )
    return ReadBack(f"libdmtx {reader.version}", right, words)
