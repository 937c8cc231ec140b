"""Two hundred clients and many random and mutated payloads: nothing crashes, nothing changes, no
second is missed, and the memory stays where it is.

MOONTRIM_LOAD sets the number of payloads; a release is tried with 100000."""

import asyncio
import json
import os
import random
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import AsyncExitStack, suppress
from pathlib import Path
from typing import Any

import aiomqtt
import psutil
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from moontrim.config.settings import settings_from
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.remote.commands.parsing import COMMANDS, read_command
from moontrim.remote.commands.payload import Refusal, read_body
from moontrim.session.session import first_session
from support.mosquitto import BASE, Watch, require_mosquitto, station_process
from support.processor import all_waited_for_processor_s, unloaded_s, within
from support.rigctld import free_port

pytestmark = pytest.mark.peers

PAYLOADS = int(os.environ.get("MOONTRIM_LOAD", "3000"))
CLIENTS, AT_ONCE = 200, 24
FLOOD_S = 2.0
GROWTH_LIMIT_MB = 6.0
SETTINGS = settings_from(EMBEDDED, "test")
CHOICES = (
    "band", "sked_hz", "agreement", "partner", "rx_trim_hz", "tx_trim_hz", "correcting",
    "tx_allowed", "last_change",
)  # fmt: skip
GOOD: dict[str, list[Any]] = {
    "band": [{"band": "10 GHz"}, "10 GHz"],
    "frequency": [{"hz": 10_368_100_000}, 10_368_100_000],
    "sked": [{"sked": "none of these"}, "north"],
    "undo": [{}],
    "save_sked": [{"name": "north", "band": "11 GHz", "sked_hz": 10_368_100_000}],
    "remove_sked": [{"sked": "north"}],
    "nudge": [{"by_hz": 10}, -10],
    "agreement": [{"agreement": "home"}, "home"],
    "partner": [{"partner": "KP20"}, {"partner": "60.2,25.1,60"}, "self"],
    "trim": [{"rx_hz": 5, "tx_hz": 6}, {"rx_hz": 5}],
    "correction": [{"on": False}, False],
    "transmit": [{"allowed": True}, {"allowed": True, "confirm": "0123456789abcdef"}, False],
    "readback": [{}, {"id": "a"}],
}
SPICE = b'0123456789eE+-."{}[]:, \\\xff\x00'
ODD: tuple[Any, ...] = (None, [], {}, -1, 1e308, 2**70, "x" * 90, "\u0000", True, "", 0, "10")


def nonsense(chance: random.Random) -> Iterator[tuple[str, bytes, bool]]:
    """(command name, payload, retained) for ever, none of which may change anything."""
    while True:
        name = chance.choice(COMMANDS)
        kind = chance.random()
        if kind < 0.15:
            payload = chance.randbytes(chance.choice((0, 1, 8, 200, 4096, 5000)))
        elif kind < 0.2:
            payload = chance.choice((b"[", b'{"a":', b'{"hz":1')) * chance.randrange(1, 700)
        else:
            body = chance.choice(GOOD[name if chance.random() < 0.8 else chance.choice(COMMANDS)])
            if isinstance(body, dict) and chance.random() < 0.6:
                keys = (*body, "id", "reply_to", "hz", "zz")
                body = {**body, chance.choice(keys): chance.choice(ODD)}
            payload = json.dumps(body).encode()
            for _ in range(chance.choice((0, 0, 1, 3))):
                at = chance.randrange(len(payload) + 1)
                new = bytes(
                    chance.choices(b'0123456789eE+-."{}[]:, \\\xff\x00', k=chance.randrange(3))
                )
                payload = payload[:at] + new + payload[at + 1 :]
        retained = bool(payload) and chance.random() < 0.05
        if chance.random() < 0.05:
            name = f"x{chance.randrange(99)}"
        if retained or not would_be_done(name, payload):
            yield name, payload, retained


def would_be_done(name: str, payload: bytes) -> bool:
    """By luck a mutated payload may still be a good command; those are not sent."""
    try:
        asked = read_command(name, read_body(payload), "local")
        asked.command.apply(first_session(SETTINGS), SETTINGS)
    except (Refusal, ValueError):
        return False
    except Exception as error:
        return type(error).__name__ != "InputError"
    return not asked.needs_confirming


class Sender:
    """One client; each payload it sends must be answered."""

    def __init__(self, client: aiomqtt.Client, number: int) -> None:
        self.client = client
        self.reply_to = f"{BASE}/reply/local/c{number}"
        self.properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        self.properties.ResponseTopic = self.reply_to
        self.messages = client.messages

    async def insist(self, name: str, payload: bytes) -> str:
        """Ask until it is answered and there is room for it."""
        for _ in range(15):
            with suppress(TimeoutError):
                if (code := await self.ask(name, payload, False, within_s=1.0)) != "busy":
                    return code
        return "nothing"

    async def ask(self, name: str, payload: bytes, retained: bool, within_s: float = 10.0) -> str:
        """The code of the refusal, or `done`."""
        topic = f"{BASE}/cmd/local/{name}"
        await self.client.publish(topic, payload, 1, retained, self.properties)
        async with within(within_s):
            reply = json.loads((await anext(self.messages)).payload)
        return "done" if reply["ok"] else str(reply["error"]["code"])


