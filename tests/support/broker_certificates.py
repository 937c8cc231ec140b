"""Certificates for a broker that the daemon did not start."""

from __future__ import annotations

import datetime
import ipaddress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

Authority = tuple[x509.Certificate, ec.EllipticCurvePrivateKey]


def make_authority(folder: Path, name: str) -> Authority:
    """Makes an authority and writes its certificate to `NAME.pem`."""
    key = ec.generate_private_key(ec.SECP256R1())
    certificate = _build(name, key.public_key(), name, key, x509.BasicConstraints(True, 0))
    (folder / f"{name}.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    return certificate, key


def sign(folder: Path, authority: Authority, name: str) -> tuple[Path, Path]:
    """Returns a certificate for a name or an IP address, and its key, as files."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject: x509.GeneralName
    try:
        subject = x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        subject = x509.DNSName(name)
    address = x509.SubjectAlternativeName([subject])
    issuer = authority[0].subject.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value
    certificate = _build("broker", key.public_key(), str(issuer), authority[1], address)
    certificate_file, key_file = folder / "broker.pem", folder / "broker.key"
    certificate_file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    key_file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return certificate_file, key_file


def _build(
    name: str,
    public_key: ec.EllipticCurvePublicKey,
    issuer: str,
    issuer_key: ec.EllipticCurvePrivateKey,
    extension: x509.ExtensionType,
) -> x509.Certificate:
    now = datetime.datetime.now(datetime.UTC)
    day = datetime.timedelta(days=1)

    def named(text: str) -> x509.Name:
        return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])

    return (
        x509.CertificateBuilder()
        .subject_name(named(name))
        .issuer_name(named(issuer))
        .public_key(public_key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - day)
        .not_valid_after(now + day)
        .add_extension(extension, critical=isinstance(extension, x509.BasicConstraints))
        .sign(issuer_key, hashes.SHA256())
    )
