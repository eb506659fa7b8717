"""Carriers that are not a label's DataMatrix: QR symbols of GS1 Digital Links, GS1-128 of an SSCC.

Written by libzint, which comes with zxing-cpp. It swallows options it does not know, so what it
made is held against what was asked for, and read back.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import zxingcpp

QR_QUIET = 4
"""Modules of blank space around a QR symbol (ISO/IEC 18004; from memory)."""

QR_LEVEL = "M"
"""Error correction: 15 % of the codewords."""


def qr_side(uri: str) -> int:
    """Modules along the side of the smallest QR symbol that holds a URI."""
    return len(_modules(_qr(uri)))


def qr_symbols(uris: Sequence[str], side: int) -> NDArray[np.bool_]:
    """QR symbols, all with so many modules along a side; symbols x rows x columns.

    Raises ValueError where a URI does not fit.
    """
    version = (side - 17) // 4
    made = np.zeros((len(uris), side, side), dtype=np.bool_)
    for number, uri in enumerate(uris):
        dark = _modules(_qr(uri, version=version))
        if dark.shape != (side, side):
            raise ValueError(f"the symbol has {dark.shape[0]} modules, not {side}")
        made[number] = dark
    return made


def _qr(uri: str, **more: int) -> zxingcpp.Barcode:
    import zxingcpp

    return zxingcpp.create_barcode(uri, zxingcpp.BarcodeFormat.QRCode, ec_level=QR_LEVEL, **more)


def gs1_128_bars(bracketed: str) -> str:
    """The bars of a GS1-128 symbol without quiet zone: 1 and 0, a sign a module."""
    import zxingcpp

    made = zxingcpp.create_barcode(bracketed, zxingcpp.BarcodeFormat.Code128, gs1=True)
    return "".join("1" if dark else "0" for dark in _modules(made)[0])


def _modules(made: zxingcpp.Barcode) -> NDArray[np.bool_]:
    import zxingcpp

    image = zxingcpp.write_barcode_to_image(made, scale=1, add_quiet_zones=False)
    dark: NDArray[np.bool_] = np.asarray(image) < 128
    return dark


def reads(dark: NDArray[np.bool_], identifier: str, data: bytes, quiet: int) -> bool:
    """Whether zxing-cpp reads exactly this in a symbol.

    Args:
        dark: its modules; a linear symbol has rows that are all alike.
        identifier: the symbology identifier wanted, such as `]Q1`.
        data: the bytes wanted.
        quiet: modules of blank space around it.
    """
    import zxingcpp

    big = np.kron(np.pad(dark, quiet), np.ones((4, 4), dtype=np.bool_))
    found = zxingcpp.read_barcodes(np.where(big, 0, 255).astype(np.uint8))
    return [(one.symbology_identifier, one.bytes) for one in found] == [(identifier, data)]
