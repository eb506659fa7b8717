"""Image files of labels: opened whole and checked, or refused with the file's name."""

from __future__ import annotations

import hashlib
import io
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused, Unavailable

if TYPE_CHECKING:
    from PIL import Image

ENDINGS = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".pgm")
MOST_BYTES = 500_000_000
MOST_PIXELS = 80_000_000
"""An image of 8,192 pixels across and some 9,700 along; a longer one is cut by the camera."""

_FORMATS = ("PNG", "JPEG", "TIFF", "PPM")
_DAMAGE = (OSError, SyntaxError, ValueError, EOFError, IndexError, TypeError, struct.error)
"""What the image library raises for files that are cut or altered."""


@dataclass(frozen=True, slots=True)
class Picture:
    """An image as it lay in the folder.

    Attributes:
        name: the file's name.
        sha256: of the file's bytes, in hex.
        size: of the file in bytes.
        gray: brightness 0 to 255, height x width, straightened as the file says.
    """

    name: str
    sha256: str
    size: int
    gray: NDArray[np.uint8]


def find_images(folder: Path) -> tuple[list[str], list[str]]:
    """Names of the images of a folder, and of the other files there.

    Refuses `file_missing` where there is no folder, `images_empty` where it holds no image.
    """
    if not folder.is_dir():
        raise Refused(
            "file_missing",
            "The folder of images is not there.",
            where=str(folder),
            expected="a folder",
            came="a file" if folder.exists() else "nothing",
            remedy="Check the folder's name.",
        )
    names = sorted(path.name for path in folder.iterdir() if path.is_file())
    images = [name for name in names if name.lower().endswith(ENDINGS)]
    if not images:
        raise Refused(
            "images_empty",
            "The folder holds no image.",
            where=str(folder),
            expected=f"files ending in {', '.join(ENDINGS)}",
            came=", ".join(names[:5]) or "an empty folder",
            remedy="Check that it is the right folder; folders inside it are not looked at.",
        )
    return images, [name for name in names if name not in images]


def image_named(text: str) -> Path | None:
    """The image file that the text names; None if it does not look like the name of one.

    Refuses `file_missing` for the name of an image that is not there.
    """
    if not text.lower().endswith(ENDINGS):
        return None
    try:
        there = Path(text).is_file()
    except (OSError, ValueError):  # too long for a name, or signs that no name has
        there = False
    if not there:
        raise Refused(
            "file_missing",
            "This looks like the name of an image, and no such file is there.",
            where=text,
            expected="an image file, or a code",
            came="no file",
            remedy="Check the name; a code that really ends so is read by: scan -",
        )
    return Path(text)


def open_image(path: Path) -> Picture:
    """Read an image file. Refuses `image_unreadable` and `image_too_large`."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise _too_large(path, f"{MOST_BYTES:,} bytes", f"{path.stat().st_size:,} bytes")
        data = path.read_bytes()
    except OSError as error:
        raise Unavailable(
            "file_missing",
            f"The image cannot be read: {error.strerror}.",
            where=str(path),
            remedy="Check the file and the right to read it.",
        ) from None
    from PIL import Image, ImageOps

    try:
        with Image.open(io.BytesIO(data), formats=_FORMATS) as image:
            if image.width * image.height > MOST_PIXELS:
                came = f"{image.width} x {image.height}"
                raise _too_large(path, f"{MOST_PIXELS:,} pixels", came)
            if getattr(image, "n_frames", 1) > 1:
                raise _unreadable(path, f"{getattr(image, 'n_frames', 1)} images in one file")
            gray = _gray(ImageOps.exif_transpose(image))
    except Image.DecompressionBombError:
        raise _too_large(path, f"{MOST_PIXELS:,} pixels", "far more") from None
    except _DAMAGE as error:
        raise _unreadable(path, str(error) or type(error).__name__) from None
    return Picture(path.name, hashlib.sha256(data).hexdigest(), len(data), gray)


def _gray(image: Image.Image) -> NDArray[np.uint8]:
    """Brightness; what is transparent is white, deep images are scaled to what they hold."""
    if image.mode.startswith(("I", "F")):
        deep = np.asarray(image).astype(np.float64)
        most = float(deep.max(initial=1))
        return (np.clip(deep, 0, None) * (255 / max(most, 1))).astype(np.uint8)
    from PIL import Image

    if image.has_transparency_data:
        white = Image.new("RGBA", image.size, "white")
        image = Image.alpha_composite(white, image.convert("RGBA"))
    return np.asarray(image.convert("L"))


def _too_large(path: Path, expected: str, came: str) -> Refused:
    return Refused(
        "image_too_large",
        "The image is too large.",
        where=str(path),
        expected=f"at most {expected}",
        came=came,
        remedy="Let the camera write shorter images, or cut this one between two rows.",
    )


def _unreadable(path: Path, came: str) -> Refused:
    return Refused(
        "image_unreadable",
        "The image cannot be read.",
        where=str(path),
        expected="one whole PNG, JPEG, TIFF or PGM image",
        came=came,
        remedy="Fetch the file from the camera again; nothing was written.",
    )
