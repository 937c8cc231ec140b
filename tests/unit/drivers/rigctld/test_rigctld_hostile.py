"""The socket driver against daemons that misbehave, over real loopback connections.

Whatever comes: one of the errors of the contract, never a wrong state, and after `open` all is well
again."""

from __future__ import annotations

import asyncio
import itertools
import socket
import struct
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from moontrim.clock.system import SystemClock
from moontrim.clock.virtual import VirtualClock
from moontrim_drivers.contract import (
    RigClosed,
    RigDetails,
    RigError,
    RigGarbled,
    RigNotSuitable,
    RigRefused,
    RigState,
    RigTimeout,
    RigUnreachable,
)
from moontrim_drivers.rigctld.driver import SocketDriver
from support.fake_rig_server import FakeRigServer, Meddle
from support.processor import unloaded_s

RX_HZ, TX_HZ = 144_123_457, 144_119_876
SET = RigState(RX_HZ, TX_HZ, False)
Body = Callable[[SocketDriver, FakeRigServer], Awaitable[None]]


def against(
    body: Body, meddle: Meddle | None = None, *, is_open: bool = True, **options: Any
) -> FakeRigServer:
    """Run a body with a driver, open if so wished, on a fake daemon; the daemon is returned."""

    async def main() -> FakeRigServer:
        async with FakeRigServer() as rig:
            driver = SocketDriver(SocketDriver.Options(port=rig.port, **options), SystemClock())
            if is_open:
                await driver.open()
                await driver.set_dials(RX_HZ, TX_HZ)
            rig.meddle = meddle
            rig.heard.clear()
            await body(driver, rig)
            await driver.close()
            return rig

    return asyncio.run(asyncio.wait_for(main(), 20.0))


async def is_closed_until_opened(driver: SocketDriver, rig: FakeRigServer) -> None:
    """What must hold after any error but a refusal."""
    rig.meddle = None
    with pytest.raises(RigClosed):
        await driver.read()
    with pytest.raises(RigClosed):
        await driver.set_dials(RX_HZ, TX_HZ)
    await driver.open()
    assert await driver.set_dials(RX_HZ, TX_HZ) == SET


def instead_of(command: str, data: bytes, then: str = "") -> Meddle:
    """Answer one command with other bytes, and go on, end (FIN) or reset (RST) the connection."""

    async def meddle(line: str, reply: bytes, writer: asyncio.StreamWriter) -> bool:
        if not line.startswith(command):
            return False
        writer.write(data)
        await writer.drain()
        if then == "RST":
            sock = writer.get_extra_info("socket")
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        if then:
            await asyncio.sleep(0.02)  # the bytes arrive before the end
            writer.close()
        return True

    return meddle


ONE_READ = b"get_freq: VFOA\nFrequency: 144123457\nRPRT 0\n"


@pytest.mark.parametrize("end", ["FIN", "RST"])
@pytest.mark.parametrize("size", [0, 3, 15, 28, len(ONE_READ) - 1, len(ONE_READ)])
def test_the_connection_ends_anywhere_in_a_reply(size: int, end: str) -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        with pytest.raises(RigClosed):
            await driver.read()
        await is_closed_until_opened(driver, rig)

    against(body, instead_of("+f VFOA", ONE_READ[:size], end))


@pytest.mark.parametrize(
    "data",
    [
        b"get_freq: VFOB\nFrequency: 144119876\nRPRT 0\n",
        b"get_ptt: VFOA\nPTT: 0\nRPRT 0\n",
        b"RPRT 0\n",
        b"144123457\n",
        ONE_READ * 2,
        b"get_freq: VFOA\nFrequency: 0\nRPRT 0\n",
        b"\x00\xff\xfe\x80" * 16,
        b"\x80\n" * 16,
        b"\n",
    ],
)
def test_what_is_no_answer(data: bytes) -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        with pytest.raises(RigGarbled):
            await driver.read()
        await is_closed_until_opened(driver, rig)

    # the junk that has no line end is followed by what the polite daemon says to the next question
    against(body, instead_of("+f VFOA", data))


def test_an_endless_line_does_not_fill_the_memory() -> None:
    sent = 0

    async def flood(line: str, reply: bytes, writer: asyncio.StreamWriter) -> bool:
        nonlocal sent
        if line == "+f VFOA":
            while sent < 200_000_000:
                writer.write(b"9" * 65536)
                await writer.drain()  # ends with ConnectionError once we are gone
                sent += 65536
        return False

    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        began_s = unloaded_s()
        with pytest.raises(RigGarbled, match="more than 4096 bytes"):
            await driver.read()
        assert unloaded_s() - began_s < 1.0
        while rig.connections():
            await asyncio.sleep(0.01)
        await is_closed_until_opened(driver, rig)

    against(body, flood)
    assert sent < 20_000_000, "no more than the buffers of the system hold"


