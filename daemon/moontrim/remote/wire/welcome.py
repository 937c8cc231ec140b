"""The addresses of the phone page, as text and as a QR code."""

from __future__ import annotations

import fcntl
import io
import ipaddress
import socket
import struct
from urllib.parse import quote

SIOCGIFADDR = 0x8915  # Linux, linux/sockios.h: the IPv4 address of an interface


def page_urls(host: str, port: int, scheme: str = "http") -> list[str]:
    """Returns the addresses that a phone can open, for a server that listens on host and port."""
    if ipaddress.ip_address(host).is_unspecified:
        hosts = interface_addresses() or ["127.0.0.1"]
    else:
        hosts = [host]
    return [f"{scheme}://{each}:{port}/" for each in hosts]


def interface_addresses() -> list[str]:
    """Returns the IPv4 address of every interface but loopback. It needs no route and no name
    service: a hot-spot in a field has neither."""
    addresses = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        for _, name in socket.if_nameindex():
            try:
                request = struct.pack("256s", name.encode()[:15])
                packed = fcntl.ioctl(any_socket.fileno(), SIOCGIFADDR, request)[20:24]
            except OSError:  # an interface without an address
                continue
            address = ipaddress.IPv4Address(packed)
            if not address.is_loopback:
                addresses.append(str(address))
    return addresses


def with_password(url: str, password: str, account: str = "phone") -> str:
    """Returns the page's address with the password in its fragment, which logs in without typing. A
    browser never sends the fragment to the server."""
    user = "" if account == "phone" else f"u={quote(account, safe='')}&"
    return f"{url}#{user}p={quote(password, safe='')}"


def with_fingerprint(url: str, fingerprint: str) -> str:
    """Returns the certificate's address with its fingerprint in the fragment, for comparison."""
    return f"{url}#sha256={fingerprint.replace(':', '').lower()}"


def names_of_machine(host: str) -> tuple[str, ...]:
    """Returns the names and addresses for the certificate of a server that listens on host."""
    name = socket.gethostname()
    listens = interface_addresses() if ipaddress.ip_address(host).is_unspecified else [host]
    return (name, f"{name.partition('.')[0]}.local", "localhost", "127.0.0.1", *listens)


def welcome(
    urls: list[str], passwords: dict[str, str], certificate_urls: list[str], fingerprint: str
) -> str:
    """Returns the text for the operator at the terminal: addresses, passwords by account, and QR
    codes: of the first address with the certificate and its fingerprint, and of the page's with the
    phone's password.

    urls: of the page. certificate_urls: of the certificate for phones."""
    lines = [f"Phone page: {url}" for url in urls]
    lines += [f"Account {account}: password {password}" for account, password in passwords.items()]
    lines += [f"Certificate, once for each phone: {url}" for url in certificate_urls]
    lines += [
        f"Its SHA-256 fingerprint: {fingerprint}",
        "The phone asks to install a CA certificate; some also need it switched on, at Settings, "
        "General, About, Certificate trust. It is valid for this machine and private addresses "
        "only. Compare the fingerprint.",
    ]
    if urls and certificate_urls and "phone" in passwords:
        lines += [
            "1. Certificate:",
            _qr_code(with_fingerprint(certificate_urls[0], fingerprint)),
            "2. Page with password. Scan with the phone's camera. Anyone with this code can "
            "control the radio:",
            _qr_code(with_password(urls[0], passwords["phone"])),
        ]
    return "\n".join(lines)


def _qr_code(text: str) -> str:
    import segno

    picture = io.StringIO()
    segno.make(text, micro=False).terminal(out=picture, compact=True)
    return picture.getvalue().rstrip("\n")
