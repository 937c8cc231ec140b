"""The name of a picture file, checked before the long work that ends in it."""

from __future__ import annotations

import os
from pathlib import Path

from moontrim.errors import InputError

SUFFIXES = (".png", ".svg")


def check_picture(path: Path, suffixes: tuple[str, ...] = SUFFIXES) -> None:
    """Raises InputError for a suffix or a place that cannot be written, before the long work."""
    if path.suffix.lower() not in suffixes:
        raise InputError("--picture", str(path), f"a file name ending in {' or '.join(suffixes)}")
    try:
        there = os.path.lexists(path)  # a link to a file to come is kept too
        if not path.parent.is_dir():
            raise InputError("--picture", str(path), "a file in a folder that exists")
        # Tried and not asked: what root may do in /proc, no permission bit tells.
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT, 0o666))
        if not there:
            path.unlink()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError("--picture", str(path), f"a file that can be written ({reason})") from None
