"""The machine fails: a cut at every step of the job, a full or read-only disk, a locked database,
a clock that jumps, a copied file. What failed says so plainly, nothing is half-written, and the
same step works once the fault is gone.
"""

from __future__ import annotations

import sys
from pathlib import Path

from databases import Database

BENCHES = Path(__file__).parents[1] / "bench"


def test_every_step_of_a_lot_is_cut_short_and_given_again(
    database: Database, tmp_path: Path
) -> None:
    """One lot of the long form on each database: whatever the moment, the invariants hold after
    the cut, the same step ends, and the lot closes."""
    sys.path.insert(0, str(BENCHES))
    try:
        from rounds import LIFE, Rounds, table
    finally:
        sys.path.remove(str(BENCHES))
    rounds = Rounds(database.url, tmp_path, seed=1 if database.kind == "sqlite" else 2, killed=0.05)
    rounds.run(1, len(LIFE))
    assert not rounds.failed, rounds.failed
    assert rounds.survived == rounds.told and sum(rounds.told.values()) == len(LIFE)
    assert f"{len(LIFE)} of {len(LIFE)}" in table(rounds).splitlines()[-1]
