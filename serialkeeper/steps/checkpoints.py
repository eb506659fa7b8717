"""Checkpoints: signed lists of how far every chain is, for a folder that is somebody else's."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside import signing
from serialkeeper.outside.files import Delivery
from serialkeeper.rules.chain import HOUSE, written
from serialkeeper.store import checkpoints as kept
from serialkeeper.store.checkpoints import generation_of, keys_of, take
from serialkeeper.store.record import Record
from serialkeeper.store.view import key_of


def make_key(record: Record, path: Path) -> dict[str, Any]:
    """Make a key that signs checkpoints, and name its public half in the house chain.

    Args:
        path: a new file, outside the record, that only its owner may open (PEM, PKCS 8).

    Refuses `file_exists`, `role_not_allowed`.

    Returns:
        `key`, the file; `public_key`, 64 hex digits to be handed to whoever keeps checkpoints.
    """
    record.check_may("checkpoint key named")
    public = signing.public_half(signing.make_key(path))
    try:
        with record.work(HOUSE) as work:
            work.write(HOUSE, "checkpoint key named", {"public_key": public})
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return {"key": str(path), "public_key": public}


def write(record: Record, out: Path, *, key: Path) -> dict[str, Any]:
    """Write a checkpoint, signed with Ed25519, and say in the house chain that it was made.

    Args:
        out: the folder; best one that nobody who works on the record can write to later.
        key: the file that `make_key` made.

    Refuses `file_missing`, `file_exists`, `bad_value` for a key that the record does not name,
    `role_not_allowed`.

    Returns:
        `file`, `sha256`, `generation`, `at`, `entries` and `chains` that it covers.
    """
    record.check_may("checkpoint made")
    signer = signing.read_key(key)
    with record.read() as view:
        named = keys_of(view)
        made = take(view, generation_of(view), written(record.now()))
    if signing.public_half(signer) not in named:
        raise Refused(
            "bad_value",
            "The record does not name this key.",
            where=str(key),
            expected=f"the private half of {named[-1]}" if named else "a key that was named",
            came=f"the private half of {signing.public_half(signer)}",
            remedy="Sign with the key that was made for this record, or make one: record key FILE",
        )
    entries = sum(mark.count for mark in made.marks)
    stamp = made.at.translate(str.maketrans("", "", "-:."))
    path = out / f"checkpoint-{made.generation}-{stamp}.json"
    with Delivery(path) as delivery:
        delivery.write(made.signed(signer))
        sha256 = delivery.sync()
        # The file first: an entry of a file that never came would promise what nobody can check.
        delivery.deliver()
        with record.work(HOUSE) as work:
            told = {"at": made.at, "entries": entries, "sha256": sha256}
            work.write(HOUSE, "checkpoint made", told)
    return {
        "file": str(path),
        "sha256": sha256,
        "generation": made.generation,
        "at": made.at,
        "entries": entries,
        "chains": len(made.marks),
    }


def prove(
    record: Record,
    name: str = "",
    *,
    against: Path,
    out: Path,
    entry: int | None = None,
    label: int | None = None,
    public_key: str = "",
) -> dict[str, Any]:
    """Write a proof that an entry stands in the record, for somebody who sees nothing else of it.

    Args:
        name: the lot; without one, the house's chain.
        against: a checkpoint's file; the proof leads to what it signs.
        out: the proof's file, new.
        entry: the entry's number, from 1; or
        label: a position in the lot: the lot's facts, the label's number, and the entry that last
            decided its state before the checkpoint.
        public_key: the key that the checkpoint is signed with; without it those that the record
            names.

    Refuses `lot_unknown`, `lot_ambiguous`, `label_unknown`, `not_covered`, `file_missing`,
    `file_exists`; `bad_value` if not either an entry or a label of a lot is named, or for a file
    that is no checkpoint.

    Returns:
        `file`, `sha256`, `at` of the checkpoint, `entries` that the proof shows, `size` and `root`
        of the chain's tree, and `later`: how many entries the chain (or moves the label) had since.
    """
    if (entry is None) == (label is None) or (label and not name):
        raise Refused(
            "bad_value",
            "A proof is of one entry, or of one label of a lot.",
            expected="--entry N, or LOT --label POSITION",
            came="both, none, or a label of no lot",
            remedy="Name one of them: record prove LOT --label 7 --against FILE --out FILE",
        )
    data = signing.read_checkpoint(against)
    with record.read() as view:
        checkpoint = kept.read(view, data, public_key, str(against))
        lot = view.lot(name) if name else None
        if lot and label and view.label_at(key_of(lot), label) is None:
            raise Refused(
                "label_unknown",
                "The record knows no such label.",
                where=name,
                expected="a position of the lot",
                came=str(label),
                remedy="Look the label up: label list.",
            )
        key = key_of(lot) if lot else HOUSE
        proof = kept.prove(view, checkpoint, key, seq=entry or 0, label=label or 0)
    with Delivery(out) as delivery:
        delivery.write(proof.pop("document"))
        sha256 = delivery.sync()
        delivery.deliver()
    return {"file": str(out), "sha256": sha256, "at": checkpoint.at, **proof}
