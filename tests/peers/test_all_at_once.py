"""Two programs on the share and a phone on the real broker change things at the same time, on one
daemon with a transmit sequence, in real time.

The order in which the tracker took the changes is known from inside; what each of them saw is known
from the sockets. Everything seen must be the session after some whole number of whole changes, each
observer must see them in order, and no one may see less than what it was told is done. What the
radio and the relays did is taken at their side."""

from __future__ import annotations

import asyncio
import json
import random
import time
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from moontrim.app.daemon import Daemon
from moontrim.clock.system import SystemClock
from moontrim.config.settings import Settings, settings_from
from moontrim.keying.outputs import SimulatedOutput
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.remote.companion import Remote
from moontrim.session.session import Session
from moontrim.share.server import Share
from moontrim.share.sharedradio import RigAccess
from moontrim.state.snapshot import Tracking
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.moonup import under_the_moon
from support.mosquitto import BASE, SECOND_BAND, Station, Watch, require_mosquitto
from support.processor import within
from support.rigctld import free_port
from support.shared import Program

pytestmark = pytest.mark.peers

STORM_S = 20.0
SETTLES_S = 0.12
RELAYS = [
    {"kind": "simulated", "name": "waveguide switch", "settle_ms": 80, "release_ms": 20},
    {"kind": "simulated", "name": "amplifier", "settle_ms": 40, "release_ms": 20},
]
Seen = tuple[str, int, str, float, float, bool]


def as_seen(session: Session, settings: Settings) -> Seen:
    here = session.band_choices(settings)
    return (
        session.band,
        round(here.sked_hz),
        session.agreement,
        here.rx_trim_hz,
        here.tx_trim_hz,
        session.tx_allowed,
    )


class Order:
    """The sessions in the order in which the tracker made them."""

    def __init__(self, daemon: Daemon) -> None:
        self._settings = daemon.settings
        self.made: list[Seen] = [as_seen(daemon.session, daemon.settings)]
        save = daemon.current._save

        def note(session: Session) -> None:
            self.made.append(as_seen(session, self._settings))
            save(session)

        daemon.current._save = note

    def find(self, matches: Callable[[Seen], bool], not_before: int) -> int:
        """Index of the first such session from there on; fails if what was seen never was."""
        for index in range(not_before, len(self.made)):
            if matches(self.made[index]):
                return index
        raise AssertionError(f"seen, but no session from {not_before} on: {self.made[not_before:]}")


class Client:
    """A program that tunes, looks and keys, and remembers how far it has seen."""

    def __init__(self, program: Program, order: Order, seed: int) -> None:
        self.program, self.order = program, order
        self.random = random.Random(seed)
        self.at = 0
        self.tuned = self.refused = self.keyed = 0

    async def look(self) -> None:
        hz = int(await self.program.ask("f"))
        self.at = self.order.find(lambda seen: seen[1] == hz, self.at)

    async def tune(self, hz: int) -> None:
        before = len(self.order.made)
        answer = await self.program.ask(f"F {hz}")
        if answer == "RPRT 0":
            self.tuned += 1
            # It was told that it is done: from now on it may not see what was before.
            self.at = self.order.find(lambda seen: seen[1] == hz, max(self.at, before))
        else:
            assert answer == "RPRT -9", answer
            self.refused += 1

    def enough(self) -> bool:
        return bool(self.tuned > 20 and self.refused and self.keyed)

    async def storm(self, until_s: float) -> None:
        """Until then, and until it has done enough of everything."""
        while time.monotonic() < until_s or not self.enough():
            match self.random.randrange(12):
                case 0 | 1 | 2 | 3:
                    await self.tune(10_368_100_000 + self.random.randrange(100_000))
                case 4:
                    await self.tune(24_048_100_000 + self.random.randrange(100_000))
                case 5 | 6 | 7 | 8:
                    await self.look()
                case _:
                    if await self.program.ask("T 1") == "RPRT 0":
                        self.keyed += 1
                        await asyncio.sleep(self.random.uniform(0.0, 0.4))
                    assert await self.program.ask("T 0") == "RPRT 0"
            await asyncio.sleep(self.random.uniform(0.0, 0.15))


