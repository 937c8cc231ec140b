"""Where the page is, in words and as a picture for a phone's camera."""

from __future__ import annotations

import fcntl
import io
import ipaddress
import socket
import struct
from urllib.parse import quote

SIOCGIFADDR = 0x8915  # Linux, linux/sockios.h: the IPv4 address of an interface


def page_urls(host: str, port: int) -> list[str]:
    """The addresses a phone can open, for a server that listens there."""
    if ipaddress.ip_address(host).is_unspecified:
        hosts = interface_addresses() or ["127.0.0.1"]
    else:
        hosts = [host]
    return [f"http://{each}:{port}/" for each in hosts]


def interface_addresses() -> list[str]:
    """The IPv4 address of every interface but loopback. Needs no route and no name service: a
    hot-spot in a field has neither."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        for _, name in socket.if_nameindex():
            try:
                request = struct.pack("256s", name.encode()[:15])
                packed = fcntl.ioctl(any_socket.fileno(), SIOCGIFADDR, request)[20:24]
            except OSError:  # this one has none
                continue
            address = ipaddress.IPv4Address(packed)
            if not address.is_loopback:
                found.append(str(address))
    return found


def with_password(url: str, password: str) -> str:
    """The page's address so that it logs in without typing. The password stands in the fragment,
    which a browser keeps to itself and never sends to the server."""
    return f"{url}#p={quote(password, safe='')}"


def welcome(urls: list[str], passwords: dict[str, str]) -> str:
    """What is shown to the one at the machine, and to nobody else. The picture leads to the first
    address."""
    import segno

    lines = [f"Phone page: {url}" for url in urls]
    lines += [f"Account {account}: password {word}" for account, word in passwords.items()]
    if urls and "phone" in passwords:
        picture = io.StringIO()
        code = segno.make(with_password(urls[0], passwords["phone"]), micro=False)
        code.terminal(out=picture, compact=True)
        lines += ["Point the phone's camera here; whoever has this picture can command:"]
        lines += [picture.getvalue().rstrip("\n")]
    return "\n".join(lines)
