"""The tree over a chain's entries: root, proof of one entry, proof that a later tree extends one.

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


def included(leaf: bytes, index: int, size: int, path: Sequence[bytes], top: bytes) -> bool:
    """Does `path` lead from a leaf hash at `index` to the root `top` over `size` leaves?"""
    if not 0 <= index < size:
        return False
    last, reached = size - 1, leaf
    for beside in path:
        if last == 0:
            return False
        if index & 1 or index == last:
            reached = _node(beside, reached)
            while index and not index & 1:
                index, last = index >> 1, last >> 1
        else:
            reached = _node(reached, beside)
        index, last = index >> 1, last >> 1
    return last == 0 and reached == top


def consistency(leaves: Sequence[bytes], earlier: int) -> list[bytes]:
    """What shows that the tree over all leaves extends the tree over the first `earlier`."""
    if not 0 < earlier <= len(leaves):
        raise ValueError(f"the first {earlier} of {len(leaves)}")
    return _consistency(leaves, earlier, whole=True)


def consistent(
    earlier: int, later: int, path: Sequence[bytes], old_top: bytes, new_top: bytes
) -> bool:
    """Does `path` show that root `new_top` over `later` leaves extends `old_top` over `earlier`?"""
    if not 0 < earlier <= later:
        return False
    if earlier == later:
        return not path and old_top == new_top
    steps = list(path)
    if earlier & (earlier - 1) == 0:
        steps.insert(0, old_top)
    if not steps:
        return False
    index, last = earlier - 1, later - 1
    while index & 1:
        index, last = index >> 1, last >> 1
    old = new = steps[0]
    for beside in steps[1:]:
        if last == 0:
            return False
        if index & 1 or index == last:
            old, new = _node(beside, old), _node(beside, new)
            while index and not index & 1:
                index, last = index >> 1, last >> 1
        else:
            new = _node(new, beside)
        index, last = index >> 1, last >> 1
    return last == 0 and old == old_top and new == new_top


def _consistency(leaves: Sequence[bytes], earlier: int, *, whole: bool) -> list[bytes]:
    """SUBPROOF of the RFC; `whole` while the reader knows the earlier root already."""
    if earlier == len(leaves):
        return [] if whole else [root(leaves)]
    split = 1 << ((len(leaves) - 1).bit_length() - 1)
    left, right = leaves[:split], leaves[split:]
    if earlier <= split:
        return [*_consistency(left, earlier, whole=whole), root(right)]
    return [*_consistency(right, earlier - split, whole=False), root(left)]


def _up(level: Sequence[bytes]) -> list[bytes]:
    """The next level of the tree."""
    pairs = [_node(level[i], level[i + 1]) for i in range(0, len(level) - 1, 2)]
    return [*pairs, level[-1]] if len(level) & 1 else pairs


def _node(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(_NODE + left + right).digest()
