"""The addresses of the phone page, as text and as a QR code."""

from __future__ import annotations

import fcntl
import io
import ipaddress
import socket
import struct
from urllib.parse import quote

SIOCGIFADDR = 0x8915  # Linux, linux/sockios.h: the IPv4 address of an interface


def page_urls(host: str, port: int) -> list[str]:
    """Returns the addresses that a phone can open, for a server that listens on host and port."""
    if ipaddress.ip_address(host).is_unspecified:
        hosts = interface_addresses() or ["127.0.0.1"]
    else:
        hosts = [host]
    return [f"http://{each}:{port}/" for each in hosts]


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


def with_password(url: str, password: str) -> str:
    """Returns the page's address with the password in its fragment, which logs in without typing. A
    browser never sends the fragment to the server."""
    return f"{url}#p={quote(password, safe='')}"


def welcome(urls: list[str], passwords: dict[str, str]) -> str:
    """Returns the text for the operator at the terminal: addresses, passwords by account, and a QR
    code of the first address with the phone's password."""
    import segno

    lines = [f"Phone page: {url}" for url in urls]
    lines += [f"Account {account}: password {password}" for account, password in passwords.items()]
    if urls and "phone" in passwords:
        picture = io.StringIO()
        code = segno.make(with_password(urls[0], passwords["phone"]), micro=False)
        code.terminal(out=picture, compact=True)
        lines += ["Point the phone's camera here; whoever has this picture can command:"]
        lines += [picture.getvalue().rstrip("\n")]
    return "\n".join(lines)
