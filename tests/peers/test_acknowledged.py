"""Forbidden over MQTT, acknowledged, and killed within 2 ms of the reply: the next start does not
allow transmit, and what was acknowledged as saved is on disk. Also with a disk that takes a
tenth of a second for each fsync, on a full one and on one that has become read-only."""

from __future__ import annotations

import asyncio
import json
import os
import random
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from moontrim.session.sessionfile import NAME
from support.effort import effort
from support.moontrim_process import ENVIRONMENT
from support.mosquitto import BASE, require_mosquitto
from support.mosquitto import main as run_station
from support.processor import within
from support.rigctld import free_port
from support.unshared import on_small_disk

pytestmark = pytest.mark.peers

REPLY = f"{BASE}/reply/local/test"
UP_S = 60.0
SETTLED_S = 0.3  # after which what was permitted is on disk, plus three fsyncs


class Phone:
    """A client that knows the newest state and waits for replies."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self._client = client
        self.state: dict[str, Any] = {}

    async def next_message(self) -> dict[str, Any] | None:
        """Returns the next reply, None for a state."""
        message = await anext(aiter(self._client.messages))
        assert isinstance(message.payload, bytes)
        read: dict[str, Any] = json.loads(message.payload)
        if str(message.topic) == REPLY:
            return read
        self.state = read
        return None

    async def command(self, **fields: object) -> dict[str, Any]:
        """Sends a `transmit` command and returns the reply."""
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ResponseTopic = REPLY
        topic, payload = f"{BASE}/cmd/local/transmit", json.dumps(fields)
        await self._client.publish(topic, payload, qos=1, properties=properties)
        while (reply := await self.next_message()) is None:
            pass
        return reply

    async def permit(self) -> None:
        first = await self.command(allowed=True)
        token = first["error"]["confirm_token"]
        assert (await self.command(allowed=True, confirm=token))["ok"]


@asynccontextmanager
async def phone(port: int) -> AsyncIterator[Phone]:
    """A client of the broker on this port, once it has a state of the daemon."""
    deadline_s = time.monotonic() + UP_S
    while True:
        client = aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5)
        try:
            await client.__aenter__()
            break
        except aiomqtt.MqttError:
            assert time.monotonic() < deadline_s
            await asyncio.sleep(0.03)
    try:
        await client.subscribe(REPLY)
        await client.subscribe(f"{BASE}/state")
        made = Phone(client)
        while not made.state:
            await made.next_message()
        yield made
    finally:
        with suppress(aiomqtt.MqttError):  # the broker goes with the daemon
            await client.__aexit__(None, None, None)


async def killed(folder: Path, kills: int, fsync_s: float = 0.0, disk: str = "") -> dict[str, int]:
    """Kills a daemon as often and returns counts. disk: what becomes of the disk before each
    "forbid": nothing, `full` or `read_only`."""
    ports = {"port": free_port(), "http_port": free_port()}
    chance = random.Random(1)
    counts = {"came back permitted": 0, "saved, but not on disk": 0, "acknowledged as saved": 0}
    reply: dict[str, Any] = {}
    for number in range(kills + 1):
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, __file__, "station", str(folder), json.dumps(ports), str(fsync_s)),
            env={**ENVIRONMENT, "TMPDIR": str(folder.parent)},
            stderr=asyncio.subprocess.DEVNULL,
        )
        try:
            async with within(UP_S), phone(ports["port"]) as it:
                counts["came back permitted"] += number > 0 and it.state["tx_allowed"]
                if number == kills:
                    return counts
                if not it.state["tx_allowed"]:
                    await it.permit()
                await asyncio.sleep(SETTLED_S + 3 * fsync_s)
                spoil(disk, folder)
                reply = await it.command(allowed=False)
                await asyncio.sleep(chance.uniform(0.0, 0.002))
                process.kill()
        finally:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()
        mend(disk, folder)
        assert reply["ok"] and reply["saved"] is not bool(reply["unsaved"]), reply
        counts["acknowledged as saved"] += reply["saved"]
        saved = json.loads((folder / "state" / NAME).read_text())["session"]
        counts["saved, but not on disk"] += reply["saved"] and saved["tx_allowed"]
    return counts


@pytest.fixture(autouse=True)
def broker() -> None:
    require_mosquitto()


def spoil(disk: str, folder: Path) -> None:
    if disk == "read_only":
        subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
    elif disk == "full":
        with (folder / "ballast").open("wb", buffering=0) as ballast, suppress(OSError):
            while True:
                ballast.write(bytes(512))


def mend(disk: str, folder: Path) -> None:
    if disk == "read_only":
        subprocess.run(["mount", "-o", "remount,rw", str(folder)], check=True)
    elif disk == "full":
        (folder / "ballast").unlink()


def expect_none_lost(counts: dict[str, int], saved: int) -> None:
    print(counts)
    assert counts == {
        "came back permitted": 0,
        "saved, but not on disk": 0,
        "acknowledged as saved": saved,
    }


@pytest.mark.timeout(effort(300, 600, 2400))
def test_forbidden_acknowledged_and_killed(tmp_path: Path) -> None:
    times = effort(2, 15, 200)  # a kill takes 1 to 3 s
    expect_none_lost(asyncio.run(killed(tmp_path, times)), times)


@pytest.mark.long
def test_a_slow_disk(tmp_path: Path) -> None:
    expect_none_lost(asyncio.run(killed(tmp_path, 8, 0.1)), 8)


@pytest.mark.long
@pytest.mark.parametrize("disk", ["full", "read_only"])
def test_a_disk_that_takes_nothing(tmp_path: Path, disk: str) -> None:
    counts = on_small_disk(__file__, tmp_path, disk, "256k", 250)
    expect_none_lost(counts, 0)


def main(what: str, folder: Path) -> None:
    if what == "station":  # as `support.mosquitto` does, on a disk of a certain speed
        fsync, fsync_s = os.fsync, float(sys.argv.pop())

        def slow_fsync(descriptor: int) -> None:
            time.sleep(fsync_s)
            fsync(descriptor)

        os.fsync = slow_fsync
        del sys.argv[1]
        run_station()
    else:
        print(json.dumps(asyncio.run(killed(folder, 8, disk=what))))


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
