"""Which stations need a guard, and what is done when the daemon cannot unkey the radio."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace
from typing import Any

import pytest

from moontrim.app.guardedkey import GuardedKey
from moontrim.clock.system import SystemClock
from moontrim.config.keying import KeyingSettings
from moontrim.guard.unkeyguard import GuardError
from moontrim.rig.view import LinkState
from moontrim_drivers.contract import RigClosed

LINE = {"kind": "rts", "name": "line", "port": "/dev/ttyS9", "settle_ms": 0, "keys_radio": True}


class Link:
    """A radio whose driver describes no way to unkey it from outside, and that is lost."""

    view = SimpleNamespace(state=LinkState.READY)

    def __init__(self) -> None:
        self.keyed = False

    def emergency_unkey(self) -> None:
        return None

    async def key(self, doubt: object) -> None:
        self.keyed = True

    async def unkey(self) -> None:
        raise RigClosed("lost")


def made(output: dict[str, Any]) -> tuple[GuardedKey, Link]:
    link: Any = Link()
    keying = KeyingSettings.model_validate({"enabled": True, "outputs": [output]})
    key = GuardedKey(keying, SystemClock(), link, lambda: 0, lambda text: None, lambda: None)
    return key, link


def test_what_a_line_keys_needs_no_guard() -> None:
    async def main() -> None:
        key, _ = made(LINE)
        assert key.by_line and not key.used
        assert key.guard.doubt() == "" and key.guard.warnings() == ()

    asyncio.run(main())


def test_a_radio_that_cannot_be_guarded_is_not_keyed() -> None:
    async def main() -> None:
        key, link = made({"kind": "radio"})
        assert key.used and "no guard" in key.guard.doubt()
        with pytest.raises(GuardError, match="no guard"):
            await key.key(True)
        assert not link.keyed

    asyncio.run(main())


def test_what_the_daemon_cannot_unkey_the_guard_is_asked_to(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    requests: list[str] = []

    async def main() -> None:
        key, _ = made({"kind": "radio"})
        monkeypatch.setattr(key.guard, "unkey", requests.append)
        with pytest.raises(RigClosed):
            await key.key(False)

    asyncio.run(main())
    assert requests == ["moontrim could not unkey the radio (lost)"]
