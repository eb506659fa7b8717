"""How many symbols a second one core draws, as SVG, PNG and module matrix, container included.

Processor time, not the clock's, so that others on the machine disturb less; median of 5 runs,
beside a limit from the same run: SHA-256 over the same bytes and a synced write of them.

    python tests/bench/symbols_rate.py [--labels 20000] [--size 24x24]
"""

from __future__ import annotations

import argparse
import hashlib
import os
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np

from serialkeeper.outside import symbols as drawn
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import datamatrix
from serialkeeper.rules.gs1 import ElementString

LETTERS = "0123456789ABCDEFGHJKLMNPQRSTUVWX"
BLOCK = 10_000


def codes_of(labels: int) -> list[ElementString]:
    """Element strings of a lot."""
    chance = np.random.default_rng(1)
    numbers = chance.choice(list(LETTERS), (labels, 12))
    return [
        ElementString(f"010952123454321321{''.join(one)}\x1d1728063010LOT24A") for one in numbers
    ]


def export(codes: list[ElementString], size: datamatrix.Size, form: str, out: Path) -> None:
    """Draw all of them into one file, a block at a time, as the command does."""
    with Delivery(out) as file:
        container = None if form == "matrix" else drawn.Container(file)
        for first in range(0, len(codes), BLOCK):
            dark = datamatrix.draw(codes[first : first + BLOCK], size)
            if container is None:
                file.write("\n".join(drawn.module_texts(dark)).encode())
                continue
            files = drawn.svg_files(dark, 0.38) if form == "svg" else drawn.png_files(dark, 0.38, 9)
            container.add((f"{first + n:09}.{form}", data) for n, data in enumerate(files))
        if container:
            container.close()
        file.sync()
        file.deliver()


def limit(out: Path) -> float:
    """Processor seconds of hashing the file's bytes and writing them once more."""
    data = out.read_bytes()
    start = time.process_time()
    hashlib.sha256(data).hexdigest()
    with out.with_suffix(".again").open("wb") as file:
        file.write(data)
        os.fsync(file.fileno())
    return time.process_time() - start


def measure(labels: int, size_name: str, form: str, runs: int = 5) -> tuple[float, float, float]:
    """Symbols a processor second, how often the limit, and bytes a symbol."""
    size, codes = datamatrix.size_named(size_name), codes_of(labels)
    took, limits, length = [], [], 0
    for _ in range(runs):
        with tempfile.TemporaryDirectory() as folder:
            out = Path(folder) / "symbols"
            start = time.process_time()
            export(codes, size, form, out)
            took.append(time.process_time() - start)
            limits.append(limit(out))
            length = out.stat().st_size
    return labels / median(took), median(took) / median(limits), length / labels


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labels", type=int, default=20_000)
    parser.add_argument("--size", default="24x24")
    told = parser.parse_args()
    print("| form | symbols a second, one core | times the limit | bytes |\n|---|---|---|---|")
    for form in ("svg", "png", "matrix"):
        rate, times, length = measure(told.labels, told.size, form)
        print(f"| {form} | {rate:,.0f} | {times:.1f} | {length:,.0f} |")


if __name__ == "__main__":
    main()