def test_silent_until_cancelled() -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await driver.read()
        while rig.connections():  # it let go at once
            await asyncio.sleep(0.001)
        await is_closed_until_opened(driver, rig)

    against(body, instead_of("+", b""))


def test_an_answer_that_comes_after_cancellation_is_never_used() -> None:
    late: list[asyncio.StreamWriter] = []

    async def hold(line: str, reply: bytes, writer: asyncio.StreamWriter) -> bool:
        late.append(writer)
        return True

    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await driver.read()
        rig.meddle = None
        await driver.open()
        for writer in late:
            writer.write(b"get_freq: VFOA\nFrequency: 1111\nRPRT 0\n")
        await asyncio.sleep(0.02)
        assert await driver.read() == SET

    against(body, hold)


def test_bytes_that_come_unasked_poison_the_connection() -> None:
    """A reply sent twice would make every later answer one too old."""

    async def twice(line: str, reply: bytes, writer: asyncio.StreamWriter) -> bool:
        writer.write(reply)
        if line == "+t VFOA":
            await writer.drain()
            await asyncio.sleep(0.02)
            writer.write(reply)
        return True

    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        assert await driver.read() == SET
        await asyncio.sleep(0.05)
        with pytest.raises(RigGarbled, match="no question"):
            await driver.read()
        await is_closed_until_opened(driver, rig)

    against(body, twice)


def test_ended_while_idle() -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        async with FakeRigServer() as other:
            other_driver = SocketDriver(SocketDriver.Options(port=other.port), SystemClock())
            await other_driver.open()
        await asyncio.sleep(0.01)
        with pytest.raises(RigClosed, match="ended the connection"):
            await other_driver.set_dials(RX_HZ, TX_HZ)
        with pytest.raises(RigUnreachable):
            await other_driver.open()
        await other_driver.close()

    against(body)


def test_a_refusal_in_a_cycle_leaves_the_connection_in_step() -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        rig.refuse = {"F VFOA": -9}
        with pytest.raises(RigRefused, match="set_freq VFOA 144123458: rejected by the radio"):
            await driver.set_dials(RX_HZ + 1, TX_HZ + 1)
        assert await driver.read() == RigState(RX_HZ, TX_HZ + 1, False)
        rig.refuse = {"f": -9}
        with pytest.raises(RigRefused, match="get_freq VFOA"):
            await driver.read()
        rig.refuse = {}
        assert await driver.set_dials(RX_HZ, TX_HZ) == SET
        assert rig.connections() == 1

    against(body)


def test_a_radio_switched_off_refuses() -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        with pytest.raises(RigRefused, match="powered off"):
            await driver.read()
        rig.meddle = None
        assert await driver.read() == SET

    against(body, instead_of("+f VFOA", b"get_freq: VFOA\nRPRT 0\n"))


@pytest.mark.parametrize(
    ("code", "error"), [(-5, RigTimeout), (-14, RigTimeout), (-6, RigGarbled), (-8, RigGarbled)]
)
def test_the_daemon_lost_the_radio(code: int, error: type[RigError]) -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        rig.refuse = {"F VFOB": code}
        with pytest.raises(error, match=f"RPRT {code}"):
            await driver.set_dials(RX_HZ + 1, TX_HZ + 1)
        rig.refuse = {}
        await is_closed_until_opened(driver, rig)

    against(body)


@pytest.mark.parametrize("code", [-11, -4])
def test_a_radio_that_does_not_tell_whether_it_transmits(code: int) -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        rig.refuse = {"t": code}
        assert await driver.set_dials(RX_HZ, TX_HZ) == RigState(RX_HZ, TX_HZ, None)
        assert not driver.capabilities.reports_transmit
        assert not driver.capabilities.sets_power, "it could be transmitting"
        rig.heard.clear()
        assert await driver.read() == RigState(RX_HZ, TX_HZ, None)
        with pytest.raises(RigNotSuitable, match="never keyed"):
            await driver.set_transmit(True)
        assert rig.heard == ["+f VFOA", "+f VFOB"], "not asked again, and not keyed"
        await driver.set_transmit(False)  # unkeying is always tried
        assert rig.heard[-1] == "+T VFOA 0"

    against(body, sets_power=True)


def test_not_keyed_when_split_is_lost() -> None:
    """As after the radio was switched off and on behind the daemon."""

    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        rig.split = False
        with pytest.raises(RigGarbled, match="split"):
            await driver.set_transmit(True)
        assert not any(line.startswith("+T") for line in rig.heard)
        await is_closed_until_opened(driver, rig)
        assert rig.split

    against(body)


