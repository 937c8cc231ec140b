"""The broker's answer to a log-in (MQTT 3.1.1 and 5.0, section 3.2: CONNACK). Pure."""

from __future__ import annotations

CONNACK = 0x20
LONGEST_HEAD = 7  # type, up to four bytes of length, flags, reason


def login_result(start: bytes) -> bool | None:
    """Returns whether the broker accepted a log-in; None if that many bytes do not tell.

    start: the first bytes that the broker sent. Anything but a CONNACK is no log-in."""
    if not start:
        return None
    if start[0] != CONNACK:
        return False
    at = 1
    while at < len(start) and at <= 4:
        if start[at] < 0x80:  # the last byte of the length
            return start[at + 2] == 0 if len(start) > at + 2 else None
        at += 1
    return False if at > 4 else None
