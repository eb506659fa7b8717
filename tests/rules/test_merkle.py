"""The tree over a chain's entries, against published values and a slow plain recursion.

`ROOTS` are the published test values of the RFC 6962 reference tree, written from memory, as are
the names and paths of RFC 9162, section 2.1.5. The recursion below follows section 2.1.1.
"""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.rules import merkle

DATA = [
    bytes.fromhex(text)
    for text in (
        *("", "00", "10", "2021", "3031", "40414243", "5051525354555657"),
        "606162636465666768696a6b6c6d6e6f",
    )
]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]


def plain(data: list[bytes]) -> bytes:
    """MTH of RFC 9162, section 2.1.1."""
    if not data:
        return hashlib.sha256().digest()
    if len(data) == 1:
        return hashlib.sha256(b"\x00" + data[0]).digest()
    k = 1
    while k * 2 < len(data):
        k *= 2
    return node(plain(data[:k]), plain(data[k:]))


def node(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(b"\x01" + left + right).digest()


def included(leaf: bytes, index: int, size: int, path: list[bytes], top: bytes) -> bool:
    """Does `path` lead from a leaf hash at `index` to the root `top`? RFC 9162, section 2.1.3.2."""
    if not 0 <= index < size:
        return False
    last, reached = size - 1, leaf
    for beside in path:
        if last == 0:
            return False
        if index & 1 or index == last:
            reached = node(beside, reached)
            while index and not index & 1:
                index, last = index >> 1, last >> 1
        else:
            reached = node(reached, beside)
        index, last = index >> 1, last >> 1
    return last == 0 and reached == top


def leaves(data: list[bytes]) -> list[bytes]:
    return [merkle.leaf_hash(one) for one in data]


@pytest.mark.parametrize("size", range(9))
def test_published_roots(size: int) -> None:
    assert merkle.root(leaves(DATA[:size])).hex() == ROOTS[size]
    assert plain(DATA[:size]).hex() == ROOTS[size]


def test_the_seven_leaf_example_of_rfc_9162() -> None:
    data = DATA[:7]
    a, b, c, d, e, f, j = leaves(data)
    g, h, i = plain(data[:2]), plain(data[2:4]), plain(data[4:6])
    k, el = plain(data[:4]), plain(data[4:])
    whole = [a, b, c, d, e, f, j]
    assert merkle.inclusion(whole, 0) == [b, h, el]
    assert merkle.inclusion(whole, 3) == [c, g, el]
    assert merkle.inclusion(whole, 4) == [f, j, k]
    assert merkle.inclusion(whole, 6) == [i, k]


@given(st.integers(1, 70), st.data())
def test_an_entry_is_proved_and_nothing_else_is(size: int, data: st.DataObject) -> None:
    entries = [b"%d" % n for n in range(size)]
    whole, top = leaves(entries), plain(entries)
    index = data.draw(st.integers(0, size - 1))
    path = merkle.inclusion(whole, index)
    assert included(whole[index], index, size, path, top)
    assert not included(merkle.leaf_hash(b"another"), index, size, path, top)
    other = data.draw(st.integers(-1, size))
    assert included(whole[index], other, size, path, top) == (other == index)
    assert not included(whole[index], index, size, [*path, top], top)
    if path:
        assert not included(whole[index], index, size, path[:-1], top)
        at = data.draw(st.integers(0, len(path) - 1))
        bent = [*path[:at], bytes(32), *path[at + 1 :]]
        assert not included(whole[index], index, size, bent, top)


def test_what_no_tree_has() -> None:
    for index in (-1, 2):
        with pytest.raises(ValueError, match="of 2"):
            merkle.inclusion([bytes(32)] * 2, index)
