"""How well our symbols read when they are photographed badly: reading rate against harm.

Each symbol is drawn by us, printed and photographed in simulation (blur, noise, contrast,
perspective, rotation, lost dots and spots; `tests/job/photos.py`), and read as `inspect images`
reads: by zxing-cpp and libdmtx together. What is read is held against what was drawn.

    python tests/bench/photographs.py [--labels 400] [--seed 1]
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from serialkeeper.outside.decoding import find_symbols
from serialkeeper.rules import datamatrix
from serialkeeper.rules.gs1 import ElementString, to_file

HARMS = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
SIZES = ("22x22", "24x24", "26x26", "16x48")
LETTERS = "0123456789ABCDEFGHJKLMNPQRSTUVWX"


@dataclass
class Tally:
    """Photographs with one amount of harm: how many were read right, and how many wrong."""

    harm: float
    taken: int = 0
    right: int = 0
    wrong: int = 0


def measure(labels: int, seed: int, harms: tuple[float, ...] = HARMS) -> list[Tally]:
    """Photographs of so many symbols for each amount of harm."""
    sys.path.append(str(Path(__file__).parents[1] / "job"))
    from photos import label, photograph

    chance = np.random.default_rng(seed)
    made = []
    for harm in harms:
        tally = Tally(harm)
        for number in range(labels):
            size = datamatrix.size_named(SIZES[number % len(SIZES)])
            serial = "".join(chance.choice(list(LETTERS), 9))
            code = ElementString(f"010952123454321321{serial}\x1d1728063010L{number % 90 + 10}")
            dark = datamatrix.draw([code], size)[0]
            seen = photograph(label(dark), chance, harm)
            texts = {one.text for one in find_symbols(seen, Path("photograph")) if one.text}
            tally.taken += 1
            tally.right += texts == {f"]d2{to_file(code)}"}
            tally.wrong += bool(texts - {f"]d2{to_file(code)}"})
        made.append(tally)
    return made


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labels", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    print("| harm | photographs | read | read wrong |\n|---|---|---|---|")
    for one in measure(told.labels, told.seed):
        print(f"| {one.harm} | {one.taken} | {one.right / one.taken:.1%} | {one.wrong} |")


if __name__ == "__main__":
    main()