async def phone_storm(watch: Watch, phone: Station, until_s: float) -> int:
    dice, sent = random.Random(3), 0
    while time.monotonic() < until_s:
        name, payload = dice.choice(
            [
                ("band", dice.choice(["10 GHz", "24 GHz"])),
                ("nudge", str(dice.randrange(-500, 500))),
                ("trim", json.dumps({"rx_hz": dice.randrange(-9, 9), "tx_hz": 1})),
                ("agreement", dice.choice(["halves", "receiver", "home"])),
            ]
        )
        if dice.random() < 0.05:
            await forbid_and_permit(phone)
        await watch.client.publish(f"{BASE}/cmd/local/{name}", payload, qos=1)
        sent += 1
        await asyncio.sleep(dice.uniform(0.06, 0.2))
    return sent


async def forbid_and_permit(phone: Station) -> None:
    """Permitting takes a second step, with the token that came back."""
    assert (await phone.request("transmit", {"allowed": False}))["ok"]
    token = (await phone.request("transmit", {"allowed": True}))["error"]["confirm_token"]
    assert (await phone.request("transmit", {"allowed": True, "confirm": token}))["ok"]


def settings_for(folder: Path, ephemeris: Ephemeris) -> Settings:
    home = under_the_moon()
    raw: dict[str, Any] = deepcopy(EMBEDDED)
    raw |= {
        "home": {"latitude_deg": home.latitude_deg, "longitude_deg": home.longitude_deg},
        "partner": "self",
        "clock": {"trust": "any"},  # nobody keeps the clock of a machine that runs tests
        "state_dir": str(folder / "state"),
        "remote": {"port": free_port(), "http_port": free_port()},
        "keying": {"enabled": True, "outputs": [*RELAYS, {"kind": "radio", "release_ms": 10}]},
    }
    first = raw["bands"][0] | {"while_transmitting": "hold"}
    raw["bands"] = [band | {"drive_ceiling": 0.2} for band in (first, SECOND_BAND)]
    raw["radio"]["options"] |= {"latency_s": 0.005}
    return settings_from(raw, "test")


@pytest.mark.long
def test_two_programs_and_a_phone_at_once(tmp_path: Path, ephemeris: Ephemeris) -> None:
    require_mosquitto()
    settings, clock = settings_for(tmp_path, ephemeris), SystemClock()

    async def main() -> None:
        driver = SimulatedDriver(settings.radio.driver_options(), clock)  # type: ignore[arg-type]
        daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
        order = Order(daemon)
        radio_did: list[tuple[float, int, int | None, bool]] = []
        driver.radio.on_change = lambda *change: radio_did.append(change)
        opened: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        share = Share(
            settings.share,
            transmit=daemon.transmitting,
            rig=RigAccess(daemon.link.details),
            on_ready=opened.set_result,
            port=0,
        )
        side = Remote(settings.remote, show=lambda text: None)
        running = asyncio.create_task(daemon.run(side.run, share.run))
        try:
            phone = Station(daemon, driver.radio, settings.remote.port or 0, [], running)
            await act(daemon, order, await opened, phone)
        finally:
            daemon.stop.set()
            await running
        relays = daemon.transmitting.keyer._switching._outputs
        check_keying(radio_did, [o for o in relays if isinstance(o, SimulatedOutput)])

    async def act(daemon: Daemon, order: Order, share_port: int, phone: Station) -> None:
        async with Watch.on(phone.port) as watch:
            await watch.online()
            await watch.state(lambda s: s["tracking"] == "on frequency", 10.0)
            watch.history.clear()
            programs = [
                Program(*await asyncio.open_connection("127.0.0.1", share_port)) for _ in range(2)
            ]
            clients = [Client(program, order, seed) for seed, program in enumerate(programs)]
            until_s = time.monotonic() + STORM_S
            *_, sent = await asyncio.gather(
                *(client.storm(until_s) for client in clients), phone_storm(watch, phone, until_s)
            )
            await settled(daemon, order)
            last = order.made[-1]
            await watch.state(lambda s: seen_by_phone(s) == last)
            states = [json.loads(p) for topic, p in watch.history if topic == f"{BASE}/state"]
            at = 0
            for state in states:
                seen = seen_by_phone(state)
                at = order.find(lambda made, seen=seen: made == seen, at)  # type: ignore[misc]
            for client in clients:
                await client.look()
                assert order.made[client.at][1] == last[1]
            print(
                f"{len(order.made)} changes, {len(states)} states, {sent} from the phone;",
                [(c.tuned, c.refused, c.keyed) for c in clients],
            )
            assert all(client.enough() for client in clients)
            assert len(order.made) > 100 and len(states) > 50
            await the_key_is_its_holder_s(daemon, *programs)
            for program in programs:
                program.writer.transport.abort()

    asyncio.run(main())


