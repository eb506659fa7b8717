"""How far every chain of a record is, and whether a record still holds what a checkpoint says."""

from __future__ import annotations

from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import checkpoints, inclusion
from serialkeeper.rules.chain import HOUSE, Entry, LotKey, Part, parse
from serialkeeper.rules.checkpoints import Checkpoint
from serialkeeper.store.lives import life_of
from serialkeeper.store.record import Work
from serialkeeper.store.verify import sound_part
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
    checkpoint = read(view, data, public_key, where)
    return {"since": checkpoint.at, "entries": entries_after(view, checkpoint, generation_of(view))}


def read(view: View, data: bytes, public_key: str, where: str) -> Checkpoint:
    """A checkpoint's file, signed with the key given, or else with one that the record names.

    Refuses `bad_value`.
    """
    named = keys_of(view)
    keys = [public_key] if public_key else [key for key in named if key.encode() in data]
    return checkpoints.read(data, (keys or named[-1:] or ["that the record names"])[0], where)


def prove(
    view: View, checkpoint: Checkpoint, key: LotKey, *, seq: int = 0, label: int = 0
) -> dict[str, Any]:
    """What shows that one entry stands in a chain, or what the chain says of one label.

    Of a label three entries are shown: the lot's first, the one that gave the number, and the last
    one before the checkpoint that decided the label's state; the latter two with the part that
    holds the label, if it stands in one.

    Raises Damaged if the chain is not the one that the checkpoint tells of, or a part was altered;
    refuses `not_covered`.

    Args:
        checkpoint: one whose signature was checked.
        seq: the entry's number, from 1, or
        label: a position in the lot.

    Returns:
        `document`, the proof's bytes; `entries`, those shown; `size` and `root` of the chain's
        tree; `later`, entries of the chain (or moves of the label) after the checkpoint.
    """
    checkpoints.check_record(checkpoint, view.hash_at(HOUSE, 1).hex(), generation_of(view))
    mark = checkpoint.mark(key)
    if mark is None:
        raise _not_covered(checkpoint, "a chain that it covers", "a lot that was opened later")
    stored = list(view.stored_entries(key))
    later = checkpoints.check_chain(mark, stored, name_of(key))
    bodies = [body for _, body, _ in stored[: mark.count]]
    if label:
        every = [one for one in life_of(view, view.lot_at(key), label) if one["to"]]
        moves = [one["entry"] for one in every if one["entry"] <= mark.count]
        later = len(every) - len(moves)
        if not moves:
            raise _not_covered(checkpoint, "a label it covers", "one that was allocated later")
        seqs = dict.fromkeys((1, moves[0], moves[-1]))
    else:
        if seq > mark.count:
            raise _not_covered(checkpoint, f"one of its {mark.count} entries", f"entry {seq}")
        seqs = {seq: None}
    shown = [(one, _part_of(view, key, parse(bodies[one - 1]), label)) for one in seqs]
    return {
        "document": inclusion.document(checkpoint, mark, bodies, shown, label=label or None),
        "entries": list(seqs),
        "size": mark.count,
        "root": mark.root,
        "later": later,
    }


def _part_of(view: View, key: LotKey, entry: Entry, label: int) -> Part | None:
    """An entry's part that tells a label's number or state."""
    for ref in entry.parts:
        holds = ref.first <= label < ref.first + ref.count
        if holds and ref.kind in ("serials", "states"):
            return Part(ref.kind, ref.first, ref.count, sound_part(view, key, entry, ref))
    return None


def _not_covered(checkpoint: Checkpoint, expected: str, came: str) -> Refused:
    return Refused(
        "not_covered",
        "The checkpoint is older than what is to be proven.",
        where=f"checkpoint of {checkpoint.at}",
        expected=expected,
        came=came,
        remedy="Take a checkpoint now (record checkpoint), and prove against that one.",
    )


def name_of(key: LotKey) -> str:
    """A chain's name for people."""
    return "house chain" if key == HOUSE else f"chain of lot {key.lot_id}"


def take(view: View, generation: int, at: str) -> Checkpoint:
    """What the record holds now, worked out from the entries' bytes.

    Args:
        generation: which copy of the record this is.
        at: the time, UTC, RFC 3339 with milliseconds.
    """
    keys = [LotKey(chain.product_id, chain.lot_id) for chain in view.chains()]
    marks = [checkpoints.mark(key, view.stored_entries(key)) for key in sorted(keys)]
    return Checkpoint(view.hash_at(HOUSE, 1).hex(), generation, at, tuple(marks))


def check_named(view: View, public_key: str, where: str) -> None:
    """Refuses `bad_value` for a key that the record does not name.

    Args:
        public_key: in hex.
        where: the key's file.
    """
    named = keys_of(view)
    if public_key in named:
        return
    raise Refused(
        "bad_value",
        "The record does not name this key.",
        where=where,
        expected=f"the private half of {named[-1]}" if named else "a key that was named",
        came=f"the private half of {public_key}",
        remedy="Sign with the key that was made for this record, or make one: record key FILE",
    )


def note(work: Work, made: Checkpoint, sha256: str) -> int:
    """Say in the house chain, which is locked, that a checkpoint was made; gives how many entries
    it covers.

    Args:
        sha256: of its file.
    """
    entries = sum(mark.count for mark in made.marks)
    told: dict[str, Any] = {"at": made.at, "entries": entries, "sha256": sha256}
    if work.setting("checkpoint_every"):
        told["noted"] = True
    work.write(HOUSE, "checkpoint made", told)
    return entries


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
        after += checkpoints.check_chain(told, view.stored_entries(told.key), name_of(told.key))
    there = {told.key for told in checkpoint.marks}
    for chain in view.chains():
        key = LotKey(chain.product_id, chain.lot_id)
        if key not in there:
            after += sum(1 for _ in view.stored_entries(key))
    return after


def heads_of(view: View) -> dict[str, dict[str, Any]]:
    """What to keep elsewhere: by lot, and for the house, `entries` and the last one's hash."""
    names = {HOUSE.lot_id: "house"} | {lot.id: lot.full_name for lot in view.lots()}
    return {
        names[chain.lot_id]: {"entries": chain.count, "head": chain.head.hex()}
        for chain in view.chains()
    }
