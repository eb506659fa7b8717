"""libdmtx, as a second reader of DataMatrix symbols beside zxing-cpp.

The library's own functions are called directly, because the usual bindings lose FNC1 and the
separators. It is the system's library if there is one, else the one that the package
`arbez-dmtx` brings along; where neither is there, everything but the second reading works.

Source: dmtx.h of libdmtx 0.7.5 and later (the layout of `DmtxMessage` and the properties).
"""

from __future__ import annotations

import ctypes
import ctypes.util
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

_FIRST_WITH_FNC1 = (0, 7, 5)
_FNC1_PROPERTY, _SHORTEST_EDGE, _LONGEST_EDGE, _SCAN_GAP, _SIZE = 104, 200, 201, 202, 204
_GRAY = 300
_ENOUGH = 6
"""Pixels along a module that the library needs; a larger image is shrunk by a whole number."""
_AS_THE_SYMBOL_ALLOWS = -1
_FNC1 = 0x1D
"""The byte that stands for FNC1 in what libdmtx gives; the same as the separator GS."""
_CODEWORD_FNC1, _CODEWORD_ECI = 232, 241
"""ISO/IEC 16022 codewords (from memory; held against zxing-cpp by the tests)."""

SIZES = (
    *(f"{n}x{n}" for n in (*range(10, 27, 2), *range(32, 53, 4), *range(64, 105, 8))),
    *("120x120", "132x132", "144x144"),
    *("8x18", "8x32", "12x26", "12x36", "16x36", "16x48"),
)
"""Rows and columns of the symbols of ISO/IEC 16022, in the library's order."""

_SMALLEST = 10
"""Pixels across the smallest symbol there is, one a module; the library ends the whole program when
it is shown an image of a few pixels."""


class _Message(ctypes.Structure):
    _fields_ = (
        ("arraySize", ctypes.c_size_t),
        ("codeSize", ctypes.c_size_t),
        ("outputSize", ctypes.c_size_t),
        ("outputIdx", ctypes.c_int),
        ("padCount", ctypes.c_int),
        ("fnc1", ctypes.c_int),
        ("array", ctypes.POINTER(ctypes.c_ubyte)),
        ("code", ctypes.POINTER(ctypes.c_ubyte)),
        ("output", ctypes.POINTER(ctypes.c_ubyte)),
    )


@dataclass(frozen=True, slots=True)
class SecondReading:
    """What libdmtx read in a piece of an image.

    Attributes:
        data: the symbol's bytes, FNC1 in first place left out, separators as GS.
        identifier: the symbology identifier, `]d2` only where FNC1 stands first.
        codewords: the symbol's, corrected; those of error correction follow those of the data.
    """

    data: bytes
    identifier: str
    codewords: bytes = b""


@dataclass(frozen=True, slots=True)
class SecondReader:
    """The library once it is loaded.

    Attributes:
        version: what the library says of itself, and where it came from.
    """

    version: str
    library: ctypes.CDLL

    def read(self, gray: NDArray[np.uint8], side: float, size: str) -> SecondReading | None:
        """The first symbol of that size that decodes in a small image; None if none does.

        Args:
            gray: brightness, height x width.
            side: pixels along a side of the symbol.
            size: modules, one of `SIZES`.
        """
        shrink = max(1, int(side / int(size.partition("x")[0]) / _ENOUGH))
        edge = side / shrink
        if min(gray.shape) < max(shrink * _SMALLEST, side / 2):
            return None
        pixels = np.ascontiguousarray(gray)
        call = self.library
        height, width = pixels.shape
        start = pixels.ctypes.data_as(ctypes.c_void_p)
        with (
            self._owned("dmtxImageDestroy", call.dmtxImageCreate(start, width, height, _GRAY)) as i,
            self._owned("dmtxDecodeDestroy", call.dmtxDecodeCreate(i, shrink)) as decoder,
        ):
            for name, value in (
                (_FNC1_PROPERTY, _FNC1),
                (_SHORTEST_EDGE, int(edge * 0.5)),
                (_LONGEST_EDGE, int(edge * 1.5)),
                (_SCAN_GAP, max(2, int(edge / 8))),
                (_SIZE, SIZES.index(size)),
            ):
                call.dmtxDecodeSetProp(decoder, name, value)
            for region in self._regions(decoder):
                made = call.dmtxDecodeMatrixRegion(decoder, region, _AS_THE_SYMBOL_ALLOWS)
                if made:
                    with self._owned("dmtxMessageDestroy", made) as message:
                        return _reading(ctypes.cast(message, ctypes.POINTER(_Message)).contents)
        return None

    def _regions(self, decoder: ctypes.c_void_p) -> Iterator[ctypes.c_void_p]:
        while found := self.library.dmtxRegionFindNext(decoder, None):
            with self._owned("dmtxRegionDestroy", found) as region:
                yield region

    @contextmanager
    def _owned(self, destroy: str, address: int) -> Iterator[ctypes.c_void_p]:
        """Something of the library's, given back at the end."""
        if not address:
            raise MemoryError(f"libdmtx gave nothing to {destroy}")
        pointer = ctypes.c_void_p(address)
        try:
            yield pointer
        finally:
            getattr(self.library, destroy)(ctypes.byref(pointer))


def _reading(message: _Message) -> SecondReading:
    data = ctypes.string_at(message.output, message.outputIdx)
    codewords = ctypes.string_at(message.code, message.codeSize)
    if codewords[:1] == bytes([_CODEWORD_FNC1]):
        return SecondReading(data[1:], "]d2", codewords)
    if codewords[1:2] == bytes([_CODEWORD_FNC1]):
        return SecondReading(data, "]d3", codewords)
    identifier = "]d4" if codewords[:1] == bytes([_CODEWORD_ECI]) else "]d1"
    return SecondReading(data, identifier, codewords)


@cache
def second_reader() -> SecondReader | None:
    """The library, or None where it is not installed or too old."""
    for name, place in _places():
        try:
            library = ctypes.CDLL(name)
            version = _declare(library)
        except (OSError, AttributeError):
            continue
        if tuple(int(piece) for piece in version.split(".") if piece.isdigit()) < _FIRST_WITH_FNC1:
            continue
        return SecondReader(f"{version} ({place})", library)
    return None


def _places() -> Iterator[tuple[str, str]]:
    if system := ctypes.util.find_library("dmtx"):
        yield system, "of the system"
    if (package := find_spec("arbez_dmtx")) and package.origin:
        folder = Path(package.origin).parent / "_libdmtx"
        for path in sorted(folder.glob("libdmtx.*")):
            yield str(path), "of arbez-dmtx"


def _declare(library: ctypes.CDLL) -> str:
    """Say what the functions take and give; gives the library's version."""
    pointer, number = ctypes.c_void_p, ctypes.c_int
    kinds: dict[str, tuple[Any, list[Any]]] = {
        "dmtxVersion": (ctypes.c_char_p, []),
        "dmtxImageCreate": (pointer, [pointer, number, number, number]),
        "dmtxDecodeCreate": (pointer, [pointer, number]),
        "dmtxDecodeSetProp": (ctypes.c_uint, [pointer, number, number]),
        "dmtxRegionFindNext": (pointer, [pointer, pointer]),
        "dmtxDecodeMatrixRegion": (pointer, [pointer, pointer, number]),
        **{
            f"dmtx{kind}Destroy": (ctypes.c_uint, [pointer])
            for kind in ("Image", "Decode", "Region", "Message")
        },
    }
    for name, (result, arguments) in kinds.items():
        function = getattr(library, name)
        function.restype, function.argtypes = result, arguments
    return str(library.dmtxVersion().decode("ascii"))
