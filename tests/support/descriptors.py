"""The open descriptors of this process, by identity: a count would change when the collector closes
those of an earlier test."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path


def open_descriptors() -> set[tuple[int, str]]:
    """Returns number and target of each; the target of a socket or pipe is a number of its own."""
    opened = set()
    for link in Path("/proc/self/fd").iterdir():
        with suppress(FileNotFoundError):  # the one with which the folder was read
            opened.add((int(link.name), str(link.readlink())))
    return opened
