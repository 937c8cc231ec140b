"""The users of the daemon: a person at the desk, a phone through the admission, a program on the
share, and one that keys. All act at random, with valid and invalid commands."""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from moontrim.app.daemon import Daemon
from moontrim.config.settings import Settings
from moontrim.errors import MoontrimError
from moontrim.remote.commands.admission import Admission
from moontrim.remote.commands.arrival import Arrival
from moontrim.remote.commands.guards import SecondStep
from moontrim.remote.published.topics import Topics
from moontrim.session.commands import (
    AllowTransmit,
    Command,
    Correct,
    NudgeSked,
    ReadBack,
    SetAgreement,
    SetBand,
    SetPartner,
    SetSked,
    SetTrim,
)
from moontrim.share.connection import Client
from moontrim.share.sharedradio import RigAccess, SharedRadio
from soak.plan import PARTNERS
from soak.station import SoakClock

PHONE = "phone"
SET_UP_S = 3.0  # for the radio to be set up for a band of another front end
FLOOD = 200


def wish(chance: random.Random, settings: Settings, source: str) -> Command:
    """Returns a command that may be refused. Those that stop correction or inhibit transmit are
    undone by `soothe`: whole runs would otherwise test nothing."""
    band = chance.choice([settings.bands[0], *settings.bands])  # where most runs stay
    kind = chance.randrange(11)
    match kind:
        case 0:
            return SetBand(source, chance.choice([band.name, band.name, "no such band"]))
        case 1:
            off_hz = chance.choice([-5000.0, 777.7, 30_000.0, 5e9, float("nan")])
            return SetSked(source, band.sked_hz + off_hz)
        case 2:
            return NudgeSked(source, chance.choice([-10.0, 1.0, 0.3, 1e7]))
        case 3:
            hz = chance.choice([0.0, 12.5, -200.0, 1e9, float("inf")])
            return SetTrim(source, rx_hz=hz, tx_hz=chance.choice([None, -hz]))
        case 4:
            agreements = ["halves", "receiver", "transmitter", "home", "partner", "nobody"]
            return SetAgreement(source, chance.choice(agreements))
        case 5:
            return SetPartner(source, chance.choice([*PARTNERS, "nowhere", "99,999,1"]))
        case 6:
            return Correct(source, chance.random() < 0.3)
        case 7:
            return AllowTransmit(source, chance.random() < 0.3)
        case 8:
            return ReadBack(source)
        case 9:  # just inside an edge, across which the Doppler shift may carry it
            inside_hz = chance.uniform(-20.0, 200.0)
            low_hz, high_hz = band.tx_low_hz + inside_hz, band.tx_high_hz - inside_hz
            return SetSked(source, chance.choice([low_hz, high_hz]))
        case _:
            return SetTrim(source, rx_hz=0.0, tx_hz=0.0)


def soothe(settings: Settings, source: str, band: str) -> tuple[Command, ...]:
    """Returns the commands that undo what `wish` may have stopped."""
    sked_hz = float(settings.band(band).sked_hz)
    return (
        Correct(source, True),
        AllowTransmit(source, True),
        SetTrim(source, rx_hz=0.0, tx_hz=0.0),
        SetSked(source, sked_hz),
    )


