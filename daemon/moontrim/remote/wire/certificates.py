"""The certificates for other machines: an authority of this station's own, made once, and the
server's certificate, which it signs and which is renewed by itself.

    state folder/tls/authority.pem   the authority's key and certificate, 0600; for 20 years
                     server.pem      the server's, 0600; for 30 days, for the names and addresses
                                     that this machine has now

A phone installs the authority's certificate, so the authority may only vouch for this machine and
for private addresses (RFC 5280, 4.2.1.10): whoever stole its key could not pose as anyone else.
Knows no socket and no clock; everything blocks for some milliseconds."""

from __future__ import annotations

import ipaddress
import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

FOLDER, AUTHORITY, SERVER = "tls", "authority.pem", "server.pem"
AUTHORITY_FOR = timedelta(days=20 * 365)  # chosen: a phone is to be set up once
# Chosen: a stolen key is soon worthless, and a station may be off for weeks.
SERVER_FOR, RENEW_BEFORE_END = timedelta(days=30), timedelta(days=10)
BACKDATED = timedelta(days=1)  # chosen: a phone's clock may be behind
# Private use (RFC 1918, 6598), link-local (RFC 3927), loopback.
PRIVATE = ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "100.64.0.0/10", "169.254.0.0/16",
           "127.0.0.0/8")  # fmt: skip
_NAME = re.compile(r"[A-Za-z0-9-]{1,63}(\.[A-Za-z0-9-]{1,63})*")


@dataclass(frozen=True, slots=True)
class _Pair:
    key: ec.EllipticCurvePrivateKey
    certificate: x509.Certificate


class Certificates:
    """The certificates in a folder. Raises OSError if they cannot be stored.

    names: host names and IPv4 addresses of this machine. new: the authority was made just now.
    left_out: names that the authority may not vouch for."""

    def __init__(self, state_folder: Path, names: tuple[str, ...], utc_s: float) -> None:
        self._folder = state_folder / FOLDER
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        now = datetime.fromtimestamp(utc_s, UTC)
        authority = _read(self._folder / AUTHORITY)
        self.new = authority is None
        if authority is None:
            authority = _new_authority(names, now)
            _write(self._folder / AUTHORITY, authority)
        self._authority = authority
        self.left_out: tuple[str, ...] = ()
        self.renew(names, utc_s)

    @property
    def server_file(self) -> Path:
        """The server's key and certificate, as PEM in one file."""
        return self._folder / SERVER

    @property
    def authority_der(self) -> bytes:
        """The authority's certificate as a phone installs it."""
        return self._authority.certificate.public_bytes(serialization.Encoding.DER)

    @property
    def authority_pem(self) -> bytes:
        """The authority's certificate as other programs read it."""
        return self._authority.certificate.public_bytes(serialization.Encoding.PEM)

    @property
    def fingerprint(self) -> str:
        """The SHA-256 fingerprint of the authority's certificate, as phones show it."""
        return _fingerprint(self._authority)

    def renew(self, names: tuple[str, ...], utc_s: float) -> bool:
        """Makes a new certificate of the server if the one in the folder ends soon, is not valid
        yet, or is for other names. Returns whether it did. Raises OSError."""
        now = datetime.fromtimestamp(utc_s, UTC)
        allowed = tuple(sorted({name for name in names if _may_vouch(self._authority, name)}))
        self.left_out = tuple(sorted(set(names) - set(allowed)))
        old = _read(self.server_file)
        if old is not None and _is_good(old.certificate, self._authority, allowed, now):
            return False
        _write(self.server_file, _new_server(self._authority, allowed, now))
        return True


def kept_fingerprint(state_folder: Path) -> str:
    """Returns the SHA-256 fingerprint of the authority in a state folder, as phones show it; empty
    if there is none."""
    authority = _read(state_folder / FOLDER / AUTHORITY)
    return "" if authority is None else _fingerprint(authority)


def _fingerprint(pair: _Pair) -> str:
    return pair.certificate.fingerprint(hashes.SHA256()).hex(":").upper()


