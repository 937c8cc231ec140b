"""Check of `--plot`, before the long work whose result goes into that file."""

from __future__ import annotations

import os
from pathlib import Path

from moontrim.errors import InputError, not_found

SUFFIXES = (".png", ".svg")


def check_picture(path: Path, suffixes: tuple[str, ...] = SUFFIXES) -> None:
    """Checks suffix and writability of a file. Raises InputError."""
    if path.suffix.lower() not in suffixes:
        raise InputError("--plot", str(path), f"a file name ending in {' or '.join(suffixes)}")
    try:
        existed = os.path.lexists(path)  # true also for a link whose target does not exist
        if not path.parent.is_dir():
            raise not_found("--plot", path.parent)
        # Opened for writing, since permission bits do not tell what root may do in /proc.
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT, 0o666))
        if not existed:
            path.unlink()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError("--plot", str(path), problem=f"cannot write {path} ({reason})") from None
