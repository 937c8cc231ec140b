"""A radio that is keyed by a line is asked nothing for that, so nobody waits in turn: what was
under way with it went on under RF."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from moontrim.keying.outputs import SimulatedOutput
from moontrim.keying.ownership import KeyingRefused
from moontrim.path import Ephemeris
from moontrim_drivers.contract import Capabilities, RigError, RigState
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.scenario_keying import moon_high
from support.stage import Stage, play

RELAY = {"kind": "simulated", "name": "relay", "settle_ms": 50, "release_ms": 20}
LINE = RELAY | {"name": "line", "settle_ms": 0, "keys_radio": True}
KEYING = {"enabled": True, "outputs": [RELAY, LINE]}


class Paced(SimulatedDriver):
    """Waits half a second between two sets, and long for a mode."""

    line: SimulatedOutput | None = None
    last_s = -1e9

    def __init__(self, options: Any, clock: Any) -> None:
        super().__init__(options, clock)
        self.under_rf: list[str] = []

    @property
    def capabilities(self) -> Capabilities:
        return replace(super().capabilities, retunes_while_transmitting=False, driver_pauses_s=1.0)

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        for one in ((rx_hz, None), (None, tx_hz)):
            if one != (None, None):
                await self.clock.sleep(self.last_s + 0.5 - self.clock.monotonic_s())
                self.note(f"dials {one}")
                await self._ask(lambda one=one: self.radio.set_dials(*one))
                self.last_s = self.clock.monotonic_s()
        return await self.read()

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        await self.clock.sleep(0.3)
        self.note(mode)
        await super().set_mode(mode, passband_hz)

    def note(self, what: str) -> None:
        if self.line is not None and self.line.is_on:
            self.under_rf.append(what)


@pytest.mark.parametrize("beside", ["steps", "reconnection", "mode"])
def test_nothing_is_set_under_rf(tmp_path: Path, ephemeris: Ephemeris, beside: str) -> None:
    """The key asked for at many moments of what is being done."""

    async def scene(s: Stage) -> None:
        driver: Any = s.driver
        driver.line = s.daemon.transmitting.keyer._switching._outputs[-1].output
        keyed = 0
        for n in range(20):
            asked = None
            await s.clock.sleep(3.0 + 0.37 * n)
            if beside == "reconnection":
                connections = s.snapshot.link.connections
                s.radio.drop()
                while s.snapshot.link.connections == connections:
                    await s.clock.sleep(0.01)
            elif beside == "mode":
                asked = asyncio.create_task(s.daemon.link.set_mode("CW" if n % 2 else "USB", 0))
            await s.clock.sleep(0.03 * n)
            try:
                await s.daemon.transmitting.request("test")
                keyed += 1
                await s.clock.sleep(0.7)
            except KeyingRefused:
                pass
            s.daemon.transmitting.release("test")
            if asked is not None:
                await asyncio.gather(asked, return_exceptions=True)
                assert not asked.exception() or isinstance(asked.exception(), RigError)
        assert keyed > 5 and driver.under_rf == []

    play(
        tmp_path,
        ephemeris,
        scene,
        moon_high(ephemeris),
        tables={"keying": KEYING},
        band={"while_transmitting": "hold", "transverter_offset_hz": 0, "mode": "CW"},
        driver_class=Paced,
    )
