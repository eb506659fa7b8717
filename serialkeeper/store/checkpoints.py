"""How far every chain of a record is, and whether a record still holds what a checkpoint says."""

from __future__ import annotations

from serialkeeper.rules import checkpoints
from serialkeeper.rules.chain import HOUSE, LotKey
from serialkeeper.rules.checkpoints import Checkpoint
from serialkeeper.store.view import View


def take(view: View, generation: int, at: str) -> Checkpoint:
    """What the record holds now, worked out from the entries' bytes.

    Args:
        generation: which copy of the record this is.
        at: the time, UTC, RFC 3339 with milliseconds.
    """
    keys = [LotKey(chain.product_id, chain.lot_id) for chain in view.chains()]
    marks = [checkpoints.mark(key, view.stored_entries(key)) for key in sorted(keys)]
    return Checkpoint(view.hash_at(HOUSE, 1).hex(), generation, at, tuple(marks))


def entries_after(view: View, checkpoint: Checkpoint, generation: int) -> int:
    """How many entries came after a checkpoint, and so are not protected by it.

    Raises Damaged for another record, an older copy, or the first chain that is missing, cut
    or rewritten. A chain that is newer than the checkpoint counts whole.

    Args:
        checkpoint: one whose signature was checked.
        generation: which copy of the record this is.
    """
    checkpoints.check_record(checkpoint, view.hash_at(HOUSE, 1).hex(), generation)
    after = 0
    for told in checkpoint.marks:
        name = "house chain" if told.key == HOUSE else f"chain of lot {told.key.lot_id}"
        after += checkpoints.check_chain(told, view.stored_entries(told.key), name)
    there = {told.key for told in checkpoint.marks}
    for chain in view.chains():
        key = LotKey(chain.product_id, chain.lot_id)
        if key not in there:
            after += sum(1 for _ in view.stored_entries(key))
    return after
