"""The station's own certificate authority and the server's certificate: what is stored, for what it
is valid, and when it is renewed."""

from __future__ import annotations

import ssl
from datetime import timedelta
from pathlib import Path

import pytest
from cryptography import x509

from moontrim.clock.system import SystemClock
from moontrim.remote.wire.certificates import (
    RENEW_BEFORE_END,
    SERVER_FOR,
    Certificates,
)

NOW_S = 1_796_000_000.0
DAY_S = 86_400.0
NAMES = ("dish", "dish.local", "localhost", "127.0.0.1", "10.42.0.1")
PLACE = Path("tls")


def served(folder: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate((folder / PLACE / "server.pem").read_bytes())


def names(certificate: x509.Certificate) -> set[str]:
    alternative = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    return {str(each.value) for each in alternative.value}


def shaken_hands(certificates: Certificates, name: str, authority: bytes) -> None:
    """A TLS handshake in memory. Raises ssl.SSLError where the client does not trust the server."""
    server_side = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server_side.load_cert_chain(certificates.server_file)
    client_side = ssl.create_default_context(cadata=authority.decode())
    client_side.verify_flags |= ssl.VERIFY_X509_STRICT
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    client = client_side.wrap_bio(to_client, to_server, server_hostname=name)
    server = server_side.wrap_bio(to_server, to_client, server_side=True)
    done = 0
    while done < 2:
        done = 0
        for side in (client, server):
            try:
                side.do_handshake()
                done += 1
            except ssl.SSLWantReadError:
                pass


def test_it_is_trusted_by_its_own_authority_and_by_no_other(tmp_path: Path) -> None:
    certificates = Certificates(tmp_path / "one", NAMES, SystemClock().utc_s())
    other = Certificates(tmp_path / "two", NAMES, SystemClock().utc_s())
    for name in NAMES:
        shaken_hands(certificates, name, certificates.authority_pem)
    with pytest.raises(ssl.SSLCertVerificationError):
        shaken_hands(certificates, "dish", other.authority_pem)
    for name in ("example.org", "10.42.0.2"):
        with pytest.raises(ssl.SSLCertVerificationError):
            shaken_hands(certificates, name, certificates.authority_pem)


def test_what_is_stored_is_private_and_made_once(tmp_path: Path) -> None:
    first = Certificates(tmp_path, NAMES, NOW_S)
    assert first.new
    for name in ("authority.pem", "server.pem"):
        assert (tmp_path / PLACE / name).stat().st_mode & 0o777 == 0o600
    (tmp_path / PLACE / "authority.pem").chmod(0o644)
    again = Certificates(tmp_path, NAMES, NOW_S + 5 * DAY_S)
    assert not again.new
    assert again.fingerprint == first.fingerprint
    assert (tmp_path / PLACE / "authority.pem").stat().st_mode & 0o777 == 0o600
    assert len(first.fingerprint) == 32 * 3 - 1
    assert b"PRIVATE" not in first.authority_pem + first.authority_der


def test_when_it_is_renewed(tmp_path: Path) -> None:
    certificates = Certificates(tmp_path, NAMES, NOW_S)
    fingerprint = certificates.fingerprint
    due_s = NOW_S + (SERVER_FOR - RENEW_BEFORE_END) / timedelta(seconds=1)
    assert not certificates.renew(NAMES, due_s - 1.0)
    assert certificates.renew(NAMES, due_s + 1.0)
    assert not certificates.renew(NAMES, due_s + 2.0)
    assert certificates.renew(NAMES, NOW_S - 2.0 * DAY_S), "the clock was set back: not valid yet"
    assert certificates.renew((*NAMES, "192.168.7.7"), NOW_S), "a hot-spot was switched on"
    assert "192.168.7.7" in names(served(tmp_path))
    assert certificates.renew(NAMES, NOW_S)
    (tmp_path / PLACE / "server.pem").write_bytes(b"damaged")
    assert certificates.renew(NAMES, NOW_S)
    (tmp_path / PLACE / "server.pem").write_bytes(
        Certificates(tmp_path / "other", NAMES, NOW_S).server_file.read_bytes()
    )
    assert certificates.renew(NAMES, NOW_S), "signed by another authority"
    assert certificates.fingerprint == fingerprint, "phones need no other"


def test_the_authority_vouches_for_this_machine_and_private_addresses_only(
    tmp_path: Path,
) -> None:
    certificates = Certificates(tmp_path, (*NAMES, "192.0.2.9"), NOW_S)
    assert certificates.left_out == ()
    certificates.renew(("dish", "10.1.2.3", "192.0.2.9", "8.8.8.8", "example.org"), NOW_S)
    assert certificates.left_out == ("8.8.8.8", "example.org")
    assert names(served(tmp_path)) == {"dish", "10.1.2.3", "192.0.2.9"}
    authority = x509.load_pem_x509_certificate(certificates.authority_pem)
    constraints = authority.extensions.get_extension_for_class(x509.NameConstraints)
    assert constraints.critical
    basic = authority.extensions.get_extension_for_class(x509.BasicConstraints)
    assert basic.critical and basic.value.ca and basic.value.path_length == 0


def test_a_disk_that_takes_none(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OSError):
        Certificates(tmp_path / "file", NAMES, NOW_S)
