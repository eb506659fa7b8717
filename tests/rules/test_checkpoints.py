"""Checkpoints: what they say, who signed them, and what shows against them.

The Ed25519 values are tests 1 and 2 of RFC 8032, section 7.1, written from memory.
"""

from __future__ import annotations

import orjson
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from serialkeeper.errors import Damaged, Refused
from serialkeeper.rules import checkpoints, merkle
from serialkeeper.rules.chain import HOUSE, START, LotKey, link

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
PUBLIC = KEY.public_key().public_bytes_raw().hex()
LOT = LotKey(1, 7)


def chain(*bodies: bytes) -> list[tuple[int, bytes, bytes]]:
    """A chain whose hashes all fit, as somebody without the key can make it too."""
    head, made = START, []
    for seq, body in enumerate(bodies, 1):
        head = link(head, body)
        made.append((seq, body, head))
    return made


HOUSE_CHAIN = chain(b"made", b"person")
LOT_CHAIN = chain(b"opened", b"approved", b"allocated")


def taken() -> checkpoints.Checkpoint:
    marks = (checkpoints.mark(LOT, LOT_CHAIN), checkpoints.mark(HOUSE, HOUSE_CHAIN))
    at = "2026-01-02T03:04:05.678Z"
    return checkpoints.Checkpoint(HOUSE_CHAIN[0][2].hex(), 2, at, marks)


@pytest.mark.parametrize(
    ("secret", "public", "message", "signature"),
    [
        (
            "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
            "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
            "",
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555"
            "fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
        ),
        (
            "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
            "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
            "72",
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
            "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
        ),
    ],
)
def test_the_library_signs_as_rfc_8032_does(
    secret: str, public: str, message: str, signature: str
) -> None:
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert key.public_key().public_bytes_raw().hex() == public
    assert key.sign(bytes.fromhex(message)).hex() == signature


def test_a_checkpoint_comes_back_as_it_was_signed() -> None:
    data = taken().signed(KEY)
    back = checkpoints.read(data, PUBLIC, "file")
    assert back.signed(KEY) == data
    assert [mark.key for mark in back.marks] == [HOUSE, LOT]
    assert back.marks[1].head == LOT_CHAIN[-1][2].hex()
    leaves = [merkle.leaf_hash(body) for _, body, _ in LOT_CHAIN]
    assert back.marks[1].root == merkle.root(leaves).hex()


def test_no_altered_byte_is_taken() -> None:
    data = taken().signed(KEY)
    for at in range(len(data)):
        bent = data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]
        with pytest.raises(Refused):
            checkpoints.read(bent, PUBLIC, "file")


def test_a_checkpoint_signed_by_somebody_else_is_not_taken() -> None:
    other = Ed25519PrivateKey.from_private_bytes(bytes(32))
    with pytest.raises(Refused) as refused:
        checkpoints.read(taken().signed(other), PUBLIC, "file")
    assert PUBLIC in str(refused.value.expected)
    told = orjson.loads(taken().signed(other))
    told["key"] = PUBLIC
    with pytest.raises(Refused, match="no checkpoint"):
        checkpoints.read(orjson.dumps(told, option=orjson.OPT_SORT_KEYS), PUBLIC, "file")


@pytest.mark.parametrize("data", [b"", b"[]", b"{}", b'{"checkpoint":{},"signature":""}', b"\xff"])
def test_what_is_no_checkpoint(data: bytes) -> None:
    with pytest.raises(Refused):
        checkpoints.read(data, PUBLIC, "file")


def test_a_chain_that_went_on_shows_how_far() -> None:
    told = checkpoints.mark(LOT, LOT_CHAIN)
    longer = chain(b"opened", b"approved", b"allocated", b"issued", b"taken")
    assert checkpoints.check_chain(told, LOT_CHAIN, "lot") == 0
    assert checkpoints.check_chain(told, longer, "lot") == 2


@pytest.mark.parametrize(
    ("now", "where"),
    [
        ([], "lot, entry 1"),
        ([b"opened", b"approved"], "lot, entry 3"),
        ([b"opened", b"APPROVED", b"allocated"], "1 to 3"),
        ([b"approved", b"opened", b"allocated"], "1 to 3"),
        ([b"opened", b"more", b"approved", b"allocated"], "1 to 3"),
        ([b"opened", b"allocated", b"issued"], "1 to 3"),
    ],
)
def test_a_rewritten_chain_whose_hashes_all_fit(now: list[bytes], where: str) -> None:
    with pytest.raises(Damaged) as damaged:
        checkpoints.check_chain(checkpoints.mark(LOT, LOT_CHAIN), chain(*now), "lot")
    assert where in str(damaged.value.where)
    assert damaged.value.exit_code == 3


def test_another_record_and_an_older_copy() -> None:
    there = taken()
    checkpoints.check_record(there, there.record, 2)
    checkpoints.check_record(there, there.record, 3)
    with pytest.raises(Damaged, match="another record"):
        checkpoints.check_record(there, "00" * 32, 2)
    with pytest.raises(Damaged, match="older copy"):
        checkpoints.check_record(there, there.record, 1)