def _new_authority(names: tuple[str, ...], now: datetime) -> _Pair:
    key = ec.generate_private_key(ec.SECP256R1())
    host = next((name for name in names if not _is_address(name)), "station")
    subject = _subject(f"moontrim {host} {now:%Y-%m-%d}")
    permitted: list[x509.GeneralName] = [
        *(x509.IPAddress(ipaddress.ip_network(net)) for net in PRIVATE),
        *(x509.IPAddress(ipaddress.ip_network(name)) for name in names if _is_address(name)),
        *(x509.DNSName(name) for name in ("localhost", "local")),
        *(x509.DNSName(name) for name in names if not _is_address(name)),
    ]
    usage = x509.KeyUsage(
        key_cert_sign=True, crl_sign=True, digital_signature=False, content_commitment=False,
        key_encipherment=False, data_encipherment=False, key_agreement=False, encipher_only=False,
        decipher_only=False,
    )  # fmt: skip
    builder = (
        _builder(subject, subject, key, now, AUTHORITY_FOR)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.NameConstraints(permitted, None), critical=True)
    )
    return _Pair(key, builder.sign(key, hashes.SHA256()))


def _new_server(authority: _Pair, names: tuple[str, ...], now: datetime) -> _Pair:
    key = ec.generate_private_key(ec.SECP256R1())
    usage = x509.KeyUsage(
        digital_signature=True, key_cert_sign=False, crl_sign=False, content_commitment=False,
        key_encipherment=False, data_encipherment=False, key_agreement=False, encipher_only=False,
        decipher_only=False,
    )  # fmt: skip
    issuer = authority.certificate
    identifier = issuer.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    builder = (
        _builder(_subject("moontrim page"), issuer.subject, key, now, SERVER_FOR)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(_general(names)), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(identifier),
            critical=False,
        )
    )
    return _Pair(key, builder.sign(authority.key, hashes.SHA256()))


def _builder(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    now: datetime,
    valid_for: timedelta,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + valid_for)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _subject(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text[:64])])


def _general(names: tuple[str, ...]) -> list[x509.GeneralName]:
    return [
        x509.IPAddress(ipaddress.ip_address(name)) if _is_address(name) else x509.DNSName(name)
        for name in names
    ]


def _is_good(
    certificate: x509.Certificate, authority: _Pair, names: tuple[str, ...], now: datetime
) -> bool:
    try:
        certificate.verify_directly_issued_by(authority.certificate)
        alternative = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except Exception:  # a signature or an extension of any kind that is not ours
        return False
    begins, ends = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    return begins <= now < ends - RENEW_BEFORE_END and set(alternative.value) == set(
        _general(names)
    )


def _may_vouch(authority: _Pair, name: str) -> bool:
    """Do the constraints of the authority include this name? A malformed name is in none."""
    extension = authority.certificate.extensions.get_extension_for_class(x509.NameConstraints)
    permitted = extension.value.permitted_subtrees or []
    if _is_address(name):
        address = ipaddress.ip_address(name)
        return any(isinstance(e, x509.IPAddress) and address in e.value for e in permitted)  # type: ignore[operator]
    return _NAME.fullmatch(name) is not None and any(
        isinstance(each, x509.DNSName) and (name == each.value or name.endswith(f".{each.value}"))
        for each in permitted
    )


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _read(path: Path) -> _Pair | None:
    """Returns key and certificate of a file; None where there is none that can be used."""
    try:
        if path.stat().st_mode & 0o077:
            path.chmod(0o600)
        data = path.read_bytes()
        key: PrivateKeyTypes = serialization.load_pem_private_key(data, None)
        certificate = x509.load_pem_x509_certificate(data)
    except (OSError, ValueError, TypeError):
        return None
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        return None
    return _Pair(key, certificate) if key.public_key() == certificate.public_key() else None


def _write(path: Path, pair: _Pair) -> None:
    """Replaces the file in one step, readable by its owner only. Raises OSError."""
    new = path.with_suffix(".new")
    new.unlink(missing_ok=True)
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with open(descriptor, "wb") as file:  # noqa: PTH123 (a descriptor, for its mode)
        file.write(
            pair.key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        file.write(pair.certificate.public_bytes(serialization.Encoding.PEM))
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
