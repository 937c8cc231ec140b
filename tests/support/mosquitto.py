"""The real broker and its command-line clients, and a daemon on the simulated radio that uses them,
for tests marked `peers`."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiomqtt

from moontrim.app.daemon import Daemon
from moontrim.clock.system import Clock, SystemClock
from moontrim.config.settings import Settings, settings_from
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.remote.companion import Remote
from moontrim_drivers.simulated.driver import SimulatedDriver
from moontrim_drivers.simulated.radio import SimulatedRadio
from support.effort import missing
from support.moonup import places_under_the_moon
from support.processor import within
from support.rigctld import free_port, listening
from support.tree import ROOT

BASE = "moontrim/station"
SECOND_BAND = {  # in the same box of transverters
    "name": "24 GHz",
    "front_end": "10 GHz",
    "sked_hz": 24_048_100_000,
    "tx_low_hz": 24_048_000_000,
    "tx_high_hz": 24_050_000_000,
    "transverter_offset_hz": 23_904_000_000,
}


def require_mosquitto() -> None:
    """Skips without the broker or its clients, except in CI, where their absence is a failure."""
    path = os.environ.get("PATH", "") + os.pathsep + "/usr/sbin"
    for program in ("mosquitto", "mosquitto_pub", "mosquitto_sub", "mosquitto_rr"):
        if shutil.which(program, path=path) is None:
            missing(program)


async def run(*command: str, within_s: float = 10.0) -> tuple[int, str]:
    """Returns exit code, standard output and standard error."""
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    try:
        async with within(within_s):
            output, _ = await process.communicate()
    except TimeoutError:
        process.kill()
        await process.wait()
        raise AssertionError(f"{command} did not end in {within_s} s") from None
    assert process.returncode is not None
    return process.returncode, output.decode()


@asynccontextmanager
async def other_broker(
    folder: Path, *, port: int, options: str = "allow_anonymous true"
) -> AsyncIterator[asyncio.subprocess.Process]:
    """Runs a broker that the daemon did not start. options: lines for its only listener."""
    config = folder / "other.conf"
    config.write_text(
        f"user root\npersistence false\nset_tcp_nodelay true\n"
        f"listener {port} 127.0.0.1\n{options}\n"
    )
    program = shutil.which("mosquitto", path=os.environ["PATH"] + os.pathsep + "/usr/sbin")
    assert program is not None
    process = await asyncio.create_subprocess_exec(
        program, "-c", str(config), stderr=asyncio.subprocess.DEVNULL
    )
    try:
        await listening(port)
        yield process
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()


class Watch:
    """A client that remembers the latest payload of every topic."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self.client = client
        self.latest: dict[str, bytes] = {}
        self.history: list[tuple[str, bytes]] = []
        self._news = asyncio.Event()

    @classmethod
    @asynccontextmanager
    async def on(
        cls, port: int, topic: str = "moontrim/#", within_s: float = 5.0, **options: Any
    ) -> AsyncIterator[Watch]:
        """within_s: the broker may come so late. Raises MqttError if it refuses us."""
        options.setdefault("protocol", aiomqtt.ProtocolVersion.V5)
        await listening(port, within_s)
        async with aiomqtt.Client("127.0.0.1", port, **options) as client:
            watch = cls(client)
            await client.subscribe(topic, qos=1)
            task = asyncio.create_task(watch._read())
            try:
                yield watch
            finally:
                while not task.done():  # Python 3.11's wait_for may swallow a cancellation
                    task.cancel()
                    await asyncio.wait([task], timeout=0.1)

    async def _read(self) -> None:
        async for message in self.client.messages:
            topic, payload = str(message.topic), bytes(message.payload)
            self.latest[topic] = payload
            self.history.append((topic, payload))
            self._news.set()

    def json(self, topic: str) -> Any:
        payload = self.latest.get(f"{BASE}/{topic}")
        return json.loads(payload) if payload else None

    async def until(self, condition: Callable[[], Any], within_s: float = 3.0) -> Any:
        """Waits until the condition returns something true, and returns that."""
        try:
            async with within(within_s):
                while not (result := condition()):
                    self._news.clear()
                    await self._news.wait()
        except TimeoutError:
            last = {k: v[:200] for k, v in self.latest.items()}
            raise AssertionError(f"not seen in {within_s} s; last: {last}") from None
        return result

    async def state(self, is_so: Callable[[dict[str, Any]], Any], within_s: float = 3.0) -> Any:
        """Waits until the state fulfils this, and returns it."""

        def matching() -> Any:
            state = self.json("state")
            return state if state and is_so(state) else None

        return await self.until(matching, within_s)

    async def online(self, within_s: float = 5.0) -> None:
        await self.until(lambda: self.latest.get(f"{BASE}/availability") == b"online", within_s)