def test_success_that_is_none() -> None:
    """RPRT 0 to a set that does nothing: what is returned is what reads back."""

    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        rig._do = lambda letter, vfo, arguments: (  # type: ignore[method-assign]
            () if letter in "FTM" else FakeRigServer._do(rig, letter, vfo, arguments)
        )
        assert await driver.set_dials(RX_HZ + 9, TX_HZ + 9) == SET
        with pytest.raises(RigRefused, match="transmit not confirmed"):
            await driver.set_transmit(True)
        with pytest.raises(RigRefused, match="set to USB"):
            await driver.set_mode("USB", 0)

    against(body)


def test_another_clients_separator_and_vfo_names() -> None:
    async def leak(line: str, reply: bytes, writer: asyncio.StreamWriter) -> bool:
        reply = reply.replace(b"VFOA", b"Main").replace(b"VFOB", b"Sub")
        head, _, rest = reply.partition(b"\n")
        writer.write(head + b";" + rest.replace(b"\n", b";\n"))
        return True

    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        assert await driver.set_dials(RX_HZ + 1, TX_HZ + 1) == RigState(RX_HZ + 1, TX_HZ + 1, False)

    against(body, leak)


def test_a_byte_at_a_time() -> None:
    async def drip(line: str, reply: bytes, writer: asyncio.StreamWriter) -> bool:
        for at in range(len(reply)):
            writer.write(reply[at : at + 1])
            await writer.drain()
            await asyncio.sleep(0.0)
        return True

    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        assert await driver.set_dials(RX_HZ + 1, TX_HZ + 1) == RigState(RX_HZ + 1, TX_HZ + 1, False)
        assert await driver.details() == RigDetails("FM", 15000, 0.5, 0, 0, False)

    against(body, drip)


def test_one_cycle_is_one_write_of_whole_lines() -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        await driver.set_dials(RX_HZ + 1, TX_HZ + 1)
        assert rig.heard == [
            "+F VFOA 144123458",
            "+F VFOB 144119877",
            "+f VFOA",
            "+f VFOB",
            "+t VFOA",
        ]

    assert against(body).cut_off == []


def test_small_writes_are_not_held_back_and_a_pulled_cable_is_noticed() -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        assert driver._connection is not None and driver._connection._transport is not None
        sock = driver._connection._transport.get_extra_info("socket")
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 2000

    against(body)


def test_all_that_opening_says() -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        await driver.open()
        assert rig.heard == [
            "\\set_vfo_opt 1",
            "\\chk_vfo",
            "+S VFOA 1 VFOB",
            "+s VFOA",
            "+f VFOA",
            "+f VFOB",
            "+t VFOA",
        ]

    against(body, is_open=False)


def test_one_dial_for_both_ends_a_split_that_was_on() -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        rig.split = True
        await driver.open()
        assert not rig.split
        assert "+S VFOA 0 VFOA" in rig.heard
        rig.heard.clear()
        await driver.set_dials(RX_HZ, None)
        assert rig.heard == ["+F VFOA 144123457", "+f VFOA", "+t VFOA"]
        rig.heard.clear()
        await driver.open()
        assert not any(line.startswith("+S") for line in rig.heard)

    against(body, is_open=False, split=False)


@pytest.mark.parametrize(
    ("refuse", "error"),
    [({"S": -11}, RigNotSuitable), ({"S": -9}, RigRefused), ({"f": -9}, RigRefused)],
)
def test_open_fails_whole(refuse: dict[str, int], error: type[RigError]) -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        rig.refuse = refuse
        with pytest.raises(error):
            await driver.open()
        rig.refuse = {}
        await is_closed_until_opened(driver, rig)

    against(body, is_open=False)