class Operators:
    """The users of one life of the daemon. asking: those that want the key now."""

    def __init__(
        self,
        daemon: Daemon,
        clock: SoakClock,
        chance: random.Random,
        asking: set[str],
        report: Callable[[str], None],
        plug: Callable[[str], None],
    ) -> None:
        self._daemon = daemon
        self._clock = clock
        self._chance = chance
        self._asking = asking
        self._report = report
        self._plug = plug
        link = daemon.link
        rig = RigAccess(link.details, link.set_mode, link.set_power)
        self._shared = SharedRadio(daemon, daemon.transmitting, rig, clock)
        settings = daemon.settings
        topics = Topics(settings.remote.root, settings.remote.name)
        self._topics = topics
        self._admission = Admission(
            topics, settings, lambda: daemon.session, frozenset({PHONE}), clock, SecondStep()
        )
        self._programs = 0

    async def command(self) -> None:
        """Sends one command through one of the ways in."""
        way = self._chance.choice(["ask", "tell", "phone", "share", "given up"])
        source = f"{way} source"
        if way == "phone":
            await self._phone()
        elif way == "share":
            await self._program()
        else:
            wanted = self._plugs_first(wish(self._chance, self._daemon.settings, source))
            self._report(f"{way}: {wanted}")
            if way == "tell":
                self._daemon.inbox.post_command(wanted)
            elif way == "ask":
                await self._ask(wanted)
            else:
                asking = asyncio.create_task(self._ask(wanted), name="given up")
                await self._clock.sleep(self._chance.choice([0.0, 0.001]))
                asking.cancel()
                await asyncio.gather(asking, return_exceptions=True)

    async def put_right(self, *, pause_first: bool = False) -> None:
        """Sends what a person would who comes back and finds it all in disorder. pause_first: that
        accepts the radio's mode as it is."""
        band = self._daemon.session.band
        pause = (Correct("operator", False),) if pause_first else ()
        commands = (*pause, *soothe(self._daemon.settings, "operator", band))
        await self._put_right(commands)
        if not self._daemon.session.front_end_confirmed(self._daemon.settings):
            await self._clock.sleep(SET_UP_S)
            await self._put_right(commands)

    async def _put_right(self, commands: tuple[Command, ...]) -> None:
        for command in commands:
            wanted = self._plugs_first(command)
            self._report(f"put right: {wanted}")
            await self._ask(wanted)

    def _plugs_first(self, wanted: Command) -> Command:
        """Who permits to transmit has looked which front end is meant, and has plugged it."""
        if not isinstance(wanted, AllowTransmit) or not wanted.on:
            return wanted
        front_end = self._daemon.session.present_front_end(self._daemon.settings)
        self._plug(front_end)
        return replace(wanted, front_end=front_end)

    async def flood(self) -> None:
        """Sends more than the inbox holds: what does not fit is refused, the rest is carried
        out."""
        self._report("flood")
        requests = [self._ask(NudgeSked("flood", 0.0)) for _ in range(FLOOD)]
        await asyncio.gather(*requests)

    async def transmit(self, hold_s: float | None = None) -> None:
        """Requests the key, holds it for a while if granted, and releases it."""
        if hold_s is None:
            hold_s = self._chance.choice([0.0, 0.05, 0.5, 3.0, 8.0, 8.0, 25.0])
        if self._chance.random() < 0.7:  # or it would be refused most of the time
            await self.put_right()
            await self._clock.sleep(2.5)
        if self._chance.random() < 0.05:
            await self._change_band_only()
        if self._chance.random() < 0.3:
            await self._program_keys(hold_s)
            return
        who = "desk"
        self._report(f"{who} asks for the key")
        self._asking.add(who)
        asking = asyncio.create_task(self._daemon.transmitting.request(who), name="desk keys")
        patience_s = self._chance.choice([0.3, 5.0, 5.0])
        try:
            with contextlib.suppress(TimeoutError):
                async with self._clock.timeout(patience_s):
                    await asyncio.wait([asking])
            if asking.done() and asking.exception() is None:
                await self._clock.sleep(hold_s)
        finally:
            self._report(f"{who} lets go")
            self._asking.discard(who)
            asking.cancel()
            self._daemon.transmitting.release(who)
            await asyncio.gather(asking, return_exceptions=True)

    async def _change_band_only(self) -> None:
        """Chooses a band and plugs nothing; a program then turns the power up."""
        band = self._chance.choice(self._daemon.settings.bands).name
        self._report(f"only the band: {band}")
        await self._ask(SetBand("operator", band))
        await self._clock.sleep(SET_UP_S)
        await self._say(["L RFPOWER 0.9"], 0.5)

    async def _ask(self, wanted: Command) -> None:
        with contextlib.suppress(MoontrimError):
            await self._daemon.ask(wanted)

    async def _phone(self) -> None:
        """Sends payloads as they arrive from the network, some of them damaged."""
        chance, settings = self._chance, self._daemon.settings
        band = chance.choice(settings.bands)
        name, body = chance.choice(
            [
                ("band", {"band": band.name}),
                ("frequency", {"hz": band.sked_hz + 1234}),
                ("sked", {"sked": "none of these"}),
                ("undo", {}),
                ("nudge", {"by_hz": 10}),
                ("trim", {"rx_hz": 5}),
                ("correction", {"on": False}),
                ("transmit", {"allowed": False}),
                ("transmit", {"allowed": True, "confirm": "0"}),
                ("readback", {}),
                ("partner", {"partner": chance.choice(PARTNERS)}),
                ("no such thing", {"hz": 1}),
            ]
        )
        payload = json.dumps(body).encode()
        if chance.random() < 0.2:
            payload = payload[: chance.randrange(len(payload) + 1)] + b"\xff"
        self._report(f"phone: {name} {payload!r}")
        arrival = Arrival(
            self._topics.command(PHONE, name),
            payload,
            self._clock.monotonic_s() - chance.choice([0.0, 20.0]),
            retained=chance.random() < 0.1,
            expires_s=chance.choice([None, 5.0]),
        )
        decided = await self._admission.decide(arrival, self._daemon.ask)
        await self._admission.answers(decided, self._daemon.unsaved, self._clock.utc_s())

    # --- programs on the share --------------------------------------------------------------------

    async def _program(self) -> None:
        """Connects, sends a few commands in Hamlib's network protocol, and disconnects, perhaps at
        once."""
        chance = self._chance
        band = chance.choice(self._daemon.settings.bands)
        lines = [
            chance.choice(
                [
                    f"F {band.sked_hz + chance.randrange(-500, 500)}",
                    "F 7000000",
                    "f",
                    "t",
                    "m",
                    "M USB 2400",
                    "l RFPOWER",
                    f"L RFPOWER {chance.choice([0.05, 0.9])}",
                    "T 0",
                    "\\dump_state",
                    "\x00nonsense",
                ]
            )
            for _ in range(chance.randrange(1, 4))
        ]
        await self._say(lines, chance.choice([0.0, 0.02, 1.0]))

    async def _say(self, lines: list[str], stays_s: float) -> None:
        program = self._connect()
        self._report(f"{program.who}: {lines}")
        program.data_received("".join(f"{line}\n" for line in lines).encode())
        try:
            await self._clock.sleep(stays_s)
        finally:
            await self._disconnect(program)

    async def _program_keys(self, hold_s: float) -> None:
        program = self._connect()
        self._report(f"{program.who}: T 1")
        self._asking.add(program.who)
        try:
            program.data_received(b"T 1\n")
            await self._clock.sleep(self._chance.choice([0.1, 2.0]) + hold_s)
            if self._chance.random() < 0.5:
                program.data_received(b"T 0\n")
        finally:
            self._report(f"{program.who} goes")
            self._asking.discard(program.who)
            await self._disconnect(program)

    def _connect(self) -> Client:
        self._programs += 1
        program = Client(
            self._shared, f"share {self._programs}", may_transmit=True, ended=lambda _: None
        )
        program.connection_made(Plug())
        return program

    async def _disconnect(self, program: Client) -> None:
        program.connection_lost(None)
        if program.task is not None:
            await asyncio.gather(program.task, return_exceptions=True)


class Plug(asyncio.Transport):
    """A transport that accepts every answer and has no socket options."""

    def __init__(self) -> None:
        super().__init__({"socket": self})

    def setsockopt(self, *args: object) -> None: ...
    def set_write_buffer_limits(self, high: Any = None, low: Any = None) -> None: ...
    def write(self, data: Any) -> None: ...
    def close(self) -> None: ...
    def abort(self) -> None: ...
    def pause_reading(self) -> None: ...
    def resume_reading(self) -> None: ...
