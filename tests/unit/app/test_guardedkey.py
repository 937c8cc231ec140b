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
from moontrim.keying.outputs import Output
from moontrim.rig.view import LinkState
from moontrim_drivers.contract import RigClosed

LINE = {"kind": "rts", "name": "line", "port": "/dev/ttyS9", "settle_ms": 0, "keys_radio": True}


class Link:
    """A radio whose driver describes no way to unkey it from outside, and that is lost."""

    view = SimpleNamespace(state=LinkState.READY)

    def __init__(self) -> None:
        self.keyed = self.lost = False
        self.log: list[str] = []

    async def look_before_keying(self) -> None:
        self.log.append("look")
        if self.lost:
            raise RigClosed("lost")

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


class Line(Output):
    """A line that nothing but the daemon can release, as that of a networked relay."""

    def __init__(self, link: Link) -> None:
        super().__init__("ptt")
        self.link = link

    async def on(self) -> None:
        self.link.log.append("on")

    async def off(self) -> None:
        self.link.log.append("off")


def test_a_line_is_raised_only_after_a_last_look() -> None:
    async def main() -> None:
        key, link = made(LINE)
        line = key.line_key(Line(link))
        assert key.by_line and not key.by_command
        assert key.guard.doubt() == "" and key.guard.warnings() == ()
        await line.on()
        await line.off()
        assert link.log == ["look", "on", "off"]
        link.lost = True
        with pytest.raises(RigClosed):
            await line.on()
        assert link.log == ["look", "on", "off", "look"]
        link.lost, link.log = False, []
        key.guard.doubt = lambda: "moontrim did not run"  # type: ignore[method-assign]
        with pytest.raises(GuardError, match="did not run"):
            await line.on()
        assert link.log == ["look"]

    asyncio.run(main())


def test_a_radio_that_cannot_be_guarded_is_not_keyed() -> None:
    async def main() -> None:
        key, link = made({"kind": "radio"})
        assert key.by_command and "no guard" in key.guard.doubt()
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
