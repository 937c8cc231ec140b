"""Scenes in a process with a separate disk or network, for which a test file runs itself."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from support.moontrim_process import ENVIRONMENT

MOUNT = 'mount -t tmpfs -o "size=$1" none "$2" && echo mounted >&2 && exec "$3" "$4" "$5" "$2"'


def on_small_disk(
    file: str, folder: Path, scene: str, size: str, within_s: float
) -> dict[str, Any]:
    """Runs a scene of a file, which takes the folder, on a tmpfs of that size; returns what it
    prints."""
    command = ["sh", "-c", MOUNT, "sh", size, str(folder), sys.executable, file, scene]
    return unshared("m", command, "mounted", "no file system may be mounted here", within_s)


def unshared(
    what: str, command: list[str], sign: str, otherwise: str, within_s: float
) -> dict[str, Any]:
    """Returns the JSON object that a command prints in a separate namespace (what: of unshare).
    Skips with the reason where the sign does not appear on its standard error."""
    options = f"-{what}" if os.geteuid() == 0 else f"-r{what}"
    try:
        done = subprocess.run(
            ["unshare", options, *command],
            capture_output=True,
            text=True,
            env=ENVIRONMENT,
            timeout=within_s,
        )
    except FileNotFoundError:
        pytest.skip("no unshare here")
    if sign not in done.stderr:
        pytest.skip(f"{otherwise}: {done.stderr.strip()[-200:]}")
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert isinstance(result, dict)
    print(result)
    return result
