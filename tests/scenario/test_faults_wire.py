"""The whole daemon on a radio behind a real socket, with a bad network in between: what it shows,
that its key falls, and how soon it is back on frequency.

The clock is virtual, the sockets are real: it moves on only once no byte waits anywhere."""

from __future__ import annotations

import asyncio
import errno
import selectors
import socket
import threading
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from typing import Any

import pytest

import moontrim.clock.virtual
from moontrim.clock.system import Clock, SystemClock
from moontrim.keying.sequence import STUCK_S, Phase
from moontrim.path import Ephemeris
from moontrim.session.commands import SetSked
from moontrim.session.sessionfile import load_session
from moontrim.state.snapshot import Tracking
from moontrim_drivers.contract import RigClosed, RigNotSuitable, RigUnreachable
from moontrim_drivers.rigctld.connection import Connection
from moontrim_drivers.rigctld.driver import SocketDriver, SocketOptions
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.radio import SimulatedRadio
from moontrim_drivers.simulated.rigctld import SimSocket
from support.faultproxy import FaultProxy
from support.processor import within
from support.scenario_keying import KEYING, moon_high
from support.stage import SKED_HZ, Stage, play

DEADLINE_S = 0.8
FOUND_OUT_S = 0.5 + 2 * DEADLINE_S  # a look is due, and is not answered
UNKEYED_S = 1.0
BACK_S = 3.0


class Wired(SocketDriver):
    """The socket driver, and at the other end of its wire the simulated radio of a Stage."""

    def __init__(self, options: SimulatedOptions, clock: Clock) -> None:
        self.radio = SimulatedRadio(options, clock)
        self.proxy = FaultProxy(clock)
        self.over = False
        self._server = SimSocket(self.radio)
        self._listening: asyncio.Server | None = None
        super().__init__(SocketOptions(port=1, retunes_while_transmitting=True), clock)

    async def open(self, *, unkey: bool = False) -> None:
        if self._listening is None:
            self._listening = await self._server.listen()
            await self.proxy.listen(self._server.port)
            self.options = self.options.model_copy(update={"port": self.proxy.port})
        await super().open(unkey=unkey)

    async def close(self) -> None:
        await super().close()
        if self.over and self._listening is not None:
            self._listening.close()
            await self.proxy.close()
            await self._server.hang_up()


class SocketsFirst(moontrim.clock.virtual._IdleSelector):
    """Time moves on only when no socket is ready."""

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = selectors.DefaultSelector.select(self, 0)
        return ready or super().select(timeout)


Scene = Callable[[Stage, FaultProxy], Coroutine[Any, Any, None]]


@pytest.fixture
def wired(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[[Scene], Stage]]:
    """With keying through the radio's own transmit command, and the Moon high."""
    monkeypatch.setattr(moontrim.clock.virtual, "_IdleSelector", SocketsFirst)
    made: list[Wired] = []

    class Driver(Wired):
        def __init__(self, options: SimulatedOptions, clock: Clock) -> None:
            super().__init__(options, clock)
            made.append(self)

    def run(scene: Scene) -> Stage:
        async def around(s: Stage) -> None:
            try:
                await s.until(Tracking.ON_FREQUENCY, 5.0)
                await scene(s, made[0].proxy)
            finally:
                made[0].over = True

        driver_class: Any = Driver
        return play(
            tmp_path,
            ephemeris,
            around,
            moon_high(ephemeris),
            driver_class=driver_class,
            tables={"keying": KEYING},
            band={"drive_ceiling": 0.5},
            radio={"deadline_s": DEADLINE_S},
            latency_s=0.01,
            retunes_while_transmitting=True,
        )

    yield run


def cut(how: Any) -> Callable[[FaultProxy], None]:
    return lambda proxy: proxy.cut_after(7, how)


def end(how: Any) -> Callable[[FaultProxy], None]:
    return lambda proxy: proxy.end_all(how)


def swallow(proxy: FaultProxy) -> None:
    proxy.silent = True


FAULTS = {
    "ended in mid-answer": cut("fin"),
    "reset in mid-answer": cut("reset"),
    "ended between answers": end("fin"),
    "reset between answers": end("reset"),
    "silent": swallow,
}


@pytest.mark.parametrize("fault", FAULTS)
def test_lost_in_that_way_it_is_said_and_it_comes_back(wired: Any, fault: str) -> None:
    happens = FAULTS[fault]

    async def scene(s: Stage, proxy: FaultProxy) -> None:
        happens(proxy)
        proxy.refuse = not proxy.silent
        seen = await s.until(Tracking.NO_CONTACT, FOUND_OUT_S)
        print(f"{fault}: lost after {seen:.2f} s")
        stood = s.radio.rx_dial_hz, s.radio.tx_dial_hz
        await s.clock.sleep(5.0)
        assert s.snapshot.tracking is Tracking.NO_CONTACT
        assert (s.radio.rx_dial_hz, s.radio.tx_dial_hz) == stood, "nothing reached it"
        proxy.silent = proxy.refuse = False
        back = await s.until(Tracking.ON_FREQUENCY, BACK_S + DEADLINE_S * 2)
        print(f"{fault}: back after {back:.2f} s")
        assert back <= BACK_S + (2 * DEADLINE_S if fault == "silent" else 0.0)
        await s.steady(5)
        assert not s.radio.transmitting

    wired(scene)


