"""How far every chain of a record is, and whether a record still holds what a checkpoint says."""

from __future__ import annotations

from typing import Any

from serialkeeper.rules import checkpoints
from serialkeeper.rules.chain import HOUSE, LotKey
from serialkeeper.rules.checkpoints import Checkpoint
from serialkeeper.store.view import View


def generation_of(view: View) -> int:
    """Which copy of the record this is, from 1."""
    return int(view.setting("generation") or 1)


def keys_of(view: View) -> list[str]:
    """The public keys that the house chain names for checkpoints, in hex, the newest last."""
    return [
        entry.data["public_key"]
        for entry in view.entries(HOUSE)
        if entry.verb == "checkpoint key named"
    ]


def unprotected(view: View) -> dict[str, Any]:
    """What came after the last checkpoint that the record tells of, and could be rewritten unseen.

    Gives `since`, when that was (None if there is none), and `entries`, how many came after.
    """
    made = [entry for entry in view.entries(HOUSE) if entry.verb == "checkpoint made"]
    there = sum(chain.count for chain in view.chains())
    if not made:
        return {"since": None, "entries": there}
    # the entry that tells of the checkpoint is not covered by it
    return {"since": made[-1].data["at"], "entries": there - made[-1].data["entries"]}


def check_against(view: View, data: bytes, public_key: str, where: str) -> dict[str, Any]:
    """Hold the record against a checkpoint's file. Gives `since` and `entries`, as `unprotected`.

    Raises Damaged as `entries_after` does; refuses `bad_value` for a file that is no checkpoint
    of a key that counts.

    Args:
        data: the file.
        public_key: as it was handed over, in hex; without one the keys count that the record
            names.
        where: the file's name.
    """
    named = keys_of(view)
    keys = [public_key] if public_key else [key for key in named if key.encode() in data]
    wanted = keys[0] if keys else (named or ["that the record names"])[-1]
    checkpoint = checkpoints.read(data, wanted, where)
    return {"since": checkpoint.at, "entries": entries_after(view, checkpoint, generation_of(view))}


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
