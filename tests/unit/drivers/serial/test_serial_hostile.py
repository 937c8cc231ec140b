"""Bad wires and bad radios: every one ends in an error of the contract, and the next opening is as
good as the first. On pseudo-terminals, with the simulated radio at the other end."""

from __future__ import annotations

import asyncio
import os
import re
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from moontrim_drivers.civ.codec import Frame, dial
from moontrim_drivers.contract import (
    RigClosed,
    RigDriver,
    RigError,
    RigGarbled,
    RigNotSuitable,
    RigRefused,
    RigState,
    RigTimeout,
    RigUnreachable,
)
from moontrim_drivers.serial import ports as serialports
from moontrim_drivers.serial.portchoice import Port
from moontrim_drivers.simulated.civ import CivResponder
from moontrim_drivers.simulated.pty import SimPty
from moontrim_drivers.simulated.receivers import Receivers
from support.descriptors import open_descriptors
from support.processor import unloaded_s
from support.serial_bench import BUSES, driver_for, replugged, serial_radio

RX_HZ, TX_HZ = 144_123_457, 144_119_876
KEYING = re.compile(rb"TX|\x1c\x00\x01|\x1c\x01|KY|\x17")

Scene = Callable[[Any, SimPty], Awaitable[None]]
both = pytest.mark.parametrize("bus", BUSES)


def play(
    bus: str,
    scene: Scene,
    *,
    options: dict[str, Any] | None = None,
    prepare: Callable[[SimPty], object] = lambda line: None,
    opened: bool = True,
    **radio: Any,
) -> SimPty:
    """Run a scene with an open driver; then the driver must be closed and nothing left behind."""

    async def main() -> SimPty:
        tasks, before = asyncio.all_tasks(), open_descriptors()
        async with serial_radio(bus, **{"latency_s": 0.0, **radio}) as line:
            prepare(line)
            driver = driver_for(bus, line.path, **{"answer_s": 0.08, **(options or {})})
            if opened:
                await driver.open()
            await scene(driver, line)
            await driver.close()
        await asyncio.sleep(0)
        assert asyncio.all_tasks() == tasks, "no task is left"
        assert open_descriptors() <= before, "no descriptor is left"
        return line

    return asyncio.run(main())


async def fails(error: type[RigError], driver: RigDriver, text: str | None = None) -> str:
    """A look ends in this error; then the driver is closed until opened again."""
    with pytest.raises(error, match=text) as caught:
        await driver.read()
    assert type(caught.value) is error
    with pytest.raises(RigClosed):
        await driver.read()
    return str(caught.value)


def after(n: int, make: Callable[[bytes], bytes]) -> Callable[[bytes], bytes]:
    """Change the n-th thing the radio says from now on, and nothing else."""
    left = [n]

    def spoil(data: bytes) -> bytes:
        left[0] -= 1
        return make(data) if left[0] == 0 else data

    return spoil


# --- both buses ---