@pytest.mark.parametrize("fault", FAULTS)
def test_lost_while_keyed_the_relays_fall_and_it_is_unkeyed_when_it_is_back(
    wired: Any, fault: str
) -> None:
    """The radio itself stays keyed for as long as nothing reaches it: its own time limit is the
    only other help, as the guide says."""
    happens = FAULTS[fault]

    async def scene(s: Stage, proxy: FaultProxy) -> None:
        await s.daemon.transmitting.request("test")
        await s.clock.sleep(1.0)
        assert s.radio.transmitting
        happens(proxy)
        proxy.refuse = not proxy.silent
        await s.clock.sleep(FOUND_OUT_S + UNKEYED_S + STUCK_S)
        view = s.snapshot.keying
        assert view.state is Phase.RELEASED or view.stuck, view
        switching = s.daemon.transmitting.keyer._switching
        assert not any(getattr(output, "is_on", False) for output in switching._outputs)
        proxy.silent = proxy.refuse = False
        began_s = s.clock.monotonic_s()
        while s.radio.transmitting:
            assert s.clock.monotonic_s() - began_s < BACK_S + 2 * DEADLINE_S, s.snapshot
            await s.clock.sleep(0.02)
        print(f"{fault}: unkeyed {s.clock.monotonic_s() - began_s:.2f} s after the return")
        await s.until(Tracking.ON_FREQUENCY, BACK_S)
        await s.steady(5)
        assert not s.radio.transmitting, "never keyed again by itself"

    wired(scene)


def test_bytes_one_at_a_time_and_late(wired: Any) -> None:
    async def scene(s: Stage, proxy: FaultProxy) -> None:
        proxy.slice_bytes, proxy.latency_s = 1, 0.001
        await s.clock.sleep(3.0)  # the new duration of a set is being learnt
        connections = s.daemon.link.view.connections
        await s.steady(10)
        assert s.daemon.link.view.connections == connections, "never lost"

    wired(scene)


def test_latency_beyond_the_deadline_is_a_radio_lost(wired: Any) -> None:
    """And an answer that comes later than that is never taken for one to a later question."""

    async def scene(s: Stage, proxy: FaultProxy) -> None:
        proxy.latency_s = 2.0
        await s.until(Tracking.NO_CONTACT, FOUND_OUT_S)
        s.radio.turn_dial(700)
        await s.clock.sleep(10.0)
        assert s.snapshot.tracking is Tracking.NO_CONTACT
        proxy.latency_s = 0.0
        await s.until(Tracking.ON_FREQUENCY, BACK_S + 2 * DEADLINE_S)
        await s.steady(5)

    wired(scene)


def test_a_time_out_of_the_kernel_is_not_taken_for_our_own() -> None:
    """ETIMEDOUT is a TimeoutError, the class of our own deadlines: the connection is dead."""

    async def main() -> None:
        timed_out = OSError(errno.ETIMEDOUT, "Connection timed out")
        assert isinstance(timed_out, TimeoutError)
        loop = asyncio.get_running_loop()

        async def refuses(*_: object) -> None:
            raise timed_out

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(loop, "create_connection", refuses)
            with pytest.raises(RigUnreachable, match="timed out"):
                await Connection.connect("127.0.0.1", 1)
        wire = Connection()
        wire.connection_lost(timed_out)
        with pytest.raises(RigClosed, match="timed out"):
            await wire.exchange(b"f\n", None)  # type: ignore[arg-type]

    asyncio.run(main())


def test_a_name_that_is_never_resolved_keeps_nobody_waiting(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each look-up holds a thread until it gives up; what else needs one (the disk) must not wait
    for that."""
    enough = threading.Event()
    look_ups: list[str] = []
    real = socket.getaddrinfo

    def hangs(host: Any, *arguments: Any, **named: Any) -> Any:
        if host != "radio.invalid":
            return real(host, *arguments, **named)
        look_ups.append(host)
        enough.wait(60.0)
        raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")

    monkeypatch.setattr(socket, "getaddrinfo", hangs)

    class Named(SocketDriver):
        def __init__(self, options: SimulatedOptions, clock: Clock) -> None:
            self.radio = SimulatedRadio(options, clock)
            super().__init__(SocketOptions(host="radio.invalid"), clock)

    async def scene(s: Stage) -> None:
        try:
            await s.clock.sleep(300.0)
            assert s.snapshot.tracking is Tracking.NO_CONTACT
            await s.daemon.ask(SetSked("test", SKED_HZ + 1000))
            async with within(5.0):  # of real time, as the threads
                while load_session(tmp_path, s.daemon.settings).band_choices(
                    s.daemon.settings
                ).sked_hz != (SKED_HZ + 1000):
                    await asyncio.sleep(0.01)
        except TimeoutError:
            raise AssertionError(f"not saved while {len(look_ups)} look-ups hang") from None
        finally:
            enough.set()

    driver_class: Any = Named
    play(tmp_path, ephemeris, scene, driver_class=driver_class)
    print(f"{len(look_ups)} look-ups hung")


def test_a_host_by_its_name() -> None:
    """At whichever of its addresses somebody listens; what is no name is said to be none."""

    async def main() -> None:
        clock = SystemClock()
        server = SimSocket(SimulatedRadio(SimulatedOptions(latency_s=0.0), clock))
        async with await server.listen():
            driver = SocketDriver(SocketOptions(host="localhost", port=server.port), clock)
            for _ in range(2):
                await driver.open()
                assert (await driver.read()).transmitting is False
            await driver.close()
            await server.hang_up()
        with pytest.raises(RigUnreachable):
            await driver.open()
        with pytest.raises(RigNotSuitable, match="not a host name"):
            await SocketDriver(SocketOptions(host="a..b"), clock).open()

    asyncio.run(main())
