"""How long from a command of a phone to the dial read back in the state, through mosquitto on
loopback; and against what the network alone costs.

    python tests/benchmarks/bench_mqtt_latency.py [commands]

The radio is simulated, with 5 ms a command, and settles half-way; a real one adds its own time. The
echo is a second client that sends every message straight back, QoS 1 both ways, through a plain
mosquitto in the same run, so that the ratio says what the daemon adds whatever the machine."""

from __future__ import annotations

import asyncio
import json
import socket
import statistics
import sys
import tempfile
import time
from pathlib import Path

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.mosquitto import BASE, Watch, other_broker, station_process
from support.rigctld import free_port

SKED_HZ = 10_368_100_000
PAUSE_S = 0.8  # somebody who taps about once a second


class Times:
    """Durations of one kind, printed as a distribution."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.seconds: list[float] = []

    def percentile(self, share: int) -> float:
        return statistics.quantiles(self.seconds, n=100, method="inclusive")[share - 1]

    def row(self) -> str:
        numbers = [self.percentile(share) for share in (50, 90, 95, 99)] + [max(self.seconds)]
        return f"{self.name:38}" + "".join(f"{1e3 * seconds:9.2f}" for seconds in numbers)


def client_of(port: int) -> aiomqtt.Client:
    """As quick as the daemon's own: without Nagle's algorithm."""
    nodelay = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
    return aiomqtt.Client(
        "127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5, socket_options=nodelay
    )


async def echo(port: int, count: int) -> Times:
    """A bare round trip: there and back through a broker, nothing else."""
    times = Times("echo of another client")
    here, there = "echo/there", "echo/back"
    async with client_of(port) as client, client_of(port) as other:
        await client.subscribe(there, qos=1)
        await other.subscribe(here, qos=1)

        async def send_back() -> None:
            async for message in other.messages:
                await other.publish(there, message.payload, qos=1)

        task = asyncio.create_task(send_back())
        answers = client.messages
        for number in range(count):
            began_s = time.perf_counter()
            await client.publish(here, str(number).encode(), qos=1)
            await anext(answers)
            times.seconds.append(time.perf_counter() - began_s)
        while not task.done():  # Python 3.11's wait_for may swallow a cancellation
            task.cancel()
            await asyncio.wait([task], timeout=0.1)
    return times


async def commands(port: int, count: int) -> tuple[Times, Times]:
    """Sked frequencies, alternately 100 kHz apart: until the reply, and until a state shows the
    dial there."""
    replies, dials = Times("command to reply"), Times("command to dial read back in state")
    reply_to = f"{BASE}/reply/local/bench"
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ResponseTopic = reply_to
    async with client_of(port) as client:
        await client.subscribe(reply_to, qos=1)
        await client.subscribe(f"{BASE}/state", qos=0)
        arrived = client.messages
        for number in range(count):
            await asyncio.sleep(PAUSE_S)
            sked_hz = SKED_HZ + 100_000 * (number % 2 + 1)
            while len(arrived):
                await anext(arrived)
            began_s = time.perf_counter()
            await client.publish(
                f"{BASE}/cmd/local/frequency", str(sked_hz).encode(), 1, properties=properties
            )
            reply = dial = False
            while not (reply and dial):
                message = await asyncio.wait_for(anext(arrived), 10.0)
                took_s = time.perf_counter() - began_s
                told = json.loads(message.payload)
                if str(message.topic) == reply_to:
                    assert told["ok"], told
                    replies.seconds.append(took_s)
                    reply = True
                elif not dial:
                    # The shift may be tens of kilohertz by the hour, so the residual tells.
                    off_hz = told["rx"]["residual_hz"]
                    dial = told["sked_hz"] == sked_hz and off_hz is not None and abs(off_hz) < 5
                    if dial:
                        dials.seconds.append(took_s)
    return replies, dials


async def main(count: int) -> None:
    port, plain_port = free_port(), free_port()
    with tempfile.TemporaryDirectory() as folder:
        async with other_broker(Path(folder), port=plain_port):
            bare = await echo(plain_port, 10 * count)
        async with station_process(Path(folder), port=port):
            async with Watch.on(port, f"{BASE}/+", within_s=15.0) as watch:
                await watch.state(lambda s: s["tracking"] == "on frequency", 10.0)
            replies, dials = await commands(port, count)
    heading = "".join(f"{name:>9}" for name in ("p50", "p90", "p95", "p99", "max"))
    print(f"{f'{count} commands, milliseconds':38}{heading}")
    for times in (bare, replies, dials):
        print(times.row())
    for share in (50, 99):
        ratio = dials.percentile(share) / bare.percentile(share)
        print(f"ratio dial read back / echo, p{share}: {ratio:.1f}")
    print(f"p99 of the dial read back: {1e3 * dials.percentile(99):.1f} ms, target 50 ms")


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]) if len(sys.argv) > 1 else 100))
