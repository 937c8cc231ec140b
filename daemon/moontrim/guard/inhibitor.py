"""Keeps the machine from suspending while the radio is keyed: systemd-inhibit as a child, which
ends when its standard input does, and so with this process, however that ends."""

from __future__ import annotations

import os
import shutil
import subprocess

_COMMAND = (
    "systemd-inhibit",
    "--what=sleep",
    "--mode=block",
    "--who=moontrim",
    "--why=the radio is keyed",
    "cat",
)


class SleepInhibitor:
    """Held from `hold` to `release`. Where the tool is missing or not allowed, nothing is held."""

    def __init__(self, command: tuple[str, ...] = _COMMAND) -> None:
        self._command = command
        self._child: subprocess.Popen[bytes] | None = None
        self._ended: list[subprocess.Popen[bytes]] = []
        self._trouble = ""

    def hold(self) -> None:
        """Begins to hold it; does not wait until it is held."""
        self.reap()
        if self._child is not None:
            return
        self._trouble = ""
        if shutil.which(self._command[0]) is None:
            self._trouble = f"{self._command[0]} is not installed"
            return
        try:
            self._child = subprocess.Popen(  # noqa: S603
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
            )
        except OSError as error:
            self._trouble = f"{self._command[0]}: {error.strerror or error}"

    def trouble(self) -> str:
        """Returns why it is not held, as far as is known by now; empty if it is."""
        child = self._child
        if child is not None and child.poll() is not None:
            self._trouble = f"{self._command[0]}: {_last_line(child)}"
            self.release()
        return self._trouble

    def release(self) -> None:
        """Lets the machine suspend again; does not wait."""
        child, self._child = self._child, None
        if child is None:
            return
        assert child.stdin is not None and child.stderr is not None
        child.stdin.close()
        child.stderr.close()
        self._ended.append(child)

    def reap(self) -> bool:
        """Takes note of children that have ended; returns whether all have that were released."""
        self._ended = [child for child in self._ended if child.poll() is None]
        return not self._ended


def _last_line(child: subprocess.Popen[bytes]) -> str:
    """Returns the last thing it wrote, or how it ended."""
    assert child.stderr is not None
    os.set_blocking(child.stderr.fileno(), False)  # its own child may still hold the other end
    text = (child.stderr.read() or b"").decode(errors="replace").strip()
    return text.splitlines()[-1] if text else f"exit code {child.returncode}"
