"""How long taking in numbers of others takes, beside an allocation of as many of our own.

    python tests/bench/imports.py                      # a million numbers of each form
    python tests/bench/imports.py --labels 100000

Each form is taken into a fresh record; the allocation runs in the same process right before it,
so read the ratios. Peak memory is that of a process that did nothing but the import.
"""

from __future__ import annotations

import argparse
import resource
import secrets
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter

from job import GTIN, LOT, Job

import serialkeeper as sk

FORMS = ("serial", "code", "link")


def write(path: Path, form: str, labels: int) -> None:
    """Random numbers of 13 characters; codes and links carry 44 characters in (92)."""
    with path.open("w") as file:
        file.write("serial\n" if form == "serial" else "code\n")
        for _ in range(labels):
            serial, key = secrets.token_hex(7)[:13].upper(), secrets.token_hex(22)
            file.write(
                {
                    "serial": serial,
                    "code": f"01{GTIN}21{serial}{{GS}}91EE06{{GS}}92{key}",
                    "link": f"https://example.org/01/{GTIN}/21/{serial}?91=EE06&92={key}",
                }[form]
                + "\n"
            )


def measure(folder: Path, form: str, labels: int) -> tuple[float, float, int]:
    """Seconds of the import and of an allocation, and peak megabytes of both."""
    path = folder / "numbers.csv"
    write(path, form, labels)
    job = Job(folder, labels)
    job.open_lot("OWN")
    job.open_lot()
    start = perf_counter()
    sk.serials.allocate(job.record, "OWN", labels)
    own = perf_counter() - start
    start = perf_counter()
    sk.serials.import_(job.record, LOT, path)
    taken = perf_counter() - start
    job.close()
    return taken, own, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def main() -> None:
    """Measure every form in a process of its own."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--labels", type=int, default=1_000_000, help="numbers of a file")
    parser.add_argument("--form", choices=FORMS, help="one form, in this process")
    given = parser.parse_args()
    if given.form:
        with tempfile.TemporaryDirectory(prefix="imports-") as name:
            taken, own, megabytes = measure(Path(name), given.form, given.labels)
        print(f"{given.form:8} {taken:7.1f} s  {taken / own:5.1f} x allocate  {megabytes} MB")
        return
    for form in FORMS:
        command = [sys.executable, __file__, "--labels", str(given.labels), "--form", form]
        subprocess.run(command, check=True)


if __name__ == "__main__":
    main()
