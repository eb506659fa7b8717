"""Labels printed and photographed in simulation: symbols by zint, the damage by numpy and Pillow.

The images are read by zxing-cpp and libdmtx, so writer and readers share no code.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import zint
from numpy.typing import NDArray
from PIL import Image, ImageFilter

Gray = NDArray[np.uint8]
PAPER, INK, DOT = 225, 35, 4
"""Brightness of paper and print; pixels of a module."""
ROW, LANE = 190, 210
"""Pixels from row to row and from lane to lane."""


def modules(text: str, *, gs1: bool = True) -> NDArray[np.bool_]:
    """The dark modules of a square DataMatrix symbol; GS1 texts are bracketed: `[01]...`."""
    symbol = zint.Symbol()
    symbol.symbology = zint.Symbology.DATAMATRIX
    symbol.input_mode = zint.InputMode.GS1 if gs1 else zint.InputMode.DATA
    symbol.option_3 = 100  # DM_SQUARE: square symbols only
    symbol.show_text = False
    symbol.scale = 0.5  # one pixel a module
    symbol.encode(text)
    symbol.buffer()
    return np.asarray(symbol.bitmap)[:, :, 0] < 128


def label(dark: NDArray[np.bool_], *, room: int = 24) -> Gray:
    """A symbol on paper, with so many pixels around it."""
    printed = np.where(np.kron(dark, np.ones((DOT, DOT), dtype=bool)), INK, PAPER)
    return np.pad(printed, room, constant_values=PAPER).astype(np.uint8)


def photograph(gray: Gray, chance: np.random.Generator, harm: float, turn: float = 4.0) -> Gray:
    """The same as a camera might see it.

    Args:
        gray: what is on the paper.
        chance: of the harm.
        harm: 0 none, 1 mild, from 4 on hardly readable: blur, noise, low and uneven contrast,
            perspective, lost dots and spots.
        turn: at most so many degrees of rotation.
    """
    height, width = gray.shape
    image = Image.fromarray(_spotted(gray, chance, harm))
    shift = 0.02 * harm * min(width, height)
    corners = np.array([(0, 0), (0, height), (width, height), (width, 0)], dtype=float)
    moved = corners + chance.uniform(-shift, shift, (4, 2))
    image = image.transform(
        image.size,
        Image.Transform.QUAD,
        moved.ravel().tolist(),
        Image.Resampling.BILINEAR,
        fillcolor=PAPER,
    )
    image = image.rotate(
        float(chance.uniform(-turn, turn)), Image.Resampling.BICUBIC, expand=True, fillcolor=PAPER
    )
    image = image.filter(ImageFilter.GaussianBlur(float(chance.uniform(0, 0.55 * harm))))
    seen = np.asarray(image).astype(float)
    seen = 128 + (seen - 128) * (1 - min(0.16 * harm, 0.9) * chance.random())
    seen += np.linspace(0, 12 * harm * chance.random(), seen.shape[1])
    seen += chance.normal(0, 4 * harm, seen.shape) if harm else 0
    return np.clip(seen, 0, 255).astype(np.uint8)


def _spotted(gray: Gray, chance: np.random.Generator, harm: float) -> Gray:
    """Dots of ink that are missing, and spots of ink or of nothing."""
    spotted = gray.copy()
    height, width = gray.shape
    for _ in range(int(harm * chance.integers(0, 4))):
        y, x = chance.integers(0, height), chance.integers(0, width)
        size = int(chance.integers(2, 4 + 3 * max(harm, 1)))
        spotted[y : y + size, x : x + size] = chance.choice([INK, PAPER])
    return spotted


def spoil(gray: Gray, chance: np.random.Generator) -> Gray:
    """A symbol that was rubbed until no reader can tell what it was."""
    rubbed = gray.copy()
    third = gray.shape[0] // 3
    rubbed[third:-third, :] = chance.integers(INK, PAPER, rubbed[third:-third, :].shape)
    rubbed[:, third:-third] = PAPER
    return rubbed


def web(labels: Sequence[Sequence[Gray | None]]) -> Gray:
    """Rows of labels on one long strip; None leaves a place blank."""
    strip = np.full((ROW * len(labels), LANE * len(labels[0])), PAPER, dtype=np.uint8)
    for row, across in enumerate(labels):
        for lane, one in enumerate(across):
            if one is not None:
                top = row * ROW + (ROW - one.shape[0]) // 2
                left = lane * LANE + (LANE - one.shape[1]) // 2
                strip[top : top + one.shape[0], left : left + one.shape[1]] = one
    return strip


def save_frames(
    strip: Gray,
    folder: Path,
    *,
    rows: int,
    overlap: float = 0.0,
    turn: float = 0.0,
    ending: str = "png",
) -> list[Path]:
    """The strip in images of so many rows, each showing a part of the one before again."""
    folder.mkdir()
    height = rows * ROW
    made = []
    for number, top in enumerate(range(0, strip.shape[0], round(height * (1 - overlap))), 1):
        piece = np.full((height, strip.shape[1]), PAPER, dtype=np.uint8)
        part = strip[top : top + height]
        piece[: len(part)] = part
        if top and len(part) <= overlap * height:
            break
        image = Image.fromarray(piece).rotate(turn, Image.Resampling.BICUBIC, fillcolor=PAPER)
        made.append(folder / f"web{number}.{ending}")
        image.save(made[-1])
    return made
