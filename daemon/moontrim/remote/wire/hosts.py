"""Names and addresses in the Host and Origin headers of requests. Pure."""

from __future__ import annotations

import ipaddress
import re
from urllib.parse import urlsplit

# The Host header: a name or an IPv4 address, or an IPv6 address in brackets; perhaps a port.
_HOST = re.compile(r"[A-Za-z0-9.-]{1,253}(:\d{1,5})?|\[[0-9A-Fa-f:.]{2,45}\](:\d{1,5})?")


def is_host(host: str) -> bool:
    """Is this a usable Host header?"""
    return _HOST.fullmatch(host) is not None


def is_loopback(host: str) -> bool:
    """Is this `localhost` or a loopback address?"""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def host_of(origin: str) -> str:
    """Returns host and port of an Origin; empty if it has none."""
    try:
        return urlsplit(origin).netloc
    except ValueError:
        return ""


def name_of(host: str) -> str:
    """Returns the name or address in a Host header, in lower case and without brackets and port;
    empty if there is none."""
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:  # brackets with no address in them
        return ""


def is_safe_name(host: str) -> bool:
    """Is this Host header `localhost` or an IP address, which no other site can have?"""
    name = name_of(host)
    return name == "localhost" or is_address(name)


def is_address(name: str) -> bool:
    """Is this an IP address?"""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def as_in_url(host: str) -> str:
    """Returns a host as it stands in a URL: an IPv6 address in brackets."""
    return f"[{host}]" if ":" in host else host
