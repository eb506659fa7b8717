"""The tree over a chain's entries: its root, and the proof of one entry.

RFC 9162, section 2.1, with SHA-256. A chain's head already binds every entry, but whoever checks
one entry against it needs them all. Against a tree's root a path of a few hashes is enough, so a
third party can be shown one entry and nothing else of the record.

The tree is taken level by level: neighbours are joined in pairs, and a last one without a neighbour
goes up unchanged. That is the RFC's tree, which splits at the largest power of two.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

_LEAF = b"\x00"
_NODE = b"\x01"


def leaf_hash(data: bytes) -> bytes:
    """What stands for one entry's bytes; never equal to a node over two others."""
    return hashlib.sha256(_LEAF + data).digest()


def root(leaves: Iterable[bytes]) -> bytes:
    """The root over leaf hashes; over none, the hash of nothing."""
    level = list(leaves)
    while len(level) > 1:
        level = _up(level)
    return level[0] if level else hashlib.sha256().digest()


def inclusion(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """The path from leaf `index` (0-based) to the root, from below."""
    if not 0 <= index < len(leaves):
        raise ValueError(f"leaf {index} of {len(leaves)}")
    path = []
    level = list(leaves)
    while len(level) > 1:
        beside = index ^ 1
        if beside < len(level):
            path.append(level[beside])
        index >>= 1
        level = _up(level)
    return path


def _up(level: Sequence[bytes]) -> list[bytes]:
    """The next level of the tree."""
    pairs = [_node(level[i], level[i + 1]) for i in range(0, len(level) - 1, 2)]
    return [*pairs, level[-1]] if len(level) & 1 else pairs


def _node(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(_NODE + left + right).digest()