async def settled(daemon: Daemon, order: Order) -> None:
    """Nothing under way any more, and on frequency."""
    async with within(10.0):
        made = -1
        while made != len(order.made) or (
            daemon.hub.latest is None or daemon.hub.latest.tracking is not Tracking.ON_FREQUENCY
        ):
            made = len(order.made)
            await asyncio.sleep(0.5)


async def the_key_is_its_holder_s(daemon: Daemon, one: Program, other: Program) -> None:
    assert await one.ask("T 1") == "RPRT 0"
    assert await other.ask("t") == "1"
    assert await other.ask("T 1") == "RPRT -9", "one at a time"
    assert await other.ask("T 0") == "RPRT 0"
    assert await one.ask("t") == "1", "another's release is not ours"
    other_band_hz = 24_048_100_000
    assert daemon.hub.latest is not None
    if daemon.hub.latest.band == "24 GHz":
        other_band_hz = 10_368_100_000
    assert await other.ask(f"F {other_band_hz}") == "RPRT -9", "no change of band under RF"
    assert await one.ask("T 0") == "RPRT 0"


def seen_by_phone(state: dict[str, Any]) -> Seen:
    return (
        state["band"],
        round(state["sked_hz"]),
        state["agreement"],
        state["rx_trim_hz"],
        state["tx_trim_hz"],
        state["tx_allowed"],
    )


def check_keying(
    radio_did: list[tuple[float, int, int | None, bool]], relays: list[SimulatedOutput]
) -> None:
    """RF only behind settled relays, and the transmit dial still under it."""
    assert len(relays) == 2
    overs: list[tuple[float, float]] = []
    began_s, dial_hz = 0.0, None
    for at_s, _, tx_hz, transmitting in radio_did:
        if transmitting and not began_s:
            began_s, dial_hz = at_s, tx_hz
        elif transmitting:
            assert tx_hz == dial_hz, "the transmit dial moved under RF"
        elif began_s:
            overs.append((began_s, at_s))
            began_s = 0.0
    assert not began_s, "ended keyed"
    assert len(overs) > 5
    for relay in relays:
        changes = list(relay.changes)
        for key_s, release_s in overs:
            before = [change for change in changes if change[0] <= key_s]
            assert before and before[-1][1], f"{relay.name} was off when the radio was keyed"
            inside = [change for change in changes if key_s < change[0] < release_s]
            assert not inside, f"{relay.name} moved under RF"
    first = list(relays[0].changes)
    for key_s, _ in overs:
        on_s = max(at_s for at_s, on in first if on and at_s <= key_s)
        assert key_s - on_s >= SETTLES_S, "RF before the relays had settled"