def rss_mb(process: psutil.Process) -> float:
    return float(process.memory_info().rss) / 1e6


def broker_of(port: int) -> psutil.Process:
    (pid,) = {
        connection.pid
        for connection in psutil.net_connections("tcp4")
        if connection.status == psutil.CONN_LISTEN and connection.laddr.port == port
    }
    return psutil.Process(pid)


@pytest.mark.long
@pytest.mark.timeout(600)
def test_two_hundred_clients_and_much_nonsense(tmp_path: Path) -> None:
    require_mosquitto()
    chance = random.Random(20261125)
    codes: Counter[str] = Counter()
    port = free_port()

    async def main() -> None:
        async with AsyncExitStack() as stack:
            daemon = await stack.enter_async_context(station_process(tmp_path, port=port))
            watch = await stack.enter_async_context(Watch.on(port, f"{BASE}/+", within_s=10.0))
            await watch.online()
            before = await watch.state(lambda s: s["tracking"] == "on frequency", 5.0)
            senders = []
            for number in range(CLIENTS):
                client = aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5)
                await stack.enter_async_context(client)
                sender = Sender(client, number)
                await client.subscribe(sender.reply_to, qos=1)
                senders.append(sender)
            processes = (psutil.Process(daemon.pid), broker_of(port))
            waited_s = all_waited_for_processor_s(daemon.pid)
            sizes = []
            supply = nonsense(chance)
            # A first flood and a first part fill every bounded memory there is.
            clock = Unloaded(*processes)
            ages = [await flood(senders[:8], watch, clock)]
            assert await senders[-1].insist("readback", b"") == "done"
            began_s = time.monotonic()
            for part in (0.2, 0.8):
                idle = list(senders)
                left = iter(range(round(PAYLOADS * part)))

                async def send() -> None:
                    for number in left:  # noqa: B023
                        sender = idle.pop(number % len(idle))  # noqa: B023
                        codes[await sender.ask(*next(supply))] += 1
                        idle.append(sender)  # noqa: B023

                await asyncio.gather(*(send() for _ in range(AT_ONCE)))
                sizes.append([rss_mb(process) for process in processes])
            took_s = time.monotonic() - began_s
            assert codes.total() == PAYLOADS, "every one was answered"
            assert codes["done"] == codes["internal"] == 0, codes

            ages.append(await flood(senders[:8], watch, clock))
            await watch.state(lambda s: s["seq"] > watch.json("state")["seq"] - 1)
            after = await watch.state(lambda s: s["at_ms"] > before["at_ms"])
            assert {key: after[key] for key in CHOICES} == {key: before[key] for key in CHOICES}
            # A second is missed only where the machine kept the daemon from running for as long.
            waited_s = all_waited_for_processor_s(daemon.pid) - waited_s
            assert after["seconds"]["missed"] - before["seconds"]["missed"] <= waited_s
            assert after["tracking"] == "on frequency"
            assert after["last_fault"] is None
            sizes.append([rss_mb(process) for process in processes])

            # The daemon still does what it is told, once. The flood is still in the broker's
            # sockets, and what does not fit its queue for the daemon is lost: so ask again.
            answers = await senders[-1].insist("nudge", b'{"by_hz":10,"id":"after the flood"}')
            assert answers == "done"
            await watch.state(lambda s: s["sked_hz"] == before["sked_hz"] + 10)
            print(
                f"{PAYLOADS} payloads by {CLIENTS} clients, {PAYLOADS / took_s:.0f}/s: "
                f"{dict(codes)}; daemon MB {[round(s[0], 1) for s in sizes]}, broker MB "
                f"{[round(s[1], 1) for s in sizes]}; longest without state {max(ages):.2f} s"
            )
            for first, last in zip(sizes[0], sizes[-1], strict=True):
                assert last - first < GROWTH_LIMIT_MB, sizes
            assert max(ages) < 1.2

    asyncio.run(main())


class Unloaded:
    """A clock that stands still while this thread or one of these processes is ready to run and
    others run."""

    def __init__(self, *processes: psutil.Process) -> None:
        self._pids = [process.pid for process in processes]

    def now_s(self) -> float:
        return unloaded_s() - sum(all_waited_for_processor_s(pid) for pid in self._pids)


async def flood(senders: list[Sender], watch: Watch, clock: Unloaded) -> float:
    """Nobody waits for anything; the longest time without a state meanwhile."""
    end_s = time.monotonic() + FLOOD_S
    longest_s, last_s, seq = 0.0, clock.now_s(), 0

    async def spam(sender: Sender) -> None:
        while time.monotonic() < end_s:
            await sender.client.publish(f"{BASE}/cmd/local/frequency", b'{"hz":1}', 0)
            await asyncio.sleep(0)

    tasks = [asyncio.create_task(spam(sender)) for sender in senders]
    while time.monotonic() < end_s:
        state = watch.json("state")
        if state["seq"] != seq:
            now_s = clock.now_s()
            longest_s = max(longest_s, now_s - last_s) if seq else 0.0
            seq, last_s = state["seq"], now_s
        await asyncio.sleep(0.01)
    await asyncio.gather(*tasks)
    return longest_s
