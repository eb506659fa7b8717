"""Checkpoints: signed lists of how far every chain is, for a folder that is somebody else's."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from serialkeeper.errors import Refused
from serialkeeper.outside import signing
from serialkeeper.outside.files import Delivery
from serialkeeper.rules.chain import HOUSE, written
from serialkeeper.rules.checkpoints import Checkpoint, is_due
from serialkeeper.store import checkpoints as kept
from serialkeeper.store.checkpoints import check_named, generation_of, note, take
from serialkeeper.store.record import Record
from serialkeeper.store.view import View, key_of

MOST_MINUTES = 7 * 24 * 60
"""How old the last automatic checkpoint may be let become (common practice, no source)."""


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
        check_named(view, signing.public_half(signer), str(key))
        made = take(view, generation_of(view), written(record.now()))
    return _keep(record, out, made, signer)


def _keep(record: Record, out: Path, made: Checkpoint, signer: Ed25519PrivateKey) -> dict[str, Any]:
    """Sign a checkpoint, put it into the folder, and say in the house chain that it was made."""
    stamp = made.at.translate(str.maketrans("", "", "-:."))
    path = out / f"checkpoint-{made.generation}-{stamp}.json"
    with Delivery(path) as delivery:
        delivery.write(made.signed(signer))
        sha256 = delivery.sync()
        # The file first: an entry of a file that never came would promise what nobody can check.
        delivery.deliver()
        with record.work(HOUSE) as work:
            entries = note(work, made, sha256)
    return {
        "file": str(path),
        "sha256": sha256,
        "generation": made.generation,
        "at": made.at,
        "entries": entries,
        "chains": len(made.marks),
    }


def custodian(
    record: Record, folder: Path | None = None, *, minutes: int = 60, end: bool = False
) -> dict[str, Any]:
    """Say into which folder checkpoints go by themselves, end that, or tell what holds.

    The command line makes them after a step that closed a lot or released a roll, and after any
    step that wrote while the last one is older than the minutes say.

    Args:
        folder: as every station reaches it; best one that somebody else keeps.
        minutes: how old the last checkpoint may become while work goes on.
        end: make none by themselves any more.

    Refuses `bad_value`, `file_missing`, `role_not_allowed`.

    Returns:
        `folder` (None if none are made by themselves), `minutes`, and `last`, when the last one
        was made since the folder was named.
    """
    if folder is None and not end:
        with record.read() as view:
            return _custodian(view)
    if (folder and end) or not 1 <= minutes <= MOST_MINUTES:
        raise Refused(
            "bad_value",
            "It is not clear what is to be done.",
            expected=f"a folder and 1 to {MOST_MINUTES} minutes, or --end",
            came="both" if folder and end else str(minutes),
            remedy="Name the folder, or end what was named: record custodian --end",
        )
    if folder and not folder.is_dir():
        raise Refused(
            "file_missing",
            "The folder for checkpoints is not there.",
            where=str(folder),
            expected="a folder that this station can write to",
            came="no folder",
            remedy="Make it, or correct the name.",
        )
    record.check_may("custodian named")
    told = {"folder": str(folder.absolute()) if folder else "", "minutes": 0 if end else minutes}
    with record.work(HOUSE) as work:
        first = not work.setting("checkpoint_every")
        if not (first and end):
            work.write(HOUSE, "custodian named", {**told, "first": first})
        return _custodian(work)


def _custodian(view: View) -> dict[str, Any]:
    return {
        "folder": view.setting("custodian") or None,
        "minutes": int(view.setting("checkpoint_every") or 0),
        "last": view.setting("checkpoint_at") or None,
    }


def make_due(record: Record, key: Path | None) -> dict[str, Any] | None:
    """Make a checkpoint for the custodian if one is due; gives what `write` gives, or None.

    Whoever writes to a record calls it after the step; what was committed stays, whatever happens
    here.

    Args:
        key: the file with the signing key, or None if this station has none.

    Refuses what `write` does.
    """
    token = record.token
    if not record.wrote or (token and "checkpoint made" not in token.verbs) or record.temporary:
        return None
    with record.read() as view:
        now = _custodian(view)
        moved = view.setting("moved_to")
    if not now["folder"] or moved:
        return None
    if not is_due(record.wrote, now["last"] or "", now["minutes"], record.now()):
        return None
    record.wrote.clear()  # so that what cannot be done is tried again at the next step only
    if key is None:
        raise Refused(
            "file_missing",
            "This station has no key to sign checkpoints with.",
            where="SERIALKEEPER_SIGNING_KEY",
            expected="the name of the file with the key",
            came="nothing",
            remedy="Name it, or let another station make the checkpoint: record checkpoint",
        )
    made = write(record, Path(now["folder"]), key=key)
    record.wrote.discard("checkpoint made")
    return made


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
        if lot and label:
            view.known_label(lot, label)
        key = key_of(lot) if lot else HOUSE
        proof = kept.prove(view, checkpoint, key, seq=entry or 0, label=label or 0)
    with Delivery(out) as delivery:
        delivery.write(proof.pop("document"))
        sha256 = delivery.sync()
        delivery.deliver()
    return {"file": str(out), "sha256": sha256, "at": checkpoint.at, **proof}