@both
def test_nothing_but_keying_keys(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        await driver.set_dials(RX_HZ, TX_HZ)
        await driver.set_mode("CW", 500)
        await driver.set_power(0.3)
        await driver.details()
        await driver.close()
        await driver.open()

    line = play(bus, scene)
    assert line.heard and not any(KEYING.search(message) for message in line.heard)
    assert not line.radio.transmitting


@both
def test_a_silent_radio(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.on = False
        began_s = unloaded_s()
        await fails(RigTimeout, driver, "did not answer within")
        with pytest.raises(RigTimeout):
            await driver.open()
        assert unloaded_s() - began_s < 0.6
        line.on = True
        await driver.open()
        assert await driver.set_dials(RX_HZ, TX_HZ) == line.radio.state()

    play(bus, scene)


@both
def test_a_slow_radio(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        assert await driver.set_dials(RX_HZ, TX_HZ) == RigState(RX_HZ, TX_HZ, False)
        line.radio.change(latency_s=0.5)
        await fails(RigTimeout, driver)
        line.radio.change(latency_s=0.0)
        await asyncio.sleep(0.6)  # its late answer comes meanwhile
        await driver.open()
        assert await driver.read() == line.radio.state()

    play(bus, scene, latency_s=0.01)


@both
def test_rubbish_for_an_answer(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.spoil = lambda data: bytes(byte ^ 0x95 for byte in data)
        await fails(RigGarbled, driver, "is it 19200 baud")
        line.spoil = bytes
        await driver.open()
        assert await driver.read() == line.radio.state()

    play(bus, scene)


@both
def test_half_an_answer(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.spoil = after(1, lambda data: data[:4])
        with pytest.raises((RigTimeout, RigGarbled)):
            await driver.read()
        await driver.open()
        assert await driver.read() == line.radio.state()

    play(bus, scene)


@both
def test_a_flood(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.spoil = lambda data: b"\x55" * 3000
        await fails(RigGarbled, driver)
        line.spoil = bytes
        await asyncio.sleep(0.05)
        await driver.open()

    play(bus, scene)


@both
@pytest.mark.parametrize("when_s", [0.0, 0.002, 0.02])
def test_unplugged_amid_an_answer(bus: str, when_s: float) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.radio.change(unreachable_s=30.0)
        asyncio.get_running_loop().call_later(when_s, line.radio.drop)
        began_s = unloaded_s()
        with pytest.raises(RigClosed, match="the port is gone"):
            while True:
                await driver.set_dials(RX_HZ, TX_HZ)
        assert unloaded_s() - began_s < 0.5, "the deadline is not waited for"
        with pytest.raises(RigUnreachable):
            await driver.open()

    play(bus, scene, options={"answer_s": 1.0}, latency_s=0.005)


@both
def test_back_under_another_number(bus: str, tmp_path: Path, monkeypatch: Any) -> None:
    """By a link, as udev keeps one; and by the numbers of the USB device."""
    link = tmp_path / "radio"

    async def main() -> None:
        async with serial_radio(bus, latency_s=0.0) as line:
            monkeypatch.setattr(
                serialports,
                "attached",
                lambda: (Port(line.path, 0x0403, 0x6001),) if line.path else (),
            )
            line.link = link
            drivers = [driver_for(bus, str(link)), driver_for(bus, "usb:0403:6001")]
            for driver in drivers:
                line.radio.change(unreachable_s=0.05)
                await replugged(line)
                before = line.path
                await driver.open()
                back = asyncio.create_task(replugged(line))
                with pytest.raises(RigClosed):
                    while True:
                        await driver.read()
                with pytest.raises(RigUnreachable):
                    await driver.open()
                other = os.openpty()  # another device takes the number that became free
                await back
                assert line.path != before
                await driver.open()
                assert await driver.set_dials(RX_HZ, TX_HZ) == line.radio.state()
                await driver.close()
                for end in other:
                    os.close(end)
        assert not link.is_symlink(), "the link goes with the radio"

    asyncio.run(main())


@both
def test_one_damaged_byte_is_no_hand_on_the_dial(bus: str) -> None:
    """A dial that reads back otherwise is asked for once more."""

    async def scene(driver: Any, line: SimPty) -> None:
        assert await driver.set_dials(RX_HZ, TX_HZ) == RigState(RX_HZ, TX_HZ, False)
        seen = []

        def digit(data: bytes) -> bytes:
            seen.append(data)
            return data.replace(b"\x57\x34", b"\x67\x34").replace(b"A00144123457", b"A00144123467")

        line.spoil = after(1, digit)
        assert await driver.read() == RigState(RX_HZ, TX_HZ, False)
        assert seen and digit(seen[0]) != seen[0], "it was damaged indeed"

    play(bus, scene)


@both
def test_a_hand_on_the_dial_is_seen(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        await driver.set_dials(RX_HZ, TX_HZ)
        line.radio.turn_dial(500)
        assert await driver.read() == RigState(RX_HZ + 500, TX_HZ, False)
        line.radio.key(True)
        assert (await driver.read()).transmitting is True

    play(bus, scene)


@both
def test_a_refusal_leaves_the_connection_in_step(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.radio.change(refuse_probability=1.0)
        for call in (
            driver.set_dials(RX_HZ, None),
            driver.set_dials(RX_HZ, TX_HZ),
            driver.set_power(0.5),
            driver.set_mode("CW", 0),
            driver.set_transmit(True),
        ):
            with pytest.raises(RigRefused):
                await call
            assert await driver.read() == line.radio.state()
        line.radio.change(refuse_probability=0.0)
        assert await driver.set_dials(RX_HZ, TX_HZ) == RigState(RX_HZ, TX_HZ, False)

    play(bus, scene)


@both
def test_a_radio_that_stays_keyed(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        await driver.set_transmit(True)
        line.radio.change(stuck_transmit=True)
        with pytest.raises(RigRefused):
            await driver.set_transmit(False)
        assert (await driver.read()).transmitting is True

    play(bus, scene)


@both
def test_a_radio_that_takes_a_while_to_key(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        loop, really = asyncio.get_running_loop(), line.radio.set_transmit
        line.radio.set_transmit = lambda on: loop.call_later(0.05, really, on)  # type: ignore[assignment]
        for on in (True, False):
            await driver.set_transmit(on)
            assert line.radio.transmitting is on

    play(bus, scene)


@both
def test_it_does_not_retune_while_keyed_if_the_radio_does_not(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        await driver.set_transmit(True)
        with pytest.raises(RigRefused):
            await driver.set_dials(RX_HZ, TX_HZ)
        line.radio.change(retunes_while_transmitting=True)
        assert await driver.set_dials(RX_HZ, TX_HZ) == RigState(RX_HZ, TX_HZ, True)

    play(bus, scene)


@both
def test_split_lost_is_never_keyed_and_is_restored(bus: str) -> None:
    """Switched off and on without unplugging: it would transmit on its receive dial."""

    async def scene(driver: Any, line: SimPty) -> None:
        await driver.set_dials(RX_HZ, TX_HZ)
        line.power_cycle()
        with pytest.raises(RigGarbled, match="by itself"):
            await driver.set_transmit(True)
        assert not line.radio.transmitting
        await driver.open()
        assert line.radio.split
        await driver.set_dials(RX_HZ, TX_HZ)
        await driver.set_transmit(True)
        assert line.radio.state() == RigState(RX_HZ, TX_HZ, True)

    play(bus, scene)


@both
def test_without_split_a_radio_left_in_split_is_taken_out_of_it(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.radio.set_split(True)
        if bus == "asciicat":
            line.responder.act(b"FT1;")
        await driver.open()
        assert not line.radio.split
        await driver.set_dials(RX_HZ, None)
        assert await driver.read() == RigState(RX_HZ, None, False)

    play(bus, scene, options={"split": False}, opened=False)


@both
def test_receivers_are_exchanged_where_that_helps(bus: str) -> None:
    """The band wanted is on the other receiver; without the option that is a refusal."""
    command = {"civ": "07 B0", "asciicat": "SV;"}[bus]

    async def without(driver: Any, line: SimPty) -> None:
        with pytest.raises(RigRefused):
            await driver.set_dials(432_100_000, None)

    async def having(driver: Any, line: SimPty) -> None:
        for rx_hz, tx_hz in ((432_100_000, 432_100_500), (144_100_000, 144_200_000)):
            assert await driver.set_dials(rx_hz, tx_hz) == RigState(rx_hz, tx_hz, False)
        line.radio.key(True)
        with pytest.raises(RigRefused):
            await driver.set_dials(432_100_000, 432_100_500)
        assert line.radio.rx_dial_hz == 144_100_000, "not while it transmits"

    play(bus, without, other_hz=432_200_000)
    play(bus, having, other_hz=432_200_000, options={"exchange_command": command})


@both
@pytest.mark.parametrize("options", [{"rts": 1}, {"baud": 1}, {"port": "COM1"}, {"answer_s": 0}])
def test_options_that_are_none(bus: str, options: dict[str, Any]) -> None:
    driver_class, _, own = BUSES[bus]
    with pytest.raises(ValueError, match=next(iter(options))):
        driver_class.Options(**{"port": "/dev/null", **own, **options})


@both
def test_commands_of_the_bus(bus: str) -> None:
    good = {"civ": ["16 5A", "0F01"], "asciicat": ["AI0;", "FR0;FT1;"]}[bus]
    sending = {"civ": ["1C 00 01", "1C0102", "17 41"], "asciicat": ["TX;", "AI0;TX1;", "KY A;"]}
    bad = {"civ": ["", "XYZ", "FD", "16 5"], "asciicat": ["", "AI0", "ai0;", ";", "AI0;;", "é;"]}

    async def scene(driver: Any, line: SimPty) -> None:
        line.heard.clear()
        await driver.send_commands([])
        assert not line.heard
        await driver.send_commands(good)
        assert await driver.read() == line.radio.state()
        for command in (*sending[bus], *bad[bus]):
            line.heard.clear()
            with pytest.raises(RigNotSuitable, match="commands: "):
                await driver.send_commands([good[0], command])
            assert not line.heard, "none of them was sent"
        with pytest.raises(RigRefused):
            await driver.send_commands([{"civ": "7F", "asciicat": "ZZ;"}[bus]])
        line.radio.key(True)
        with pytest.raises(RigRefused):
            await driver.send_commands(good)

    play(bus, scene)


@both
def test_dials_beyond_the_bus(bus: str) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        with pytest.raises(RigNotSuitable, match="rx_hz"):
            await driver.set_dials(10**11, None)
        assert await driver.read() == line.radio.state()

    play(bus, scene)


def test_the_wire_gives_up_on_a_port_that_takes_nothing() -> None:
    from moontrim_drivers.serial.ports import LineSettings
    from moontrim_drivers.serial.wire import SerialWire

    async def main() -> None:
        ours, theirs = os.openpty()
        lost: list[RigError] = []
        wire = SerialWire(os.ttyname(theirs), LineSettings(19200), lambda data: None, lost.append)
        for _ in range(100):
            wire.write(b"x" * 500)
        assert len(lost) == 1 and isinstance(lost[0], RigClosed)
        os.close(ours)
        os.close(theirs)

    asyncio.run(main())


# --- the addressed binary bus ---


def civ_frame(body: bytes, to: int = 0xE0, sender: int = 0xA2) -> bytes:
    return Frame(to, sender, body).to_bytes()


def test_a_turned_knob_speaks_unasked() -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.radio.turn_dial(10)
        for unasked in (line.responder.dial_report(), civ_frame(b"\x00" + dial(RX_HZ))):  # type: ignore[attr-defined]
            line.spoil = lambda data, unasked=unasked: unasked + data + unasked
            state = await driver.set_dials(RX_HZ, TX_HZ)
            assert state == RigState(RX_HZ, TX_HZ, False)
            line.say(unasked)
            await asyncio.sleep(0.005)
            assert await driver.read() == state

    play("civ", scene)


def test_others_on_the_bus_are_passed_over() -> None:
    """Another radio answering someone, the same radio answering another controller."""
    others = (
        civ_frame(b"\x25\x00" + dial(1), sender=0x7C)
        + civ_frame(b"\xfa", sender=0x7C)
        + civ_frame(b"\xfa", to=0xE1)
        + civ_frame(b"\x25\x00", to=0xA2, sender=0xE1)
    )

    async def scene(driver: Any, line: SimPty) -> None:
        line.spoil = lambda data: others + data + others
        assert await driver.set_dials(RX_HZ, TX_HZ) == RigState(RX_HZ, TX_HZ, False)

    play("civ", scene)


def test_a_radio_of_another_address_is_silence() -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        with pytest.raises(RigTimeout, match="did not answer"):
            await driver.open()

    play("civ", scene, options={"address": 0x94}, opened=False)


@pytest.mark.parametrize(
    "answer", [b"\xfb", b"\x03" + dial(RX_HZ), b"\x25\x00\x0a\x00\x00\x00\x00", b"\x25\x00\x01"]
)
def test_an_answer_to_something_else(answer: bytes) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.spoil = after(1, lambda data: civ_frame(answer))
        await fails(RigGarbled, driver)
        await driver.open()
        assert await driver.read() == line.radio.state()

    play("civ", scene)


@pytest.mark.parametrize("echo", [False, True])
def test_two_speak_at_once(echo: bool) -> None:
    """Once: it is said again. Always: garbled."""

    async def scene(driver: Any, line: SimPty) -> None:
        for n in (1, 2, 3):
            line.spoil = after(n, lambda data: b"\xfe\xfe\xe0\xfc\xfc\xfc")
            assert await driver.set_dials(RX_HZ + n, TX_HZ) == RigState(RX_HZ + n, TX_HZ, False)
        line.spoil = lambda data: b"\xfc"
        await fails(RigGarbled, driver, "two spoke at once")

    play("civ", scene, line={"echo": echo})


def test_our_own_words_come_back_damaged() -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.spoil = after(1, lambda data: civ_frame(b"\x25\x01", to=0xA2, sender=0xE0) + data)
        assert await driver.set_dials(RX_HZ, TX_HZ) == RigState(RX_HZ, TX_HZ, False)

    play("civ", scene)


def test_a_radio_without_command_25() -> None:
    def prepare(line: SimPty) -> None:
        line.responder = CivResponder(Receivers(line.radio), has_both_dials=False)

    async def split(driver: Any, line: SimPty) -> None:
        with pytest.raises(RigNotSuitable, match="split = false"):
            await driver.open()

    async def one_dial(driver: Any, line: SimPty) -> None:
        assert await driver.set_dials(RX_HZ, None) == RigState(RX_HZ, None, False)
        await driver.set_mode("CW", 500)
        assert (await driver.details()).mode == "CW"
        await driver.set_transmit(True)
        assert line.radio.state() == RigState(RX_HZ, None, True)

    play("civ", split, prepare=prepare, opened=False)
    play("civ", one_dial, prepare=prepare, options={"split": False})


def test_a_radio_that_does_not_tell_whether_it_transmits() -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        assert not driver.capabilities.reports_transmit
        assert not driver.capabilities.sets_power
        assert (await driver.set_dials(RX_HZ, TX_HZ)).transmitting is None
        with pytest.raises(RigNotSuitable, match="never keyed"):
            await driver.set_transmit(True)
        line.radio.set_transmit(True)
        await driver.set_transmit(False)
        assert not line.radio.transmitting

    play("civ", scene, reports_transmit=False)


def test_a_radio_that_calls_its_transmit_dial_the_selected_one_while_keyed() -> None:
    def prepare(line: SimPty) -> None:
        line.responder = CivResponder(Receivers(line.radio), selected_transmits=True)

    async def scene(driver: Any, line: SimPty) -> None:
        for keyed in (False, True, False):
            line.radio.key(keyed)
            state = await driver.set_dials(RX_HZ + keyed, TX_HZ + keyed)
            assert state == RigState(RX_HZ + keyed, TX_HZ + keyed, keyed) == line.radio.state()

    play(
        "civ", scene, prepare=prepare, retunes_while_transmitting=True,
        options={"selected_transmits_while_keyed": True},
    )  # fmt: skip


# --- the semicolon bus ---


@pytest.mark.parametrize("said", [b"E;", b"O;"])
def test_the_radio_could_not_read_us(said: bytes) -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        line.spoil = after(1, lambda data: said)
        await fails(RigGarbled, driver, said[:1].decode())

    play("asciicat", scene)


def test_what_is_said_unasked_is_no_answer() -> None:
    """The radio tells of the knob between any two answers; what counts is what it says last."""

    async def scene(driver: Any, line: SimPty) -> None:
        old = b"FA00144000001;IF00144000001     +00000000001200010000;XY1;"
        line.spoil = lambda data: (old if data.startswith(b"FA") else b"") + data
        for n in range(5):
            assert await driver.set_dials(RX_HZ + n, TX_HZ) == RigState(RX_HZ + n, TX_HZ, False)
        line.say(b"0144000001;FA00144000002;")
        await asyncio.sleep(0.005)
        assert await driver.read() == line.radio.state()

    play("asciicat", scene)


def test_half_a_message_left_by_another_program_is_not_completed() -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        for left in (b"TX", b"TX0", b"FA0014"):
            fd = os.open(line.path, os.O_RDWR | os.O_NOCTTY)
            os.write(fd, left)
            await asyncio.sleep(0.005)
            os.close(fd)
            await driver.open()
            assert not line.radio.transmitting
            assert await driver.read() == line.radio.state()

    play("asciicat", scene, opened=False)


def test_the_other_vfo() -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        assert await driver.set_dials(RX_HZ, TX_HZ) == RigState(RX_HZ, TX_HZ, False)
        assert line.radio.state() == RigState(RX_HZ, TX_HZ, False)
        assert any(message.startswith(b"FB%011d" % RX_HZ) for message in line.heard)

    play("asciicat", scene, options={"rx_vfo": "B"})


def test_power_in_watts() -> None:
    async def scene(driver: Any, line: SimPty) -> None:
        await driver.set_power(0.5)
        assert line.radio.power_fraction == 0.25
        assert (await driver.details()).power_fraction == 0.5

    play("asciicat", scene, options={"full_power": 50})


@pytest.mark.parametrize(("full_power", "ceiling"), [(10, 0.35), (10, 0.26), (50, 0.13), (5, 0.5)])
def test_power_is_never_rounded_above_what_was_asked_for(full_power: int, ceiling: float) -> None:
    """A ceiling was, where whole watts are coarse steps; then it was above it for good."""

    async def scene(driver: Any, line: SimPty) -> None:
        await driver.set_power(ceiling)
        found = (await driver.details()).power_fraction
        assert ceiling - 1.0 / full_power < found <= ceiling + 1e-6

    play("asciicat", scene, options={"full_power": full_power})


def test_repeater_duplex_switched_on_by_hand_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """One dial for both, and the radio is to transmit elsewhere all the same."""

    async def scene(driver: Any, line: SimPty) -> None:
        say = driver._exchange

        async def duplex(body: bytes, *how: Any, **more: Any) -> Any:
            return b"\x12" if body == b"\x0f" else await say(body, *how, **more)

        monkeypatch.setattr(driver, "_exchange", duplex)
        with pytest.raises(RigGarbled, match="split"):
            await driver.set_transmit(True)
        assert not line.radio.transmitting

    play("civ", scene, options={"split": False})


def test_a_passband_of_no_number_we_know_costs_no_connection(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """In a mode of its own; it is asked with the drive, every five seconds."""

    async def scene(driver: Any, line: SimPty) -> None:
        say = driver._exchange

        async def strange(body: bytes, *how: Any, **more: Any) -> Any:
            return b"\x77" if body == b"\x1a\x03" else await say(body, *how, **more)

        monkeypatch.setattr(driver, "_exchange", strange)
        details = await driver.details()
        assert details.passband_hz is None and details.power_fraction is not None

    play("civ", scene)
