"""Finds a serial port by its identity instead of the number it got when it was plugged in.

Defines the notation of the option `port`. Pure: the attached ports are arguments. A path (such as a
link in udev's by-id folder) is left to the kernel. `usb:VENDOR:PRODUCT` or
`usb:VENDOR:PRODUCT:SERIAL`, in hexadecimal as lsusb prints them, is looked up.
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
    """An attached serial port.

    device: its path. vendor_id, product_id: None unless on USB. links: the links that udev made to
    it, by identity first, then by place."""

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
    """Returns the text unchanged. Raises ValueError, saying what is expected, unless it can name
    a port."""
    is_path = port.startswith("/") and "\0" not in port and len(port) <= 4096
    if not (is_path or _USB.fullmatch(port)):
        raise ValueError(f"invalid value {port!r}; expected {NOTATION}")
    return port


def choose(port: str, attached: Sequence[Port]) -> str:
    """Returns the path to open now. Raises RigUnreachable unless exactly one port matches."""
    wanted = _USB.fullmatch(port)
    if wanted is None:
        return port
    matching = [one for one in attached if _is(one, *wanted.groups())]
    if len(matching) == 1:
        return matching[0].device
    if matching:
        raise RigUnreachable(
            f"{port} could be any of {_listed(matching)}; name one by its link in /dev/serial, see "
            "`moontrim ports`"
        )
    present = _listed(attached) or "none"
    raise RigUnreachable(f"{port} not found (ports present: {present})")


def best_name(port: Port, attached: Sequence[Port]) -> str:
    """Returns the name to write into a config so that the port is found under another number: its
    identity if no other port has the same, else a link of udev, else its device path."""
    if port.vendor_id is not None and port.product_id is not None:
        name = f"usb:{port.vendor_id:04x}:{port.product_id:04x}"
        for candidate in (f"{name}:{port.serial_number}",) if port.serial_number else (name,):
            match = _USB.fullmatch(candidate)
            if match and sum(_is(one, *match.groups()) for one in attached) == 1:
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
