"""Symbols by other code bases, to hold ours against: zint, libdmtx, zxing-cpp.

libdmtx is driven through arbez-dmtx (the same code as the system's libdmtx0b with pylibdmtx).
"""

from __future__ import annotations

import ctypes
from ctypes import byref, c_int, cast, string_at

import arbez_dmtx._libdmtx.pylibdmtx as dmtx
import numpy as np
import zxingcpp
from arbez_dmtx._libdmtx import wrapper
from numpy.typing import NDArray

from serialkeeper.rules.datamatrix import SIZES, Size

GRAY = NDArray[np.uint8]
GS = "\x1d"

_library = wrapper.load_libdmtx() if hasattr(wrapper, "load_libdmtx") else wrapper.LIBDMTX
_attribute = _library.dmtxGetSymbolAttribute
_attribute.argtypes, _attribute.restype = [c_int, c_int], c_int


def attributes(index: int) -> dict[str, int]:
    """What libdmtx's own table says of a size (names of `DmtxSymAttribute` in dmtx.h)."""
    wanted = {"rows": 0, "columns": 1, "across": 4, "down": 5, "blocks": 8, "data": 11, "check": 12}
    return {name: _attribute(number, index) for name, number in wanted.items()}


def picture(dark: NDArray[np.bool_], *, dots: int = 6, quiet: int = 2) -> GRAY:
    """Modules as an image, black on white."""
    big = np.kron(dark, np.ones((dots, dots), dtype=bool))
    return np.pad(np.where(big, 0, 255), quiet * dots, constant_values=255).astype(np.uint8)


def dmtx_modules(data: bytes, size: Size, *, fnc1: bool = True) -> NDArray[np.bool_]:
    """What libdmtx makes of bytes in ASCII encodation, FNC1 given as byte 29."""
    schemes, sizes, props = wrapper.DmtxScheme, wrapper.DmtxSymbolSize, wrapper.DmtxProperty
    with dmtx._encoder() as encoder:
        for prop, value in (
            (props.DmtxPropScheme, schemes.DmtxSchemeAscii),
            (props.DmtxPropSizeRequest, getattr(sizes, f"DmtxSymbol{size.name}")),
            (props.DmtxPropModuleSize, 1),
            (props.DmtxPropMarginSize, 0),
        ):
            dmtx.dmtxEncodeSetProp(encoder, prop, value)
        if fnc1:
            dmtx.dmtxEncodeSetProp(encoder, props.DmtxPropFnc1, 29)
        if not dmtx.dmtxEncodeDataMatrix(encoder, len(data), cast(data, wrapper.c_ubyte_p)):
            raise ValueError("libdmtx refuses this")
        made = encoder[0].image
        width = dmtx.dmtxImageGetProp(made, props.DmtxPropWidth)
        height = dmtx.dmtxImageGetProp(made, props.DmtxPropHeight)
        pixels = string_at(made[0].pxl, width * height * 3)
    return np.frombuffer(pixels, dtype=np.uint8).reshape(height, width, 3)[:, :, 0] < 128


def dmtx_read(gray: GRAY) -> tuple[list[int], str, bytes] | None:
    """Data codewords, size and bytes (FNC1 as 29) of the first symbol that libdmtx reads."""
    pixels = np.ascontiguousarray(gray)
    height, width = pixels.shape
    start = pixels.ctypes.data_as(wrapper.c_ubyte_p)
    gray_packing = 300
    with dmtx._image(start, width, height, gray_packing) as image, dmtx._decoder(image, 1) as one:
        dmtx.dmtxDecodeSetProp(one, wrapper.DmtxProperty.DmtxPropFnc1, 29)
        end = dmtx.dmtxTimeAdd(dmtx.dmtxTimeNow(), 5000)
        with dmtx._region(one, byref(end)) as region:
            if not region:
                return None
            with dmtx._decoded_matrix_region(one, region, wrapper.DmtxUndefined) as message:
                if not message:
                    return None
                size = SIZES[region.contents.sizeIdx]
                found = message.contents
                words = list(string_at(found.code, found.codeSize))[: size.data]
                return words, size.name, ctypes.string_at(found.output, found.outputIdx)


def zxing_read(gray: GRAY) -> zxingcpp.Barcode | None:
    """The one symbol that zxing-cpp reads."""
    found = zxingcpp.read_barcodes(np.ascontiguousarray(gray))
    return found[0] if len(found) == 1 else None


def zxing_modules(text: str, size: Size) -> NDArray[np.bool_]:
    """What zxing-cpp (libzint, optimal encodation) makes of a bracketed text, one dot a module."""
    made = zxingcpp.create_barcode(
        text, zxingcpp.BarcodeFormat.DataMatrix, gs1=True, version=SIZES.index(size) + 1
    )
    image = np.asarray(zxingcpp.write_barcode_to_image(made, scale=1, add_quiet_zones=False))
    assert image.shape == (size.rows, size.columns)
    return image < 128