@pytest.mark.parametrize("banner", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x16\x03\n", b""])
def test_something_else_listens_there(banner: bytes) -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        with pytest.raises((RigGarbled, RigClosed)):
            await driver.open()
        await is_closed_until_opened(driver, rig)

    against(body, instead_of("\\set_vfo_opt", banner, "FIN"), is_open=False)


def test_closing_is_quick_and_sends_nothing() -> None:
    async def stuck(line: str, reply: bytes, writer: asyncio.StreamWriter) -> bool:
        await asyncio.sleep(0.1)
        return True

    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        call = asyncio.create_task(driver.set_dials(RX_HZ, TX_HZ))
        await asyncio.sleep(0.01)
        began_s = unloaded_s()
        await driver.close()
        assert unloaded_s() - began_s < 0.1
        with pytest.raises(RigClosed):
            await call
        while rig.connections():
            await asyncio.sleep(0.01)

    assert against(body, stuck).cut_off == []


def test_plain_mode_pauses_between_sets() -> None:
    """Without VFO names, sets in quick succession end in the wrong VFO on some versions."""
    clock = VirtualClock(0.0)
    set_at_s: list[tuple[float, str]] = []

    async def note(line: str, reply: bytes, writer: asyncio.StreamWriter) -> bool:
        if line[:2] in ("+F", "+I", "+M", "+X"):
            set_at_s.append((clock.monotonic_s(), line))
        return False

    async def main() -> None:
        async with FakeRigServer(vfo_option=False, meddle=note) as rig:
            driver = SocketDriver(SocketDriver.Options(port=rig.port), clock)
            await driver.open()
            assert driver.capabilities.max_sets_per_s == 2.0
            assert await driver.set_dials(RX_HZ, TX_HZ) == SET
            assert await driver.set_dials(None, TX_HZ + 1) == RigState(RX_HZ, TX_HZ + 1, False)
            await driver.set_mode("USB", 2400)
            assert rig.modes == {"VFOA": ("USB", 2400), "VFOB": ("USB", 2400)}
            named = [line for line in rig.heard if "VFOA" in line]
            assert named == ["+V VFOA"], "on opening only: it looks like a hand on the radio"
            await driver.close()

    clock.run(main())
    assert [line for _, line in set_at_s] == [
        f"+F {RX_HZ}",
        f"+I {TX_HZ}",
        f"+I {TX_HZ + 1}",
        "+M USB 2400",
        "+X USB 2400",
    ]
    times = [at_s for at_s, _ in set_at_s]
    assert all(b - a >= 0.5 for a, b in itertools.pairwise(times))


def test_options_that_contradict_each_other() -> None:
    for vfos in ({"tx_vfo": "VFOA"}, {"rx_vfo": "Sub"}, {"rx_vfo": "Main", "tx_vfo": "VFOA"}):
        with pytest.raises(ValueError, match="same VFO"):
            SocketDriver.Options.model_validate(vfos)
    for bad in ({"port": 0}, {"port": 65536}, {"tx_vfo": "VFOX"}, {"host": ""}):
        with pytest.raises(ValueError, match=next(iter(bad))):
            SocketDriver.Options.model_validate(bad)
    SocketDriver.Options(rx_vfo="Sub", tx_vfo="Main")


def test_plain_mode_on_a_radio_left_on_its_second_vfo() -> None:
    """F is for the selected VFO: the receive dial was written into the one that transmits."""
    clock = VirtualClock(0.0)

    async def main() -> None:
        async with FakeRigServer(vfo_option=False) as rig:
            rig.selected = "VFOB"
            driver = SocketDriver(SocketDriver.Options(port=rig.port), clock)
            await driver.open()
            await driver.set_dials(RX_HZ, TX_HZ)
            await driver.set_dials(RX_HZ + 10, None)
            await driver.close()
            assert rig.dials_hz == {"VFOA": RX_HZ + 10, "VFOB": TX_HZ}

    clock.run(main())


@pytest.mark.parametrize("code", [-9, -1])
def test_not_keyed_where_split_was_told_and_is_told_no_more(code: int) -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        rig.split = False
        rig.refuse["s"] = code
        with pytest.raises(RigRefused):
            await driver.set_transmit(True)
        assert not rig.keyed

    against(body)


def test_not_keyed_where_another_client_has_the_receive_dial_transmit() -> None:
    class Elsewhere(FakeRigServer):
        def _do(self, letter: str, vfo: str, arguments: list[str]) -> tuple[object, ...]:
            return (1, "VFOA") if letter == "s" else super()._do(letter, vfo, arguments)

    async def main() -> None:
        async with Elsewhere() as rig:
            driver = SocketDriver(SocketDriver.Options(port=rig.port), SystemClock())
            await driver.open()
            with pytest.raises(RigGarbled, match="split"):
                await driver.set_transmit(True)
            assert not rig.keyed
            await driver.close()

    asyncio.run(main())


@pytest.mark.parametrize("code", [-1, -4, -9, -11])
def test_offsets_that_the_radio_lacks_are_not_asked_for_again(code: int) -> None:
    asked: list[str] = []

    async def listen(line: str, reply: bytes, writer: asyncio.StreamWriter) -> bool:
        asked.append(line.removeprefix("+")[:1])
        return False

    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        rig.refuse |= {"z": code, "r": code}
        rig.offsets_hz["j"] = -120
        for _ in range(3):
            details = await driver.details()
            assert (details.rit_hz, details.xit_hz, details.repeater_shift) == (-120, None, None)

    against(body, listen)
    assert (asked.count("j"), asked.count("z"), asked.count("r")) == (3, 1, 1)


def test_split_switched_off_is_noticed_with_the_settings() -> None:
    async def body(driver: SocketDriver, rig: FakeRigServer) -> None:
        rig.split = False
        with pytest.raises(RigGarbled, match="split"):
            await driver.details()
        await driver.open()
        assert rig.split

    against(body)
