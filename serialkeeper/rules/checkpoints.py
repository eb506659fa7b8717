"""Checkpoints: what a record held at one moment, signed, to be kept away from the record.

Whoever can write the database can rewrite a chain from its end, head row included, and every hash
fits again. It no longer fits what a checkpoint says, and without the key nobody can make another
checkpoint. What was written after the last checkpoint is not protected by it.

The file is canonical JSON: `checkpoint`, `key` (public, hex) and `signature` (Ed25519, RFC 8032,
over the canonical bytes of `checkpoint`). Ed25519 draws nothing: the same moment gives the same
bytes.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import orjson
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from serialkeeper.errors import Damaged, Refused
from serialkeeper.rules import merkle
from serialkeeper.rules.chain import HOUSE, START, LotKey, canonical, link

MOMENTS = frozenset({"lot closed", "roll released"})
"""What an automatic checkpoint follows at once."""

_REMEDY = "Stop work on this record, keep it and the checkpoint as evidence, and compare backups."
_MARK = {"count": int, "head": str, "lot_id": int, "product_id": int, "root": str}
_TOLD = {"at": str, "chains": list, "generation": int, "record": str}


@dataclass(frozen=True, slots=True)
class Mark:
    """How far a chain was.

    Attributes:
        key: which chain.
        count: how many entries it had.
        head: the last one's hash, in hex.
        root: the root of the tree over the entries' bytes, in hex.
    """

    key: LotKey
    count: int
    head: str
    root: str


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """A record at one moment.

    Attributes:
        record: which record: the hash of the first entry of its house chain, in hex.
        generation: which of its copies was at work.
        at: when, UTC, RFC 3339 with milliseconds.
        marks: every chain, in order of their keys.
    """

    record: str
    generation: int
    at: str
    marks: tuple[Mark, ...]

    def mark(self, key: LotKey) -> Mark | None:
        """How far one chain was, if there was such a chain."""
        return next((mark for mark in self.marks if mark.key == key), None)

    def body(self) -> bytes:
        """The exact bytes that are signed."""
        return canonical(self._plain())

    def signed(self, key: Ed25519PrivateKey) -> bytes:
        """The checkpoint's file."""
        told = {
            "checkpoint": self._plain(),
            "key": key.public_key().public_bytes_raw().hex(),
            "signature": key.sign(self.body()).hex(),
        }
        return canonical(told)

    def _plain(self) -> dict[str, Any]:
        chains = [
            {**mark.key.row(), "count": mark.count, "head": mark.head, "root": mark.root}
            for mark in sorted(self.marks, key=lambda mark: mark.key)
        ]
        return {
            "at": self.at,
            "chains": chains,
            "generation": self.generation,
            "record": self.record,
        }


def read(data: bytes, public_key: str, where: str) -> Checkpoint:
    """A checkpoint whose signature holds.

    Args:
        data: the file.
        public_key: the key that it has to be signed with, in hex. The one in the file proves
            nothing by itself: whoever alters a checkpoint can sign it with a key of his own.
        where: the file's name.

    Refuses `bad_value`.
    """
    try:
        told = orjson.loads(data)
        checkpoint, signature = _parse(told["checkpoint"]), bytes.fromhex(told["signature"])
        form = {"checkpoint", "key", "signature"} == set(told) and canonical(told) == data
    except (ValueError, KeyError, TypeError) as error:
        raise _no_checkpoint(where, "something else") from error
    if not form or canonical(told["checkpoint"]) != checkpoint.body():
        raise _no_checkpoint(where, "another form")
    if told["key"] != public_key:
        raise _no_checkpoint(where, f"one signed with the key {told['key']}", public_key)
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key)).verify(
            signature, checkpoint.body()
        )
    except (InvalidSignature, ValueError) as error:
        raise _no_checkpoint(where, "one that was altered after it was signed") from error
    return checkpoint


