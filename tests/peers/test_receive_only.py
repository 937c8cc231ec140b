"""A radio that cannot be keyed, behind the real rig-control daemon: receive only, with the remedy;
and a normal start, which logs no error."""

import asyncio
import logging
from pathlib import Path
from typing import Any

import pytest

from moontrim.app.daemon import Daemon
from moontrim.clock.system import SystemClock
from moontrim.config.settings import settings_from
from moontrim.keying.ownership import KeyingRefused
from moontrim.keying.sequence import Phase
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.state.snapshot import Tracking
from moontrim_drivers.contract import RigNotSuitable
from moontrim_drivers.rigctld.driver import SocketDriver
from support.moonup import places_under_the_moon
from support.rigctld import free_port, require_rigctld, start_rigctld
from support.scenario_keying import KEYING

pytestmark = pytest.mark.peers


@pytest.mark.parametrize("options", [(), ("-P", "RIG")])
@pytest.mark.parametrize("permitted", [True, False])
def test_started_with_keying(
    tmp_path: Path,
    ephemeris: Ephemeris,
    caplog: pytest.LogCaptureFixture,
    options: tuple[str, ...],
    permitted: bool,
) -> None:
    require_rigctld()

    async def main() -> None:
        port = free_port()
        process = await start_rigctld(port, *options)
        raw: dict[str, Any] = (
            EMBEDDED
            | places_under_the_moon()
            | {
                "state_dir": str(tmp_path),
                "keying": KEYING,
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
        daemon.link.allow_transmit(permitted)

        async def act(daemon: Daemon) -> None:
            try:
                await asyncio.sleep(3.5)
                now = daemon.hub.latest
                assert now is not None
                assert now.tracking is Tracking.ON_FREQUENCY, now.reason
                assert now.keying.state is Phase.RELEASED and not now.keying.stuck
                assert not any("cannot be unkeyed" in fault.text for fault in now.faults)
                named = [text for text in now.warnings if "receive only" in text]
                assert bool(named) is not bool(options)
                if not options:
                    assert "-P RIG" in named[0]
                    with pytest.raises(KeyingRefused, match="receive only"):
                        await daemon.transmitting.request("test")
            finally:
                daemon.stop.set()

        try:
            await daemon.run(act)
        finally:
            process.kill()
            await process.wait()

    with caplog.at_level(logging.INFO):
        asyncio.run(main())
    assert [r.getMessage() for r in caplog.records if r.levelno >= logging.ERROR] == []


def test_without_a_ptt_type_it_is_never_keyed() -> None:
    require_rigctld()

    async def main() -> None:
        port = free_port()
        process = await start_rigctld(port)
        driver = SocketDriver(SocketDriver.Options(port=port), SystemClock())
        try:
            await driver.open(unkey=True)
            for on in (True, False):
                with pytest.raises(RigNotSuitable, match="PTT type"):
                    await driver.set_transmit(on)
        finally:
            await driver.close()
            process.kill()
            await process.wait()

    asyncio.run(main())
