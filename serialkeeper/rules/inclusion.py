"""Proof that one entry stands in a record, for somebody who sees nothing else of it.

A chain's mark in a checkpoint is the root of the tree over its entries. The exact bytes of an
entry and a path of hashes lead to that root, and the root is signed. A part needs no path of its
own: its SHA-256 stands in its entry. DEVELOPERS.md has a script that checks all of it without this
program.

The file is canonical JSON: `record`, `at` and `generation` of the checkpoint; `chain`, `size` and
`root` of its mark; `label`, a position or null; `proofs`, each with `index`, `entry` (text, whose
UTF-8 bytes are the entry's), `path` (hex, from below) and `part` (or null), whose bytes are Base64.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping, Sequence

from serialkeeper.rules import merkle
from serialkeeper.rules.chain import Part, canonical
from serialkeeper.rules.checkpoints import Checkpoint, Mark


def document(
    checkpoint: Checkpoint,
    mark: Mark,
    bodies: Sequence[bytes],
    shown: Iterable[tuple[int, Part | None]],
    *,
    label: int | None = None,
) -> bytes:
    """The proof's file.

    Args:
        checkpoint: what the proof is against.
        mark: the chain's mark in it.
        bodies: the chain's entries up to the mark.
        shown: entries to prove, by their numbers from 1, each with the part to go along.
        label: the position that they are about.
    """
    leaves = [merkle.leaf_hash(body) for body in bodies]
    told = {
        "record": checkpoint.record,
        "generation": checkpoint.generation,
        "at": checkpoint.at,
        "chain": mark.key.row(),
        "size": mark.count,
        "root": mark.root,
        "label": label,
        "proofs": [
            {
                "index": seq - 1,
                "entry": bodies[seq - 1].decode(),
                "path": [one.hex() for one in merkle.inclusion(leaves, seq - 1)],
                "part": _plain(part) if part else None,
            }
            for seq, part in shown
        ],
    }
    return canonical(told)


def _plain(part: Part) -> Mapping[str, str | int]:
    data = base64.b64encode(part.data).decode()
    return {"kind": part.kind, "first": part.first, "count": part.count, "data": data}
