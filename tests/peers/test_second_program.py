"""`moontrim run` on the real rigctld (Hamlib's dummy radio) that something else uses as well: a
client that exchanges the dials, a second daemon through another address of the same server."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from support.effort import cases
from support.moontrim_process import ENVIRONMENT, moontrim
from support.moonup import places_under_the_moon
from support.processor import within
from support.rigctld import OtherClient, free_port, require_rigctld, rigctld

pytestmark = pytest.mark.peers

SKED_HZ = 10_368_100_000
NAMED = "another program moves this radio's dials"
RECOGNISED_S = 20.0  # two daemons that share two processors with the rest of the tests


@pytest.fixture(autouse=True)
def _peer() -> None:
    require_rigctld()


def config(folder: Path, name: str, port: int, agreement: str, sked_hz: int = SKED_HZ) -> Path:
    places = places_under_the_moon()
    tables = "".join(
        f"[{which}]\nlatitude_deg = {place['latitude_deg']}\n"
        f"longitude_deg = {place['longitude_deg']}\n"
        for which, place in places.items()
    )
    path = folder / f"{name}.toml"
    path.write_text(f"""
state_dir = "{folder / name}"
{tables}
[remote]
enabled = false
[share]
enabled = false
[defaults]
agreement = "{agreement}"
[radio]
driver = "socket"
options = {{ port = {port} }}
[[bands]]
name = "10 GHz"
sked_hz = {sked_hz}
tx_low_hz = 10_368_000_000
tx_high_hz = 10_369_000_000
transverter_offset_hz = 10_224_000_000
""")
    return path


def saved_sked_hz(folder: Path, name: str) -> float | None:
    """The sked frequency that was saved; None: the config's is still in force."""
    with suppress(FileNotFoundError):
        session = json.loads((folder / name / "session.json").read_text())["session"]
        choices: dict[str, Any] = session["bands"].get("10 GHz", {})
        return choices.get("sked_hz")
    return None


