"""Ask BWIPP, an encoder in PostScript with the whole set of GS1's rules, what it says of a code.

It needs ghostscript, which no Python package brings; a test that asks skips where there is none.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest
import treepoem

ENCODERS = Path(treepoem.__file__).parent / "postscriptbarcode" / "barcode.ps"

ASKED = """
mark {{ 0 0 moveto <{code}> (dontdraw) /{symbol} /uk.co.terryburton.bwipp findresource exec }}
stopped {{ $error /errorname get 100 string cvs print }} {{ (fine) print }} ifelse
(\\n) print cleartomark
"""


def verdicts(codes: Sequence[str], symbol: str = "gs1datamatrix") -> list[str]:
    """`fine` or the name of the error, for each bracketed code; one run of the interpreter."""
    program = shutil.which("gs")
    if program is None:
        pytest.skip("ghostscript is not installed, and BWIPP runs in it")
    asked = [ASKED.format(code=code.encode().hex(), symbol=symbol) for code in codes]
    done = subprocess.run(
        [program, "-q", "-dNODISPLAY", "-dBATCH", f"--permit-file-read={ENCODERS}", "-"],
        input=f"({ENCODERS}) run\n" + "".join(asked) + "quit\n",
        capture_output=True,
        text=True,
        check=True,
    )
    told = done.stdout.split()
    assert len(told) == len(codes), done.stdout + done.stderr
    return told
