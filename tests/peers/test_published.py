"""What the page reads besides the state: tonight, the log, the report, and hubs; by the real
broker."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp
import jsonschema
import pytest

from moontrim.app.daemon import Daemon
from moontrim.app.standing import NOT_SET_UP
from moontrim.clock.system import SystemClock
from moontrim.journal.companion import Journal
from moontrim.journal.schema import NAME
from moontrim.outlook.companion import keep_outlook
from moontrim.path import Ephemeris
from moontrim.remote.companion import Remote
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.hubschema import DEVICE
from support.mosquitto import BASE, Station, Watch, other_broker, remote_settings, require_mosquitto
from support.rigctld import free_port, listening

pytestmark = pytest.mark.peers


@pytest.fixture(autouse=True)
def _peers() -> None:
    require_mosquitto()


@asynccontextmanager
async def whole_station(
    folder: Path, ephemeris: Ephemeris, **remote: Any
) -> AsyncIterator[tuple[Station, str]]:
    """With journal and outlook; yields the page's address as well."""
    settings, clock = remote_settings(folder, **remote), SystemClock()
    driver = SimulatedDriver(settings.radio.driver_options(), clock)  # type: ignore[arg-type]
    daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
    journal = Journal(settings.state_path(), settings, clock)
    side = Remote(settings.remote, journal=settings.state_path() / NAME)
    task = asyncio.create_task(daemon.run(journal.run, side.run, keep_outlook))
    assert settings.remote.port is not None
    try:
        await listening(settings.remote.http_port, 30.0)
        url = f"http://127.0.0.1:{settings.remote.http_port}"
        yield Station(daemon, driver.radio, settings.remote.port, [], task), url
    finally:
        daemon.stop.set()
        await task


def test_tonight_and_what_is_so_now(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def main() -> None:
        async with (
            whole_station(tmp_path, ephemeris) as (here, _),
            Watch.on(here.port, f"{BASE}/#") as watch,
        ):
            tonight = await watch.until(lambda: watch.json("tonight"), 20.0)
            count = len(tonight["home_deg"])
            assert 2 <= count <= 120
            assert len(tonight["partner_deg"]) == len(tonight["spread_hz"]) == count
            assert tonight["snr_db"] is None, "no equipment in the config"
            outlook = await watch.until(lambda: watch.json("outlook"), 5.0)
            assert outlook["now_spread_hz"] > outlook["now_half_power_spread_hz"] > 0.0
            assert outlook["now_snr_db"] is None
            for window in outlook["windows"]:
                assert (window["low_spread_start_ms"] or 2**60) >= outlook["at_ms"] - 1
            state = await watch.state(lambda s: s["tracking"] == "on frequency", 10.0)
            keying = state["keying"]
            assert (keying["enabled"], keying["may"]) == (False, False)
            assert keying["interlocks"] == [NOT_SET_UP]
            spread = await watch.until(lambda: watch.latest.get(f"{BASE}/value/spread_hz"), 5.0)
            assert float(spread) == pytest.approx(outlook["now_spread_hz"], abs=0.1)
            tonight_again = [p for t, p in watch.history if t == f"{BASE}/tonight"]
            assert len(tonight_again) == 1

    asyncio.run(main())


def test_the_log_tells_commands_refusals_and_faults(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def main() -> None:
        async with (
            whole_station(tmp_path, ephemeris) as (here, _),
            Watch.on(here.port, f"{BASE}/#") as watch,
        ):

            def event(**wanted: Any) -> Any:
                log = watch.json("log") or {"events": []}
                return next(
                    (
                        one
                        for one in log["events"]
                        if all(one[key] == value for key, value in wanted.items())
                    ),
                    None,
                )

            await watch.state(lambda s: s["tracking"] == "on frequency", 10.0)
            await here.request("nudge", "10")
            await watch.until(lambda: event(kind="command", by="local", text="sked +10 Hz"))
            await here.request("band", "no such band")
            refused = await watch.until(lambda: event(kind="refused", by="local"))
            assert refused["text"].startswith("band no such band: ")
            here.radio.change(unreachable_s=4.0)
            here.radio.power_cycle()
            fault = "no contact with radio"
            await watch.state(lambda s: s["tracking"] == fault, 10.0)
            begun = await watch.until(
                lambda: next(
                    (
                        one
                        for one in watch.json("log")["events"]
                        if one["kind"] == "fault" and one["text"].startswith(fault)
                    ),
                    None,
                )
            )
            assert begun["lasted_s"] is None
            await watch.state(lambda s: s["tracking"] == "on frequency", 20.0)
            ended = await watch.until(
                lambda: (
                    (one := event(at_ms=begun["at_ms"], text=begun["text"]))
                    and one["lasted_s"]
                    and one
                )
            )
            assert 1.0 < ended["lasted_s"] < 20.0
            logs = [p for t, p in watch.history if t == f"{BASE}/log"]
            assert len(logs) < 40

    asyncio.run(main())


def test_the_report_of_the_running_session(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def main() -> None:
        async with (
            whole_station(tmp_path, ephemeris) as (here, url),
            Watch.on(here.port, f"{BASE}/#") as watch,
            aiohttp.ClientSession() as browser,
        ):
            await watch.state(lambda s: s["seconds"]["tracked"] >= 4, 20.0)
            info = watch.json("info")
            assert (info["report"], info["rehearsal"]) == ("/report", False)
            async with browser.post(f"{url}/report") as answer:
                assert answer.status == 403, "from no page"
            async with browser.post(f"{url}/report", headers={"Origin": url}) as answer:
                assert answer.status == 200, await answer.text()
                path = (await answer.json())["path"]
            async with browser.get(f"{url}{path}") as answer:
                text = await answer.text()
                assert answer.status == 200 and text.startswith("<!")
                assert "still running" in text
            state = watch.json("state")
            assert state["seconds"]["missed"] == 0, "the dials did not wait for it"

    asyncio.run(main())


def test_a_hub_is_told_what_is_valid(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def main() -> None:
        topic, port = "homeassistant/device/moontrim_station/config", free_port()
        remote: dict[str, Any] = {"broker": "127.0.0.1", "port": port, "discovery": True}
        async with (
            other_broker(tmp_path, port=port),
            whole_station(tmp_path, ephemeris, **remote) as (_, url),
            Watch.on(port, "#") as watch,
        ):
            device = json.loads(await watch.until(lambda: watch.latest.get(topic), 10.0))
            jsonschema.Draft202012Validator(DEVICE).validate(device)
            assert device["dev"]["configuration_url"] == f"{url}/"
            for key, part in device["cmps"].items():
                if part.get("state_topic", "").startswith(f"{BASE}/value/"):
                    await watch.until(lambda: part["state_topic"] in watch.latest, 5.0)  # noqa: B023
                    assert watch.latest[part["state_topic"]], key
            del watch.latest[topic]
            await watch.client.publish("homeassistant/status", b"online", 1)
            await watch.until(lambda: watch.latest.get(topic))

    asyncio.run(main())
