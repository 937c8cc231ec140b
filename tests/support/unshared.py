"""Scenes in a process with a disk or a network of its own, for which a test file runs itself."""

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
    """Run a scene of a file, given the folder, on a tmpfs of that size there; what it prints."""
    command = ["sh", "-c", MOUNT, "sh", size, str(folder), sys.executable, file, scene]
    return unshared("m", command, "mounted", "no file system may be mounted here", within_s)


def unshared(
    what: str, command: list[str], sign: str, otherwise: str, within_s: float
) -> dict[str, Any]:
    """The JSON object that a command prints in a namespace of its own (what: of unshare). Skips,
    and says otherwise, where the sign does not come on its standard error."""
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