class Log:
    """What a daemon logs, as it comes."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.text = ""
        self._reader = process.stderr
        self._task = asyncio.create_task(self._read())

    async def _read(self) -> None:
        assert self._reader is not None
        async for line in self._reader:
            self.text += line.decode()

    async def shows(self, text: str, within_s: float) -> None:
        async with within(within_s):
            while text not in self.text:
                await asyncio.sleep(0.05)

    async def end(self) -> None:
        """Leaves the rest to whoever waits for the process."""
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)


@asynccontextmanager
async def running(path: Path, until: str = "on frequency") -> AsyncIterator[Log]:
    """Runs a daemon; the block begins once it has logged that."""
    async with moontrim("run", "--config", str(path), "--quiet") as process:
        log = Log(process)
        try:
            await log.shows(until, 30.0)
            yield log
        finally:
            await log.end()
            print(log.text)


@asynccontextmanager
async def other_address(server_port: int, *, plain: bool) -> AsyncIterator[int]:
    """Provides another port that leads to the server, as a tunnel does. plain: as with a version
    that cannot name VFOs."""
    tasks: set[asyncio.Task[None]] = set()

    async def pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError):
            while data := await reader.read(4096):
                if plain:
                    data = data.replace(b"\\set_vfo_opt 1\n", b"\\set_vfo_opt 0\n")
                writer.write(data)
                await writer.drain()
        writer.close()

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        server_reader, server_writer = await asyncio.open_connection("127.0.0.1", server_port)
        for one in (pump(reader, server_writer), pump(server_reader, writer)):
            tasks.add(asyncio.create_task(one))

    server = await asyncio.start_server(connected, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def exchange(other: OtherClient, how: str, dials_hz: tuple[int, int]) -> None:
    if how == "the radio's own command":
        assert await other.ask("G VFOA XCHG") == ["RPRT 0"]
        return
    assert await other.ask(f"F VFOA {dials_hz[1]}") == ["RPRT 0"]
    if how == "sets":
        assert await other.ask(f"F VFOB {dials_hz[0]}") == ["RPRT 0"]


@pytest.mark.parametrize("how", cases("copies", "sets", "the radio's own command"))
@pytest.mark.parametrize("agreement", cases("halves", "transmitter"))
def test_dials_that_a_client_exchanges(tmp_path: Path, agreement: str, how: str) -> None:
    async def main() -> None:
        port = free_port()
        path = config(tmp_path, "one", port, agreement)
        async with rigctld(port), OtherClient.connected(port) as other, running(path) as log:
            while True:
                await asyncio.sleep(1.0)
                left_hz = await other.dials_hz()
                await exchange(other, how, left_hz)
                # A step of the daemon between the two sets takes the first one back.
                with suppress(TimeoutError):
                    await log.shows("A and B were exchanged on the radio: dials restored", 5.0)
                    break
            await asyncio.sleep(6.0)  # the dummy reports its split exchanged as well
            now_hz = await other.dials_hz()
            assert [abs(a - b) < 60 for a, b in zip(left_hz, now_hz, strict=True)] == [True, True]
            assert saved_sked_hz(tmp_path, "one") in (None, SKED_HZ)
            assert "dial turned" not in log.text

    asyncio.run(main())


@pytest.mark.parametrize("plain", cases(False, True))
@pytest.mark.parametrize(
    "stations",
    cases(("halves", "receiver", 0), ("transmitter", "receiver", 0), ("halves", "halves", 2500)),
)
def test_two_daemons_on_one_server(
    tmp_path: Path, stations: tuple[str, str, int], *, plain: bool
) -> None:
    """Each keeps its sked frequency. They name each other and leave the radio alone; one that has
    always set its dials last may go on, then alone and undisturbed."""

    *agreements, apart_hz = stations

    async def main() -> None:
        port = free_port()
        async with rigctld(port), other_address(port, plain=plain) as other_port:
            first = config(tmp_path, "first", port, agreements[0])
            second = config(tmp_path, "second", other_port, agreements[1], SKED_HZ + apart_hz)
            # Disturbed at once, the second may never be on frequency.
            async with running(first) as one, running(second, "radio connected") as two:
                with suppress(TimeoutError):
                    await one.shows(NAMED, RECOGNISED_S)
                with suppress(TimeoutError):
                    await two.shows(NAMED, 5.0)
                await asyncio.sleep(6.0)  # the last time that each puts the dials back
                disturbed = [log.text.count("dial moved from") for log in (one, two)]
                async with OtherClient.connected(port) as watcher:
                    left_hz = await watcher.dials_hz()
                    await asyncio.sleep(5.0)
                    now_hz = await watcher.dials_hz()
                named = [NAMED in log.text for log in (one, two)]
                print(f"named by the first and by the second: {named}")
                assert any(named)
                assert [log.text.count("dial moved from") for log in (one, two)] == disturbed
                assert now_hz == left_hz or not all(named), "left alone"
            assert saved_sked_hz(tmp_path, "first") in (None, SKED_HZ)
            assert saved_sked_hz(tmp_path, "second") in (None, SKED_HZ + apart_hz)

    asyncio.run(main())


@pytest.mark.parametrize("to_the_share", [False, True])
def test_a_second_daemon_of_the_same_machine_is_told_at_the_start(
    tmp_path: Path, *, to_the_share: bool
) -> None:
    """Whether it would use the same server or the first one's share."""

    async def main() -> None:
        server_port, share_port = free_port(), free_port()
        port = share_port if to_the_share else server_port
        first = config(tmp_path, "first", server_port, "halves")
        shared = f"[share]\nport = {share_port}\n"
        first.write_text(first.read_text().replace("[share]\nenabled = false\n", shared))
        second = config(tmp_path, "second", port, "receiver")
        second.write_text(second.read_text().replace("{ port", '{ host = "localhost", port'))
        async with rigctld(server_port), running(first):
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "moontrim", "run", "--config", str(second), "--quiet"),
                stderr=asyncio.subprocess.PIPE,
                env=ENVIRONMENT,
            )
            async with within(20):
                _, text = await process.communicate()
            assert process.returncode == 2
            assert f"localhost port {port}" in text.decode()
            assert "no other moontrim uses" in text.decode()

    asyncio.run(main())
