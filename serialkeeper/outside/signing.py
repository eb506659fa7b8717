"""The key that signs checkpoints: a file of its owner's, never in the database.

Whoever can read it can sign a false checkpoint. So nobody but its owner may read it, and a file
that others can open is not used.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from serialkeeper.errors import Refused
from serialkeeper.outside import secrets

LARGEST_CHECKPOINT = 100_000_000
"""Bytes of a checkpoint that are read, at most."""


def make_key(path: Path) -> Ed25519PrivateKey:
    """A new key in a new file (PEM, PKCS 8) that only its owner may read.

    Refuses `file_exists`.
    """
    key = Ed25519PrivateKey.generate()
    data = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    secrets.keep(path, data, "a key")
    return key


def public_half(key: Ed25519PrivateKey) -> str:
    """The public key that belongs to a key, 64 hex digits."""
    return key.public_key().public_bytes_raw().hex()


def newest(path: Path) -> Path:
    """The file itself, or of a custodian's folder the checkpoint that was made last, by its name.

    Refuses `file_missing` for a folder without checkpoints.
    """
    if not path.is_dir():
        return path
    there = sorted(path.glob("checkpoint-*.json"), key=lambda one: one.name.rpartition("-")[2])
    if there:
        return there[-1]
    raise Refused(
        "file_missing",
        "There is no checkpoint in the folder.",
        where=str(path),
        expected="checkpoint-GENERATION-TIME.json",
        came="none",
        remedy="Name another folder, or a checkpoint's file.",
    )


def read_checkpoint(path: Path) -> bytes:
    """The bytes of a checkpoint's file; of a longer file only so many. Refuses `file_missing`."""
    try:
        with path.open("rb") as file:
            return file.read(LARGEST_CHECKPOINT)
    except OSError as error:
        raise Refused(
            "file_missing",
            "The checkpoint cannot be read.",
            where=str(path),
            expected="a checkpoint's file",
            came=error.strerror or str(error),
            remedy="Correct the name.",
        ) from None


def read_key(path: Path) -> Ed25519PrivateKey:
    """The key in a file. Refuses `file_missing`, `bad_value`."""
    try:
        with path.open("rb") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            data = file.read(10_000)
    except OSError as error:
        raise Refused(
            "file_missing",
            "The signing key cannot be read.",
            where=str(path),
            expected="a key file",
            came=error.strerror or str(error),
            remedy="Correct the name, or work as the key's owner.",
        ) from None
    if os.name == "posix" and mode & 0o077:
        raise _bad(path, "a file that only its owner may open (0600)", f"{mode:04o}")
    try:
        key = load_pem_private_key(data, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise _bad(path, "an Ed25519 key (PEM, PKCS 8, no password)", "something else") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise _bad(path, "an Ed25519 key (PEM, PKCS 8, no password)", "a key of another kind")
    return key


def _bad(path: Path, expected: str, came: str) -> Refused:
    return Refused(
        "bad_value",
        "The signing key cannot be used.",
        where=str(path),
        expected=expected,
        came=came,
        remedy="If others could read it, make a new key: they could sign with this one.",
    )
