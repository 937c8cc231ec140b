"""A broker of somebody else's that is upgraded while we are connected: it ends, and another comes
up that remembers nothing. And what it may have kept for us while we were away."""

from __future__ import annotations

import asyncio
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from moontrim.app.daemon import Daemon
from moontrim.clock.system import SystemClock
from moontrim.config.settings import settings_from
from moontrim.keying.sequence import Phase
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.remote.companion import Remote
from moontrim.state.snapshot import Tracking
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.mosquitto import BASE, Watch, other_broker, require_mosquitto, run, station
from support.processor import within
from support.rigctld import free_port
from support.scenario_keying import moon_high

pytestmark = pytest.mark.peers


async def nudge(port: int) -> None:
    code, said = await run(
        *("mosquitto_pub", "-V", "5", "-h", "127.0.0.1", "-p", str(port), "-q", "1"),
        *("-t", f"{BASE}/cmd/local/nudge", "-m", "500"),
    )
    assert code == 0, said


def on_frequency(state: dict[str, Any]) -> bool:
    return bool(state["tracking"] == "on frequency")


def test_another_broker_comes_up_that_remembers_nothing(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Everything retained is there again, commands work, and nothing else has noticed."""
    require_mosquitto()
    port = free_port()

    async def main() -> None:
        async with station(tmp_path, ephemeris, broker="127.0.0.1", port=port) as here:
            async with other_broker(tmp_path, port=port), Watch.on(port) as watch:
                await watch.online(20.0)
                sked_hz = (await watch.state(on_frequency, 20.0))["sked_hz"]
            await asyncio.sleep(2.0)
            async with other_broker(tmp_path, port=port), Watch.on(port) as watch:
                await watch.online(30.0)
                await watch.state(on_frequency, 20.0)
                await watch.until(lambda: watch.latest.get(f"{BASE}/info"), 20.0)
                await nudge(port)
                await watch.state(lambda s: s["sked_hz"] == sked_hz + 500, 20.0)
            faults = [fault.text for fault in here.daemon.record.faults]
            assert not [text for text in faults if "missed" not in text], faults

    asyncio.run(main())


def test_what_is_sent_while_we_are_away_is_not_done_afterwards(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Not even with the delivery guaranteed, at a broker that knows us: no session outlives us."""
    require_mosquitto()
    port = free_port()

    async def main() -> None:
        async with other_broker(tmp_path, port=port), Watch.on(port) as watch:
            async with station(tmp_path, ephemeris, broker="127.0.0.1", port=port):
                await watch.online(20.0)
                sked_hz = (await watch.state(on_frequency, 20.0))["sked_hz"]
            await watch.until(lambda: watch.latest[f"{BASE}/availability"] == b"offline", 20.0)
            await nudge(port)
            async with station(tmp_path, ephemeris, broker="127.0.0.1", port=port) as here:
                await watch.online(20.0)
                await watch.state(on_frequency, 20.0)
                await asyncio.sleep(1.0)
                assert here.daemon.hub.latest is not None
                assert here.daemon.hub.latest.sked_hz == sked_hz
                await nudge(port)  # a live one is done
                await watch.state(lambda s: s["sked_hz"] == sked_hz + 500, 20.0)

    asyncio.run(main())


class Shifted(SystemClock):
    """The real clock, on a day when the Moon is up now."""

    by_s = 0.0

    def utc_s(self) -> float:
        return super().utc_s() + self.by_s


def test_stopped_while_it_keys_a_relay_on_the_network_falls(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """After the radio, as ever: whoever tells it ended before the key had fallen."""
    require_mosquitto()
    port, clock = free_port(), Shifted()
    clock.by_s = moon_high(ephemeris) - clock.utc_s()
    relay = {"kind": "mqtt", "name": "mast", "topic": "mast", "settle_ms": 100, "release_ms": 50}
    raw = deepcopy(EMBEDDED) | {
        "state_dir": str(tmp_path / "state"),
        "clock": {"trust": "any", "max_error_ms": 60_000},
        "remote": {"broker": "127.0.0.1", "port": port, "http_port": free_port()},
        "keying": {"enabled": True, "outputs": [relay, {"kind": "radio", "release_ms": 20}]},
    }
    raw["bands"][0]["drive_ceiling"] = 0.5
    settings = settings_from(raw, "test")

    async def main() -> None:
        async with other_broker(tmp_path, port=port), Watch.on(port, "mast") as mast:
            driver = SimulatedDriver(settings.radio.driver_options(), clock)
            daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
            running = asyncio.create_task(daemon.run(Remote(settings.remote).run))
            async with within(15.0):
                while not (now := daemon.hub.latest) or not (
                    now.tracking is Tracking.ON_FREQUENCY and now.keying.state is Phase.RELEASED
                ):
                    await asyncio.sleep(0.05)
                await daemon.transmitting.request("test")
            assert driver.radio.transmitting
            await mast.until(lambda: mast.latest.get("mast") == b"on")
            daemon.stop.set()
            await running
            assert not driver.radio.transmitting
            await mast.until(lambda: mast.latest.get("mast") == b"off")

    asyncio.run(main())


class HalfOpen:
    """A network that ends the daemon's side and never tells the broker."""

    def __init__(self) -> None:
        self.near: list[asyncio.StreamWriter] = []
        self.far: list[asyncio.StreamWriter] = []
        self.lost = False

    async def listen(self, broker_port: int) -> int:
        async def pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            try:
                while data := await reader.read(65536):
                    writer.write(data)
            except OSError:
                pass

        async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            far_reader, far = await asyncio.open_connection("127.0.0.1", broker_port)
            self.near.append(writer)
            self.far.append(far)
            await asyncio.gather(pump(reader, far), pump(far_reader, writer))

        self.server = await asyncio.start_server(connected, "127.0.0.1", 0)
        return int(self.server.sockets[0].getsockname()[1])

    def cut(self) -> None:
        self.near[-1].transport.abort()


def said(watch: Watch) -> list[bytes]:
    return [payload for topic, payload in watch.history if topic == f"{BASE}/availability"]


@pytest.mark.long
def test_the_will_of_a_connection_before_is_contradicted(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Else the page said for ever that a daemon that is there is not."""
    require_mosquitto()

    async def main() -> None:
        port, net = free_port(), HalfOpen()
        async with other_broker(tmp_path, port=port):
            through = await net.listen(port)
            async with station(tmp_path, ephemeris, broker="127.0.0.1", port=through) as here:
                async with Watch.on(port) as watch:
                    await watch.online()
                    net.cut()
                    async with within(60.0):  # 1.5 times the keep-alive, and some
                        while b"offline" not in said(watch):
                            await asyncio.sleep(0.2)
                    await watch.until(lambda: said(watch)[-1] == b"online")
                    assert len(net.near) == 2, "it had come back long before"
                here.daemon.stop.set()
            net.server.close()
            for writer in (*net.near, *net.far):
                writer.transport.abort()
            await asyncio.sleep(0.1)

    asyncio.run(main())