def remote_settings(folder: Path, tables: dict[str, Any] | None = None, **remote: Any) -> Settings:
    """Returns the embedded scenario with a second band, on free ports. Unless tables has others,
    both ends are where the Moon is up now."""
    raw: dict[str, Any] = deepcopy(EMBEDDED | places_under_the_moon() | (tables or {}))
    raw["state_dir"] = str(folder / "state")
    raw["bands"].append(SECOND_BAND)
    raw["radio"]["options"]["latency_s"] = 0.005
    ports = ("port", "http_port", *(("https_port", "tls_port") if remote.get("lan") else ()))
    raw["remote"] = {**{name: free_port() for name in ports}, **remote}
    return settings_from(raw, "test")


@dataclass
class Station:
    """A daemon in this process, its simulated radio, and the broker's port."""

    daemon: Daemon
    radio: SimulatedRadio
    port: int
    shown: list[str]
    task: asyncio.Task[None]

    async def request(
        self, name: str, payload: object = "{}", *options: str, account: str = "local"
    ) -> dict[str, Any]:
        """Sends a command by `mosquitto_rr` and returns the reply."""
        text = payload if isinstance(payload, str) else json.dumps(payload)
        code, output = await run(
            *("mosquitto_rr", "-V", "5", "-h", "127.0.0.1", "-p", str(self.port), "-q", "1"),
            *("-W", "5"),
            *("-t", f"{BASE}/cmd/{account}/{name}", "-e", f"{BASE}/reply/{account}/rr"),
            *("-m", text, *options),
        )
        assert code == 0, output
        reply = json.loads(output)
        assert isinstance(reply, dict)
        return reply

    async def publish(self, topic: str, payload: str, *options: str) -> tuple[int, str]:
        """Publishes by `mosquitto_pub`; returns exit code and output."""
        return await run(
            *("mosquitto_pub", "-h", "127.0.0.1", "-p", str(self.port), "-q", "1"),
            *("-t", f"{BASE}/{topic}", "-m", payload, *options),
        )


@asynccontextmanager
async def station(
    folder: Path,
    ephemeris: Ephemeris,
    *,
    show_password: bool = False,
    clock: Clock | None = None,
    tables: dict[str, Any] | None = None,
    **remote: Any,
) -> AsyncIterator[Station]:
    # By another clock the Moon is up at the ends of the embedded scenario.
    ends = {} if clock is None else {end: EMBEDDED[end] for end in ("home", "partner")}
    settings = remote_settings(folder, ends | (tables or {}), **remote)
    clock = SystemClock() if clock is None else clock
    driver = SimulatedDriver(settings.radio.driver_options(), clock)  # type: ignore[arg-type]
    daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
    shown: list[str] = []
    side = Remote(settings.remote, show=shown.append, show_password=show_password)
    task = asyncio.create_task(daemon.run(side.run))
    assert settings.remote.port is not None
    try:
        yield Station(daemon, driver.radio, settings.remote.port, shown, task)
    finally:
        daemon.stop.set()
        await task


# --- a daemon in a process of its own, to be killed or stopped ------------------------------------


@asynccontextmanager
async def station_process(folder: Path, **remote: Any) -> AsyncIterator[asyncio.subprocess.Process]:
    """`python mosquitto.py` with the arguments of `remote_settings`."""
    path = [str(ROOT / part) for part in ("daemon", "drivers", "tests")]
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, __file__, str(folder), json.dumps(remote)),
        env={**os.environ, "PYTHONPATH": os.pathsep.join(path), "TMPDIR": str(folder)},
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        yield process
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()


def main() -> None:
    folder, remote = Path(sys.argv[1]), json.loads(sys.argv[2])

    async def until_stopped() -> None:
        async with station(folder, Ephemeris.load(), **remote) as running:
            running.daemon.stop_on_signals()
            await running.task

    asyncio.run(until_stopped())


if __name__ == "__main__":
    main()
