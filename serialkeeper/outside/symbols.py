"""Symbols as SVG and PNG files, many at a time, and the container that holds them.

A symbol is drawn from its modules by lookup and array operations, so that a bulk export costs
some tens of microseconds a label. SVG is in millimetres; PNG has a whole number of dots a module,
one bit a dot, and says its resolution, so that a printer driver has nothing to scale.
"""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.outside.files import Delivery
from serialkeeper.rules.datamatrix import QUIET

_MADE = (1980, 1, 1, 0, 0, 0)
"""The time of every file in a container: none, so that the same labels give the same bytes."""


@cache
def _runs(rows: int, columns: int, quiet: int) -> list[bytes]:
    """A piece of SVG path by (row, first column, length) of a run of dark modules."""
    width = columns + 1
    return [
        f"M{column + quiet} {row + quiet}h{length}v1h-{length}z".encode()
        for row in range(rows)
        for column in range(width)
        for length in range(width)
    ]


def svg_paths(dark: NDArray[np.bool_], quiet: int = QUIET) -> Iterator[bytes]:
    """The outline of each symbol's dark modules, one unit a module, quiet zone included.

    Args:
        dark: symbols x rows x columns.
        quiet: modules of blank space on each side.
    """
    _, rows, columns = dark.shape
    width = columns + 1
    edges = np.zeros((len(dark), rows, width + 1), dtype=np.bool_)
    edges[:, :, 1:-1] = dark
    edges[:, :, :-1] ^= edges[:, :, 1:].copy()
    changes = np.flatnonzero(edges)  # where dark begins and where it ends, by turns
    line, start = np.divmod(changes[::2], width + 1)
    keys = ((line % rows * width + start) * width + (changes[1::2] - changes[::2])).tolist()
    ends = np.searchsorted(line, np.arange(1, len(dark) + 1) * rows).tolist()
    piece, first = _runs(rows, columns, quiet).__getitem__, 0
    for last in ends:
        yield b"".join(map(piece, keys[first:last]))
        first = last


def svg_files(
    dark: NDArray[np.bool_], module: float, note: str = "", quiet: int = QUIET
) -> Iterator[bytes]:
    """Each symbol as an SVG file, to scale, black on white with its quiet zone.

    Args:
        dark: symbols x rows x columns.
        module: the X-dimension in millimetres.
        note: what every file says of itself.
        quiet: modules of blank space on each side.
    """
    down, across = (side + 2 * quiet for side in dark.shape[1:])
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{across * module:.4f}mm" '
        f'height="{down * module:.4f}mm" viewBox="0 0 {across} {down}" '
        f'shape-rendering="crispEdges"><desc>{note}</desc>'
        f'<path fill="#fff" d="M0 0h{across}v{down}h-{across}z"/>'
        '<path d="'
    ).encode()
    for path in svg_paths(dark, quiet):
        yield b'%b%b"/></svg>\n' % (head, path)


def png_files(dark: NDArray[np.bool_], module: float, dots: int, note: str = "") -> Iterator[bytes]:
    """Each symbol as a PNG file, black on white with its quiet zone, one bit a dot.

    Args:
        dark: symbols x rows x columns.
        module: the X-dimension in millimetres, told as the file's resolution.
        dots: pixels along a module.
        note: what every file says of itself.
    """
    light = np.pad(~dark, ((0, 0), (QUIET, QUIET), (QUIET, QUIET)), constant_values=True)
    bits = np.packbits(light.repeat(dots, axis=2), axis=2)
    count, down, stride = bits.shape
    # The first line of a module row is given; its other lines are "as above" (PNG filter 2).
    lines = np.zeros((count, down, dots, stride + 1), dtype=np.uint8)
    lines[:, :, 0, 1:] = bits
    lines[:, :, 1:, 0] = 2
    across = light.shape[2] * dots
    header = struct.pack(">IIBBBBB", across, down * dots, 1, 0, 0, 0, 0)
    per_metre = round(dots / module * 1000)
    start = (
        b"\x89PNG\r\n\x1a\n"
        + _chunk(b"IHDR", header)
        + _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1))
        + (_chunk(b"tEXt", b"Comment\0" + note.encode("ascii")) if note else b"")
    )
    end = _chunk(b"IEND", b"")
    for one in lines.reshape(count, -1):
        packer = zlib.compressobj(1, strategy=zlib.Z_RLE)
        yield start + _chunk(b"IDAT", packer.compress(one.tobytes()) + packer.flush()) + end


def _chunk(name: bytes, data: bytes) -> bytes:
    return len(data).to_bytes(4, "big") + name + data + zlib.crc32(name + data).to_bytes(4, "big")


def module_texts(dark: NDArray[np.bool_]) -> list[str]:
    """Each symbol as text: a row of 1 (dark) and 0 (light) a module row, `/` between rows."""
    count, rows, columns = dark.shape
    text = np.full((count, rows, columns + 1), ord("/"), dtype=np.uint8)
    text[:, :, :-1] = dark + np.uint8(ord("0"))
    flat = text.reshape(count, -1)[:, :-1]
    return [one.tobytes().decode("ascii") for one in flat]


class Container:
    """A ZIP file that is written in one go: the same files give the same bytes.

    Args:
        delivery: where its bytes go.
    """

    def __init__(self, delivery: Delivery) -> None:
        self._sink = _Sink(delivery)
        sink: Any = self._sink  # it only writes, which is all that is asked of it here
        self._zip = zipfile.ZipFile(sink, "w", zipfile.ZIP_STORED)

    def add(self, files: Iterable[tuple[str, bytes]]) -> None:
        """Add files, by name and content."""
        for name, data in files:
            self._zip.writestr(zipfile.ZipInfo(name, _MADE), data)

    def close(self) -> None:
        """Write the list of contents."""
        self._zip.close()
        self._sink.send()


class _Sink:
    """A delivery as a file that only grows; small writes are put together."""

    def __init__(self, delivery: Delivery) -> None:
        self._delivery = delivery
        self._waiting: list[bytes] = []
        self._size = 0

    def write(self, data: bytes) -> int:
        self._waiting.append(bytes(data))
        self._size += len(data)
        if self._size > 1 << 20:
            self.send()
        return len(data)

    def send(self) -> None:
        self._delivery.write(b"".join(self._waiting))
        self._waiting, self._size = [], 0

    def flush(self) -> None:
        """Asked for by the container; what waits is sent at its end."""
