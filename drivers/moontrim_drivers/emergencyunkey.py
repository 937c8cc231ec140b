"""How a radio is unkeyed by another process than the one that drives it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class EmergencyUnkey:
    """How another process unkeys the radio while this one does not run.

    unkey: the bytes of the command, complete. Where they go is one of three: `address`, a host and
    a port to which a second TCP connection is made (`greeting` goes first; `confirmed` is a regular
    expression for the answer that says it was done); `descriptor`, the open port, of which the
    process gets a duplicate that it writes to only while this process does not run; or nowhere, if
    the radio ends with this process (`ends_with_process`).

    ioctl: request and argument of ioctl(2), done on `descriptor` in place of writing `unkey`: it
    lowers a line that keys the radio."""

    unkey: bytes = b""
    address: tuple[str, int] | None = None
    greeting: bytes = b""
    confirmed: str = ""
    descriptor: int | None = None
    ioctl: tuple[int, bytes] | None = None
    ends_with_process: bool = False
