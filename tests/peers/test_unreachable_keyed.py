"""The real rig-control daemon is killed, or hangs, while the radio is keyed through it: what can be
switched off without harm is, at once; what carries RF stays where it is until the radio answers."""

from __future__ import annotations

import asyncio
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from moontrim.app import transmitting
from moontrim.app.daemon import Daemon
from moontrim.clock.system import SystemClock
from moontrim.config.settings import settings_from
from moontrim.keying.outputs import Output, SimulatedOutput
from moontrim.keying.ownership import KeyingRefused
from moontrim.keying.sequence import Phase
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from support.moonup import places_under_the_moon
from support.processor import within
from support.rigctld import free_port, require_rigctld, start_rigctld

pytestmark = pytest.mark.peers

# A hung one is noticed by the deadline of the exchange under way, 1.5 s, and what precedes it.
OFF_WITHIN_S = {signal.SIGKILL: 1.0, signal.SIGSTOP: 3.0}
OUTPUTS = [
    {"kind": "simulated", "name": "relay", "settle_ms": 20, "role": "relay"},
    {"kind": "simulated", "name": "amplifier", "settle_ms": 20, "role": "amplifier"},
    {"kind": "radio"},
]


async def until(what: Callable[[], object], within_s: float) -> None:
    async with within(within_s):
        while not what():
            await asyncio.sleep(0.01)


@pytest.mark.parametrize("how", OFF_WITHIN_S)
def test_the_amplifier_goes_off_and_the_relay_stays(
    how: signal.Signals,
    tmp_path: Path,
    ephemeris: Ephemeris,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    require_rigctld()
    made: list[Output] = []
    make_outputs = transmitting.make_outputs

    def kept(*arguments: Any, **named: Any) -> tuple[Output, ...]:
        made.extend(make_outputs(*arguments, **named))
        return tuple(made)

    monkeypatch.setattr(transmitting, "make_outputs", kept)

    async def main() -> None:
        port = free_port()
        process = await start_rigctld(port, "-P", "RIG")
        raw: dict[str, Any] = (
            EMBEDDED
            | places_under_the_moon()
            | {
                "state_dir": str(tmp_path),
                "keying": {"enabled": True, "min_tx_elevation_deg": 0, "outputs": OUTPUTS},
                "clock": {"trust": "any"},
                "radio": {"driver": "socket", "options": {"port": port}},
            }
        )
        raw["bands"] = [{k: v for k, v in raw["bands"][0].items() if k != "transverter_offset_hz"}]
        raw["bands"][0] |= {
            "name": "144 MHz",
            "sked_hz": 144_100_000,
            "tx_low_hz": 144_000_000,
            "tx_high_hz": 146_000_000,
        }
        daemon = Daemon(settings_from(raw, "test"), SystemClock(), ephemeris)

        async def act(daemon: Daemon) -> None:
            nonlocal process
            keyer = daemon.transmitting.keyer
            relay, amplifier, _ = made
            assert isinstance(relay, SimulatedOutput) and isinstance(amplifier, SimulatedOutput)
            try:
                await keyed(daemon)
                assert relay.is_on and amplifier.is_on and keyer.view.state is Phase.KEYED
                began_s = time.monotonic()
                process.send_signal(how)
                await until(lambda: not amplifier.is_on, OFF_WITHIN_S[how])
                print(f"amplifier off after {time.monotonic() - began_s:.2f} s")
                await until(lambda: keyer.view.stuck, 5.0)
                await asyncio.sleep(2.0)
                assert relay.is_on, "it carries RF"
                assert "radio does not switch off" in keyer.view.stuck[0]
                if how is signal.SIGKILL:
                    await process.wait()
                    process = await start_rigctld(port, "-P", "RIG")
                else:
                    process.send_signal(signal.SIGCONT)
                await until(lambda: keyer.view.state is Phase.RELEASED, 8.0)
                assert not relay.is_on
                await asyncio.sleep(1.0)
                assert keyer.view.state is Phase.RELEASED, "keyed again by itself"
            finally:
                daemon.stop.set()

        await daemon.run(act)
        process.kill()
        await process.wait()

    asyncio.run(main())


async def keyed(daemon: Daemon) -> None:
    """On frequency some seconds after the start, so it is requested again."""
    async with within(30.0):
        while True:
            try:
                return await daemon.transmitting.request("test")
            except KeyingRefused as refused:
                print(refused)
                daemon.transmitting.release("test")
                await asyncio.sleep(0.3)
