"""The key file: its owner's alone, and read by another program as what it is."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from serialkeeper.errors import Refused, Unavailable
from serialkeeper.outside import signing


def test_a_key_is_made_once_and_read_back(tmp_path: Path) -> None:
    path = tmp_path / "key.pem"
    made = signing.make_key(path)
    assert path.stat().st_mode & 0o777 == 0o600
    assert signing.read_key(path).private_bytes_raw() == made.private_bytes_raw()
    with pytest.raises(Refused, match="already"):
        signing.make_key(path)
    assert signing.read_key(path).private_bytes_raw() == made.private_bytes_raw()
    with pytest.raises(Unavailable):
        signing.make_key(tmp_path / "none" / "key.pem")


@pytest.mark.skipif(not shutil.which("openssl"), reason="no openssl here")
def test_openssl_reads_the_same_public_key(tmp_path: Path) -> None:
    made = signing.make_key(tmp_path / "key.pem")
    told = subprocess.run(
        ["openssl", "pkey", "-in", "key.pem", "-pubout", "-outform", "DER"],
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )
    assert told.stdout[-32:] == made.public_key().public_bytes_raw()


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o666])
def test_a_key_that_others_can_open_is_not_used(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "key.pem"
    signing.make_key(path)
    path.chmod(mode)
    with pytest.raises(Refused) as refused:
        signing.read_key(path)
    assert refused.value.came == f"{mode:04o}"


def test_what_is_no_signing_key(tmp_path: Path) -> None:
    other = generate_private_key(SECP256R1())
    pem = other.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    for data in (b"", b"key", pem):
        path = tmp_path / "key.pem"
        path.write_bytes(data)
        path.chmod(0o600)
        with pytest.raises(Refused):
            signing.read_key(path)
    with pytest.raises(Refused, match="cannot be read"):
        signing.read_key(tmp_path / "none")
