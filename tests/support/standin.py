"""What a page meets, without a daemon behind it: the page's server, a real broker, and retained
messages and replies as a test wants them. For states that a simulated radio does not come into.

The state is published again and again, as a daemon would, until `silent` is set."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from copy import deepcopy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import aiomqtt

from moontrim.clock.system import SystemClock
from moontrim.remote.wire import webserver
from moontrim.remote.wire.addresses import Gateway
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Tracking
from support.mosquitto import BASE, other_broker
from support.rigctld import free_port

EVERY_S = 0.4  # chosen: well within the time after which a page calls its state stale
START_MS = 1_795_600_000_000
HOUR_MS = 3_600_000
DIAL = {"on_air_hz": 0, "rate_hz_per_s": -0.61, "dial_hz": 144_105_387, "held": ""}
LONG_REASON = (
    "Moon at 3.20 degrees elevation, below the minimum of 10: RF exposure of people near a low beam"
)

INFO: dict[str, Any] = {
    "schema": 1,
    "version": "1.0",
    "boot": "stand-in",
    "bands": [
        {
            "name": name,
            "tx_low_hz": low_hz,
            "tx_high_hz": high_hz,
            "sked_hz": low_hz + 100_000,
            "while_transmitting": "hold",
            "trim_limit_hz": 5000,
            "front_end": front_end,
        }
        for name, low_hz, high_hz, front_end in (
            ("144 MHz", 144_000_000, 146_000_000, "direct"),
            ("432 MHz", 432_000_000, 434_000_000, "direct"),
            ("1296 MHz", 1_296_000_000, 1_298_000_000, "direct"),
            ("10 GHz", 10_368_000_000, 10_370_000_000, "10 GHz"),
            ("24 GHz", 24_048_000_000, 24_050_000_000, "10 GHz"),
        )
    ],
    "agreements": {
        "halves": "you correct your leg; ask your partner to correct theirs",
        "receiver": "both send on the sked frequency, each corrects in the receiver",
        "transmitter": "each corrects in the transmitter and listens on the sked frequency",
        "home": "you correct the whole path; ask your partner to stay on the sked frequency",
        "partner": "you stay on the sked frequency; ask your partner to correct the whole path",
    },
    "echo_agreements": {
        "halves": "each leg corrected separately; true at the Moon",
        "receiver": "send on the sked frequency, corrected in the receiver",
        "transmitter": "corrected in the transmitter, heard on the sked frequency",
    },
    "trim_limit_hz": 100_000,
    "home": {"text": "JO62qm", "latitude_deg": 52.5, "longitude_deg": 13.4},
    "commands": ["band", "frequency", "sked", "undo", "save_sked", "remove_sked", "transmit"],
    "rehearsal": False,
    "partners": [
        {"name": "North", "locator": "KP20nf"},
        {"name": "South Station", "locator": "QF56od"},
    ],
    "report": "/report",
}

STATE: dict[str, Any] = {
    "schema": 1,
    "at_ms": START_MS,
    "seq": 1,
    "boot": "stand-in",
    "tracking": "on frequency",
    "verdict": "on frequency",
    "reason": "",
    "band": "10 GHz",
    "sked_hz": 10_368_100_000,
    "tx_sked_hz": 10_368_100_000,
    "sked": "",
    "agreement": "halves",
    "partner": "North",
    "partner_place": "KP20nf",
    "rx_trim_hz": 0,
    "tx_trim_hz": 0,
    "correcting": True,
    "transmitting": False,
    "tx_allowed": True,
    "interlock": "",
    "front_end": "10 GHz",
    "front_end_confirmed": True,
    "moon": {"azimuth_deg": 123.4, "elevation_deg": 34.5, "partner_elevation_deg": 21.2},
    "rx": {**DIAL, "correction_hz": 5387.2, "residual_hz": 0.42},
    "tx": {**DIAL, "correction_hz": -5384.1, "residual_hz": -0.31},
    "radio": {
        "state": "ready",
        "reason": "",
        "updates": 1234,
        "update_ms": 20.4,
        "failures": 0,
        "not_watched": [],
    },
    "keying": {
        "state": "released",
        "who": "",
        "reasons": [],
        "stuck": [],
        "enabled": True,
        "may": True,
        "interlocks": [],
        "over_left_s": None,
    },
    "seconds": {"tracked": 3600, "missed": 0},
    "last_fault": None,
    "last_change": {"by": "phone", "what": "band 10 GHz", "at_ms": START_MS - 60_000},
    "clock": {"source": "chrony", "bound_ms": 1.2, "cost_hz": 0.001, "doubt": ""},
    "warnings": [],
    "undo_until_ms": None,
    "next": None,
}

OUTLOOK: dict[str, Any] = {
    "at_ms": START_MS,
    "moon_sets_ms": START_MS + 5 * HOUR_MS,
    "moon_rises_ms": START_MS + 18 * HOUR_MS,
    "windows": [
        {
            "start_ms": START_MS + offset * HOUR_MS,
            "end_ms": START_MS + (offset + 6) * HOUR_MS,
            "max_elevation_home_deg": 54.3,
            "max_elevation_partner_deg": 31.0,
            "low_spread_start_ms": START_MS + (offset + 1) * HOUR_MS,
            "low_spread_end_ms": START_MS + (offset + 2) * HOUR_MS,
            "low_spread_mean_hz": 2.1,
        }
        for offset in (-2, 22, 46, 70)
    ],
    "correction_ahead": {
        "start_ms": START_MS,
        "step_s": 60,
        "rx_hz": [5387.0 - 37 * step for step in range(61)],
        "tx_hz": [-5384.0 + 37 * step for step in range(61)],
    },
    "error_budget": {
        name: {
            "error_95_hz": 3.84,
            "largest": "home position",
            "advice": "Largest: home position.",
            "unknown": [],
        }
        for name in ("rx", "tx")
    },
    "now_spread_hz": 2.4,
    "now_half_power_spread_hz": 1.1,
    "now_snr_db": -12.3,
    "next_good_ms": START_MS + 90 * 60_000,
    "sun": {
        "start_ms": START_MS,
        "step_s": 60,
        "azimuth_deg": [359.9, 0.15],
        "elevation_deg": [20.1, 20.3],
    },
}


def tonight() -> dict[str, Any]:
    """A window of six hours that began two hours ago, with one good stretch over and one ahead."""
    steps = range(73)
    return {
        "start_ms": START_MS - 2 * HOUR_MS,
        "step_s": 300,
        "home_deg": [round(54 * (1 - ((step - 36) / 36) ** 2), 1) for step in steps],
        "partner_deg": [round(31 * (1 - ((step - 30) / 43) ** 2), 1) for step in steps],
        "spread_hz": [round(2 + abs(step - 50) / 6, 2) for step in steps],
        "snr_db": [round(-12 - abs(step - 50) / 12, 1) for step in steps],
        "good": [
            {
                "start_ms": START_MS + from_min * 60_000,
                "end_ms": START_MS + to_min * 60_000,
                "mean_spread_hz": 2.2,
            }
            for from_min, to_min in ((-100, -70), (90, 170))
        ],
    }


SKEDS: dict[str, Any] = {
    "skeds": [
        {
            "name": name,
            "band": band,
            "sked_hz": sked_hz,
            "tx_sked_hz": tx_sked_hz,
            "partner": partner,
            "agreement": "halves",
            "over_s": None,
            "note": note,
            "made": made,
            "problem": problem,
        }
        for name, band, sked_hz, tx_sked_hz, partner, note, made, problem in (
            ("north", "10 GHz", 10_368_100_000, None, "North", "", False, ""),
            (
                *("north split", "10 GHz", 10_368_100_000, 10_368_150_500),
                *("North", "listens 50 kHz higher", False, ""),
            ),
            ("Echo test 23", "1296 MHz", 1_296_090_000, None, "self", "", True, ""),
            ("gone", "432 MHz", 432_065_000, None, "Nobody", "", True, "partner not found"),
        )
    ],
    "agenda": [
        {
            "id": "a1",
            "sked": "north",
            "band": "10 GHz",
            "start_ms": START_MS + 42 * 60_000,
            "end_ms": START_MS + 100 * 60_000,
            "outcome": "",
        },
        {
            "id": "a0",
            "sked": "Echo test 23",
            "band": "1296 MHz",
            "start_ms": START_MS - 5 * HOUR_MS,
            "end_ms": START_MS - 4 * HOUR_MS,
            "outcome": "missed: the daemon was not running",
        },
    ],
    "more": 0,
}

LOG: dict[str, Any] = {
    "events": [
        {"at_ms": START_MS - ago_s * 1000, "kind": kind, "by": by, "text": text, "lasted_s": lasted}
        for ago_s, kind, by, text, lasted in (
            (9000, "command", "phone", "band 10 GHz", None),
            (7200, "fault", "", "radio: no answer within 0.5 s", 12.0),
            (600, "refused", "share", f"transmit: {LONG_REASON}", None),
            (60, "keying", "share", "released", 42.0),
            (30, "tracking", "", "on frequency", None),
        )
    ]
}


class StandIn:
    """What is published, and the commands that came. url: of the page. replies: to a command of
    that name; others are done with an empty result. silent: nothing is published on its own."""

    def __init__(self, client: aiomqtt.Client, url: str) -> None:
        self._client = client
        self.url = url
        self.state = deepcopy(STATE)
        self.commands: list[tuple[str, dict[str, Any]]] = []
        self.replies: dict[str, dict[str, Any]] = {}
        self.silent = False

    async def publish(self, leaf: str, message: object) -> None:
        payload = message if isinstance(message, str) else json.dumps(message)
        await self._client.publish(f"{BASE}/{leaf}", payload, qos=1, retain=True)

    async def set(self, keying: dict[str, Any] | None = None, **changes: Any) -> None:
        """Publishes the usual state with these changes, and goes on with it."""
        self.state = {**deepcopy(STATE), **changes}
        self.state["keying"] |= keying or {}
        await self.beat()

    async def beat(self) -> None:
        self.state["seq"] += 1
        await self.publish("state", self.state)

    async def sent(self, name: str, within_s: float = 5.0) -> dict[str, Any]:
        """Waits until a command of that name has come, and returns the latest one."""
        async with asyncio.timeout(within_s):
            while not (bodies := [body for command, body in self.commands if command == name]):
                await asyncio.sleep(0.02)
        return bodies[-1]

    async def run(self) -> None:
        await self._client.subscribe(f"{BASE}/cmd/+/+", qos=1)
        await self.publish("availability", "online")
        await self.publish("info", INFO)
        await self.publish("outlook", OUTLOOK)
        await self.publish("tonight", tonight())
        await self.publish("skeds", SKEDS)
        await self.publish("log", LOG)
        await asyncio.gather(self._answer(), self._go_on())

    async def _go_on(self) -> None:
        while True:
            if not self.silent:
                await self.beat()
            await asyncio.sleep(EVERY_S)

    async def _answer(self) -> None:
        async for message in self._client.messages:
            name = str(message.topic).rpartition("/")[2]
            body = json.loads(bytes(message.payload))  # type: ignore[arg-type]
            ident = body.pop("id")
            self.commands.append((name, body))
            reply = self.replies.get(name, {"ok": True, "result": {}})
            assert message.properties is not None
            topic = message.properties.ResponseTopic  # type: ignore[attr-defined]
            await self._client.publish(topic, json.dumps({**reply, "id": ident}), qos=1)


@asynccontextmanager
async def stand_in(folder: Path) -> AsyncIterator[StandIn]:
    port = free_port()
    clock = SystemClock()
    hub = StateHub()
    hub.latest = SimpleNamespace(  # type: ignore[assignment]
        utc_s=clock.utc_s(), tracking=Tracking.ON_FREQUENCY
    )
    daemon = SimpleNamespace(hub=hub, clock=clock)
    gateway = Gateway("127.0.0.1", port, None, False, "moontrim", "station")
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    protocol = aiomqtt.ProtocolVersion.V5
    async with (
        other_broker(folder, port=port),
        aiomqtt.Client("127.0.0.1", port, protocol=protocol) as client,
    ):
        server = asyncio.create_task(
            webserver.serve(daemon, gateway, "127.0.0.1", 0, on_ready=ready.set_result)  # type: ignore[arg-type]
        )
        station = StandIn(client, await asyncio.wait_for(ready, 5.0))
        task = asyncio.create_task(station.run())
        try:
            yield station
        finally:
            for one in (task, server):
                one.cancel()
            with contextlib.suppress(aiomqtt.MqttError):
                await asyncio.gather(task, server, return_exceptions=True)
