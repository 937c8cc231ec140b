"""Which port is meant: by what it is, not by the number it got today.

Owns the notation of the option `port`. Pure: what is there is handed in. A path (a link of udev's
by-id folder, say) is left to the kernel; `usb:VENDOR:PRODUCT` or `usb:VENDOR:PRODUCT:SERIAL`, in
hexadecimal as lsusb prints them, is looked up.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from moontrim_drivers.contract import RigUnreachable

NOTATION = (
    "a device path, a link in /dev/serial/by-id, or usb:VENDOR:PRODUCT[:SERIAL] in hexadecimal "
    "such as usb:0403:6001"
)
_USB = re.compile(r"usb:([0-9a-fA-F]{4}):([0-9a-fA-F]{4})(?::([\x21-\x7e][\x20-\x7e]{0,125}))?")


@dataclass(frozen=True, slots=True)
class Port:
    """One port that is there. vendor_id, product_id: None unless on USB. links: the names that
    udev gave it, by identity first, then by place."""

    device: str
    vendor_id: int | None = None
    product_id: int | None = None
    serial_number: str | None = None
    description: str = ""
    links: tuple[str, ...] = ()

    def __str__(self) -> str:
        if self.vendor_id is None or self.product_id is None:
            return self.device
        number = f":{self.serial_number}" if self.serial_number else ""
        return f"{self.device} (usb:{self.vendor_id:04x}:{self.product_id:04x}{number})"


def check_port(port: str) -> str:
    """The same text. Raises ValueError, saying what is allowed, for what cannot name a port."""
    is_path = port.startswith("/") and "\0" not in port and len(port) <= 4096
    if not (is_path or _USB.fullmatch(port)):
        raise ValueError(f"{port!r} names no port; allowed: {NOTATION}")
    return port


def choose(port: str, there: Sequence[Port]) -> str:
    """The path to open now. Raises RigUnreachable if nothing there, or more than one, is meant."""
    wanted = _USB.fullmatch(port)
    if wanted is None:
        return port
    matching = [one for one in there if _is(one, *wanted.groups())]
    if len(matching) == 1:
        return matching[0].device
    if matching:
        raise RigUnreachable(
            f"{port} could be any of {_listed(matching)}; name one by its link in /dev/serial, see "
            "`moontrim ports`"
        )
    raise RigUnreachable(f"{port} is not there; there is {_listed(there) if there else 'no port'}")


def best_name(port: Port, there: Sequence[Port]) -> str:
    """What to write for this port so that it is found under another number: by identity if that
    is unlike any other's, else by the link of udev, else by its device."""
    if port.vendor_id is not None and port.product_id is not None:
        name = f"usb:{port.vendor_id:04x}:{port.product_id:04x}"
        for candidate in (f"{name}:{port.serial_number}",) if port.serial_number else (name,):
            match = _USB.fullmatch(candidate)
            if match and sum(_is(one, *match.groups()) for one in there) == 1:
                return candidate
    return port.links[0] if port.links else port.device


def _is(port: Port, vendor: str, product: str, number: str | None) -> bool:
    return (
        port.vendor_id == int(vendor, 16)
        and port.product_id == int(product, 16)
        and (number is None or port.serial_number == number)
    )


def _listed(ports: Sequence[Port]) -> str:
    return ", ".join(str(port) for port in ports)
