"""Certificates for tests of secure connections, and servers that show them."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


def certificate(
    folder: Path, name: str, by: tuple[Any, Any] | None, *, host: str = "localhost", days: int = 9
) -> tuple[Any, Any]:
    """A certificate and its key in PEM files of that name, issued by another one or by itself."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(by[0].subject if by else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=20))
        .not_valid_after(now + timedelta(days=days))
        .add_extension(x509.BasicConstraints(ca=by is None, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(host)]), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key((by[1] if by else key).public_key()),
            critical=False,
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.KeyUsage(*(True, False, False, False, False, by is None, False, False, False)),
            critical=True,
        )
        .sign(by[1] if by else key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    (folder / f"{name}.pem").write_bytes(made.public_bytes(pem))
    private = key.private_bytes(
        pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    (folder / f"{name}.key").write_bytes(private)
    (folder / f"{name}.key").chmod(0o600)
    return made, key


def served(folder: Path, name: str, *, clients: str = "") -> ssl.SSLContext:
    """A server of that certificate; `clients` names the authority of those it lets in."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / f"{name}.pem", folder / f"{name}.key")
    if clients:
        context.load_verify_locations(folder / f"{clients}.pem")
        context.verify_mode = ssl.CERT_REQUIRED
    return context