def mark(key: LotKey, stored: Iterable[tuple[int, bytes, bytes]]) -> Mark:
    """How far a chain is; the head is worked out from the entries' bytes, not taken from a row.

    Args:
        key: which chain.
        stored: (seq, body, hash) of its entries in order.
    """
    head, leaves = START, []
    for _, body, _ in stored:
        head = link(head, body)
        leaves.append(merkle.leaf_hash(body))
    return Mark(key, len(leaves), head.hex(), merkle.root(leaves).hex())


def is_due(wrote: Collection[str], last: str, minutes: int, now: datetime) -> bool:
    """Whether an automatic checkpoint is to be made.

    Args:
        wrote: verbs that were written since the last look; that a checkpoint was made is no reason.
        last: when the last one was made, as entries tell times; empty if none was.
        minutes: how old it may become.
    """
    if not set(wrote) - {"checkpoint made"}:
        return False
    if not last or not MOMENTS.isdisjoint(wrote):
        return True
    return now - datetime.fromisoformat(last) >= timedelta(minutes=minutes)


def check_record(checkpoint: Checkpoint, record: str, generation: int) -> None:
    """Raises Damaged if the checkpoint is of another record, or of a later copy of this one."""
    if checkpoint.record != record:
        raise _differs(
            "This is another record than the one of the checkpoint.",
            "house chain, entry 1",
            f"hash {checkpoint.record}",
            f"hash {record}",
        )
    if generation < checkpoint.generation:
        raise _differs(
            "This is an older copy: the record of the checkpoint had gone on elsewhere.",
            "house chain",
            f"generation {checkpoint.generation} or later",
            f"generation {generation}",
        )


def check_chain(told: Mark, stored: Iterable[tuple[int, bytes, bytes]], name: str) -> int:
    """How many entries the chain has after the checkpoint; raises Damaged if it does not extend it.

    A checkpoint holds one root a chain: it shows that one of the entries it covers was changed,
    not which.

    Args:
        told: the checkpoint's mark of the chain.
        stored: (seq, body, hash) of the chain's entries in order; none if it is not there.
        name: the chain's name for people.
    """
    entries = list(stored)
    if len(entries) < told.count:
        raise _differs(
            "The end of a chain was cut off.",
            f"{name}, entry {len(entries) + 1}",
            f"{told.count} entries or more",
            f"{len(entries)}",
        )
    came = mark(told.key, entries[: told.count])
    if came != told:
        raise _differs(
            "A chain was rewritten, or this is a copy that went its own way.",
            f"{name}, one of the entries 1 to {told.count}",
            f"head {told.head}, root {told.root}",
            f"head {came.head}, root {came.root}",
        )
    return len(entries) - told.count


def _parse(told: Mapping[str, Any]) -> Checkpoint:
    """Raises ValueError for what is no checkpoint."""
    _check_form(told, _TOLD)
    for one in told["chains"]:
        _check_form(one, _MARK)
    marks = tuple(
        Mark(LotKey(one["product_id"], one["lot_id"]), one["count"], one["head"], one["root"])
        for one in told["chains"]
    )
    keys = [one.key for one in marks]
    if HOUSE not in keys or len(set(keys)) < len(keys):
        raise ValueError("chains")
    return Checkpoint(told["record"], told["generation"], told["at"], marks)


def _check_form(told: Mapping[str, Any], form: Mapping[str, type]) -> None:
    if set(told) != set(form) or any(type(told[name]) is not form[name] for name in form):
        raise ValueError("form")


def _no_checkpoint(where: str, came: str, key: str = "") -> Refused:
    return Refused(
        "bad_value",
        "The file is no checkpoint that can be relied on.",
        where=where,
        expected=f"a checkpoint signed with the key {key}" if key else "a signed checkpoint",
        came=came,
        remedy="Take the file as it was written, and the public key as it was handed over.",
    )


def _differs(message: str, where: str, expected: str, came: str) -> Damaged:
    return Damaged(
        "chain_broken", message, where=where, expected=expected, came=came, remedy=_REMEDY
    )
