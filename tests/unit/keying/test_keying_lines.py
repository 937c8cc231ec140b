"""What the keyer switches and reads: serial lines, GPIO lines, relays on the network, and dropping
all of them without the daemon.

Pseudo-terminals have no modem lines, and a machine of CI has no GPIO chip. So the logic is tested
on ports and chips made up here, and on a pseudo-terminal what it can show: that opening fails with
a clear reason, that the port is locked, that HUPCL is set, and that the port is let go of when the
process is killed, which is when Linux lowers the lines. That it does lower them has not been seen
here."""

import asyncio
import contextlib
import errno
import fcntl
import os
import select
import signal
import subprocess
import sys
import termios
import textwrap
import threading
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from moontrim.cli.main import main as moontrim
from moontrim.clock.system import SystemClock
from moontrim.clock.virtual import VirtualClock
from moontrim.config.keying import KeyingSettings
from moontrim.config.radio import RadioSettings
from moontrim.keying.contacts import Contact, ExternalTransmit, make_contacts
from moontrim.keying.gpio import ChipLine, GpioRequest
from moontrim.keying.modemlines import LineName, ModemLines, OutputError, Ports, plain_path
from moontrim.keying.outputs import Output, make_outputs
from moontrim.keying.unkey import unkey
from moontrim_drivers.contract import RigUnreachable
from moontrim_drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from support.tree import ROOT

PORT = "/dev/serial/by-id/one"
CONFIG = KeyingSettings.model_validate(
    {
        "enabled": True,
        "outputs": [
            {"kind": "gpio", "name": "coax", "chip": "/dev/gpiochip0", "line": 17, "settle_ms": 9},
            {"kind": "mqtt", "name": "mast", "topic": "shack/mast", "settle_ms": 9},
            {"kind": "rts", "name": "amplifier", "port": PORT, "settle_ms": 9},
            {"kind": "dtr", "name": "key", "port": PORT, "settle_ms": 9, "keys_radio": True},
        ],
        "inputs": [
            {"kind": "cts", "name": "foot", "port": PORT},
            {"kind": "gpio", "name": "relay", "chip": "/dev/gpiochip0", "line": 4},
        ],
    }
)


class FakeLines:
    """A serial port made up: every change in a log shared by all that were opened."""

    def __init__(self, path: str, log: list[tuple[str, bool]]) -> None:
        self.path = path
        self.log = log
        self.unplugged = False
        self.inputs: dict[str, bool] = {"cts": False, "dsr": False}

    def set(self, line: LineName, on: bool) -> None:
        self._there()
        self.log.append((line, on))

    def get(self, line: LineName) -> bool:
        self._there()
        return self.inputs[line]

    def close(self) -> None:
        self.log.append(("closed", False))

    def _there(self) -> None:
        if self.unplugged:
            raise OSError(errno.EIO, "Input/output error")


class FakePin:
    def __init__(self, direction: str) -> None:
        self.direction = direction
        self.log: list[bool | str] = []
        self.active = False
        self.gone = False

    def set(self, on: bool) -> None:
        if self.gone:
            raise OSError(errno.ENODEV, "No such device")
        self.log.append(on)

    def get(self) -> bool:
        if self.gone:
            raise OSError(errno.ENODEV, "No such device")
        return self.active

    def close(self) -> None:
        self.log.append("closed")


class Shack:
    """Ports, pins and a broker, all made up."""

    def __init__(self) -> None:
        self.changes: list[tuple[str, bool]] = []
        self.opened: list[FakeLines] = []
        self.pins: list[FakePin] = []
        self.published: list[tuple[str, str]] = []
        self.ports = Ports(opener=self.open)
        self.missing = False

    def open(self, path: str) -> FakeLines:
        if self.missing:
            raise OSError(errno.ENOENT, "No such file or directory")
        self.opened.append(FakeLines(path, self.changes))
        return self.opened[-1]

    def request(self, chip: str, line: int, direction: str, active_low: bool) -> FakePin:
        self.pins.append(FakePin(direction))
        return self.pins[-1]

    async def publish(self, topic: str, payload: str) -> None:
        self.published.append((topic, payload))

    async def key(self, on: bool) -> None:
        raise AssertionError("there is no radio output")

    def outputs(self) -> tuple[Output, ...]:
        return make_outputs(
            CONFIG,
            SystemClock(),
            key_radio=self.key,
            publish=self.publish,
            ports=self.ports,
            requester=self.request,
        )


def play(scene: Callable[[Shack], Coroutine[Any, Any, None]]) -> Shack:
    shack = Shack()

    async def main() -> None:
        try:
            await scene(shack)
        finally:
            shack.ports.close()

    asyncio.run(main())
    return shack


def test_two_lines_of_one_port_opened_once() -> None:
    async def scene(shack: Shack) -> None:
        outputs = shack.outputs()
        for output in outputs:
            await output.open()
        assert shack.changes == []  # nothing is switched on by opening
        for output in outputs:
            await output.on()
        for output in reversed(outputs):
            await output.off()
        assert shack.changes == [("rts", True), ("dtr", True), ("dtr", False), ("rts", False)]
        assert shack.published == [("shack/mast", "on"), ("shack/mast", "off")]
        assert shack.pins[0].log == [True, False]
        assert shack.pins[0].direction == "out"
        outputs[0].close()
        assert shack.pins[0].log == [True, False, False, "closed"]

    shack = play(scene)
    assert len(shack.opened) == 1
    assert shack.changes[-1] == ("closed", False)


def test_one_that_is_gone_is_found_out_while_it_is_on() -> None:
    """An adapter falls off the bus under RF, and its relay with it."""

    async def scene(shack: Shack) -> None:
        outputs = shack.outputs()
        for output in outputs:
            await output.open()
            await output.on()
            await output.check_present()
        shack.opened[0].unplugged = shack.pins[0].gone = True
        for output, gone in zip(outputs, (True, False, True, True), strict=True):
            if gone:
                with pytest.raises(OutputError):
                    await output.check_present()
            else:
                await output.check_present()  # a relay on the network tells nothing

    play(scene)


def test_switching_on_never_opens_a_port() -> None:
    """Opening pulses the lines, so it has its own moment."""

    async def scene(shack: Shack) -> None:
        coax, _, amplifier, _ = shack.outputs()
        for output in (coax, amplifier):
            with pytest.raises(OutputError, match="not"):
                await output.on()
            await output.off()  # what is not open is off

    assert play(scene).opened == []


def test_an_unplugged_port_drops_and_is_opened_again() -> None:
    async def scene(shack: Shack) -> None:
        key = shack.outputs()[3]
        await key.open()
        await key.on()
        shack.opened[0].unplugged = True
        with pytest.raises(OutputError, match=f"{PORT}: Input/output error"):
            await key.off()
        assert shack.changes[-1] == ("closed", False)
        await key.off()
        shack.missing = True
        with pytest.raises(OutputError, match="No such file"):
            await key.open()
        shack.missing = False
        await key.open()
        await key.on()
        shack.opened[1].unplugged = True
        await key.open()  # unplugged and back since: noticed before it is used
        assert len(shack.opened) == 3

    play(scene)


def test_a_chip_that_is_gone_drops() -> None:
    async def scene(shack: Shack) -> None:
        coax = shack.outputs()[0]
        await coax.open()
        shack.pins[0].gone = True
        with pytest.raises(OutputError, match="No such device"):
            await coax.on()
        await coax.open()
        await coax.on()
        assert shack.pins[1].log == [True]

    play(scene)


def test_off_comes_after_an_on_that_was_given_up() -> None:
    """A call that is stuck in the adapter holds its thread; `off` must still be the last word."""

    async def scene(shack: Shack) -> None:
        key = shack.outputs()[3]
        await key.open()
        lines, stuck = shack.opened[0], threading.Event()
        real = lines.set

        def slow(line: LineName, on: bool) -> None:
            if on:
                stuck.set()
                with contextlib.suppress(TimeoutError):
                    select.select([], [], [], 0.1)
            real(line, on)

        lines.set = slow  # type: ignore[method-assign]
        on = asyncio.create_task(key.on())
        await asyncio.to_thread(stuck.wait, 20.0)
        on.cancel()
        await key.off()
        assert shack.changes == [("dtr", True), ("dtr", False)]

    play(scene)


# --- GPIO through the package --------------------------------------------------------------------


class FakeGpiod:
    """The part of the gpiod package that is used, as documented for its version 2."""

    class _Values:
        ACTIVE, INACTIVE = "active", "inactive"

    class _Directions:
        INPUT, OUTPUT = "input", "output"

    line = SimpleNamespace(Value=_Values, Direction=_Directions)

    def __init__(self) -> None:
        self.asked: list[Any] = []
        self.values: list[tuple[int, str]] = []
        self.value = "inactive"
        self.released = False

    def LineSettings(self, **settings: Any) -> dict[str, Any]:  # noqa: N802
        return settings

    def request_lines(self, path: str, consumer: str, config: dict[int, Any]) -> "FakeGpiod":
        if path == "/dev/none":
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        self.asked.append((path, consumer, config))
        return self

    def set_value(self, line: int, value: str) -> None:
        self.values.append((line, value))

    def get_value(self, line: int) -> str:
        return self.value

    def release(self) -> None:
        self.released = True


def test_a_gpio_output_is_requested_off() -> None:
    gpiod = FakeGpiod()
    pin = ChipLine("/dev/gpiochip0", 17, "out", True, gpiod)
    settings = {"direction": "output", "active_low": True, "output_value": "inactive"}
    assert gpiod.asked == [("/dev/gpiochip0", "moontrim", {17: settings})]
    pin.set(True)
    pin.set(False)
    assert gpiod.values == [(17, "active"), (17, "inactive")]
    pin.close()
    assert gpiod.released


def test_a_gpio_input_is_read() -> None:
    gpiod = FakeGpiod()
    pin = ChipLine("/dev/gpiochip0", 4, "in", False, gpiod)
    assert gpiod.asked[0][2] == {4: {"direction": "input", "active_low": False}}
    assert pin.get() is False
    gpiod.value = "active"
    assert pin.get() is True


def test_a_missing_chip_is_said_clearly() -> None:
    with pytest.raises(OutputError, match=r"/dev/none line 3: .*No such file"):
        ChipLine("/dev/none", 3, "out", False, FakeGpiod())


def test_a_missing_chip_with_the_real_package() -> None:
    pytest.importorskip("gpiod")
    with pytest.raises(OutputError, match="/dev/none line 3"):
        ChipLine("/dev/none", 3, "out", False)


def test_a_missing_or_old_package_is_said_clearly(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiod", None)
    with pytest.raises(OutputError, match="needs the Python package gpiod"):
        ChipLine("/dev/gpiochip0", 3, "out", False)
    monkeypatch.setitem(sys.modules, "gpiod", SimpleNamespace())
    with pytest.raises(OutputError, match="too old"):
        ChipLine("/dev/gpiochip0", 3, "out", False)


# --- external transmit state ---------------------------------------------------------------------


class FakeContact(Contact):
    def __init__(self) -> None:
        self.is_closed = False
        self.broken = False
        self.opened = 0

    async def open(self) -> None:
        self.opened += 1
        if self.broken:
            raise OutputError("unplugged")

    async def closed(self) -> bool:
        if self.broken:
            raise OutputError("unplugged")
        return self.is_closed

    def close(self) -> None:
        self.opened = 0


def test_transmit_state_from_contacts() -> None:
    clock = VirtualClock(0.0)
    told: list[tuple[float, bool | None]] = []
    one, other = FakeContact(), FakeContact()

    async def main() -> None:
        external = ExternalTransmit(
            (one, other), clock, lambda on: told.append((round(clock.monotonic_s(), 3), on))
        )
        task = asyncio.create_task(external.run())
        await clock.sleep(1.01)
        other.is_closed = True
        await clock.sleep(1.0)
        other.is_closed = False  # 2.01: a bounce, shorter than two looks
        await clock.sleep(0.02)
        other.is_closed = True
        await clock.sleep(1.0)
        other.is_closed = False  # 3.03
        await clock.sleep(1.0)
        one.broken = True  # 4.03
        await clock.sleep(1.0)
        other.is_closed = True  # 5.03: known again, by the other
        await clock.sleep(2.0)
        one.broken = other.is_closed = False  # 7.03
        await clock.sleep(2.0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert one.opened == other.opened == 0

    clock.run(main())
    assert [on for _, on in told] == [False, True, False, None, True, False]
    assert [at_s for at_s, _ in told[:4]] == pytest.approx([0.0, 1.02, 3.06, 4.04], abs=0.021)
    assert told[4][0] <= 6.1
    assert told[5][0] <= 7.1


def test_contacts_of_a_config() -> None:
    async def scene(shack: Shack) -> None:
        foot, relay = make_contacts(CONFIG, shack.ports, shack.request)
        with pytest.raises(OutputError):
            await foot.closed()
        for contact in (foot, relay):
            await contact.open()
            assert await contact.closed() is False
        shack.opened[0].inputs["cts"] = True
        shack.pins[0].active = True
        assert await foot.closed() is True
        assert await relay.closed() is True
        assert shack.pins[0].direction == "in"
        relay.close()

    assert len(play(scene).opened) == 1


# --- what a pseudo-terminal can show ------------------------------------------------------------


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """(master, path of the slave)."""
    master, slave = os.openpty()
    path = os.ttyname(slave)
    os.close(slave)
    yield master, path
    os.close(master)


def no_modem_lines(fd: int, request: int, argument: Any = 0) -> Any:
    """In place of the calls that a pseudo-terminal does not know."""
    if request in (termios.TIOCMBIS, termios.TIOCMBIC, termios.TIOCMGET):
        return argument
    return fcntl.ioctl(fd, request, argument)


def test_a_port_without_modem_lines_is_refused(terminal: tuple[int, str]) -> None:
    async def scene(shack: Shack) -> None:
        port = Ports().get(terminal[1])
        with pytest.raises(OutputError, match=rf"{terminal[1]}: .*ioctl"):
            await port.open()
        port.close()

    play(scene)


def test_a_port_is_locked_and_hangs_up_when_closed(terminal: tuple[int, str]) -> None:
    master, path = terminal
    attributes = termios.tcgetattr(master)
    attributes[2] = attributes[2] & ~(termios.HUPCL | termios.CLOCAL) | termios.CRTSCTS
    termios.tcsetattr(master, termios.TCSANOW, attributes)
    assert termios.tcgetattr(master)[2] & termios.CRTSCTS
    lines = ModemLines(path, no_modem_lines)
    flags = termios.tcgetattr(master)[2]
    assert flags & termios.HUPCL
    assert flags & termios.CLOCAL
    assert not flags & termios.CRTSCTS
    with pytest.raises(OSError):  # locked, or EBUSY for those who are not root
        ModemLines(path, no_modem_lines)
    lines.close()
    ModemLines(path, no_modem_lines).close()


def test_lines_are_lowered_before_anything_else(terminal: tuple[int, str]) -> None:
    seen: list[tuple[int, int]] = []

    def watch(fd: int, request: int, argument: bytes) -> bytes:
        seen.append((request, int.from_bytes(argument, sys.byteorder)))
        return argument

    lines = ModemLines(terminal[1], watch)
    both = termios.TIOCM_RTS | termios.TIOCM_DTR
    assert set(seen) == {(termios.TIOCMBIC, both)}
    seen.clear()
    lines.set("rts", True)
    lines.set("dtr", False)
    assert seen == [
        (termios.TIOCMBIS, termios.TIOCM_RTS),
        (termios.TIOCMBIC, termios.TIOCM_DTR),
    ]
    lines.close()
    assert seen[-1] == (termios.TIOCMBIC, both)


KEYED = """
    import asyncio, sys
    sys.path[:0] = [{daemon!r}, {drivers!r}, {unit!r}, {tests!r}]
    from test_keying_keyer import GOOD
    from test_keying_lines import no_modem_lines
    from moontrim.clock.system import SystemClock
    from moontrim.keying.keyer import Keyer
    from moontrim.keying.modemlines import ModemLines, Ports
    from moontrim.keying.outputs import make_outputs
    from moontrim.config.keying import KeyingSettings

    config = KeyingSettings.model_validate({{"enabled": True, "outputs": [
        {{"kind": "rts", "name": "relay", "port": {path!r}, "settle_ms": 10}},
        {{"kind": "dtr", "name": "key", "port": {path!r}, "settle_ms": 0, "keys_radio": True}}]}})

    async def main():
        clock = SystemClock()
        ports = Ports(opener=lambda path: ModemLines(path, no_modem_lines))
        outputs = make_outputs(config, clock, key_radio=None, publish=None, ports=ports)
        keyer = Keyer(config, outputs, clock, lambda: GOOD, lambda on: None)
        running = asyncio.create_task(keyer.run())
        await asyncio.sleep(0.2)
        await keyer.request("test")
        print(keyer.view.state, flush=True)
        await running

    asyncio.run(main())
"""


def test_killed_while_keyed_the_port_is_let_go(terminal: tuple[int, str]) -> None:
    """kill -9 of a process that holds its lines: the port hangs up at once, nobody else holds it,
    and it can be taken again."""
    master, path = terminal
    program = textwrap.dedent(KEYED).format(
        daemon=str(ROOT / "daemon"),
        drivers=str(ROOT / "drivers"),
        unit=str(Path(__file__).parent),
        tests=str(ROOT / "tests"),
        path=path,
    )
    process = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE)
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == b"keyed"
        hung_up = select.poll()
        hung_up.register(master, select.POLLHUP)
        assert hung_up.poll(0) == []
        process.send_signal(signal.SIGKILL)
        assert hung_up.poll(2000) == [(master, select.POLLHUP)]
        process.wait(5)
    finally:
        process.kill()
        process.communicate()
    ModemLines(path, no_modem_lines).close()


# --- without the daemon --------------------------------------------------------------------------


def test_unkey_drops_every_line() -> None:
    shack = Shack()
    dropped = unkey(
        CONFIG,
        RadioSettings(),
        publish=shack.publish,
        opener=shack.open,
        requester=shack.request,
    )
    assert [str(one) for one in dropped] == ["key: off", "amplifier: off", "mast: off", "coax: off"]
    assert shack.changes[:2] == [("dtr", False), ("rts", False)]
    assert ("closed", False) in shack.changes
    assert shack.pins[0].log == [False, False, "closed"]
    assert shack.published == [("shack/mast", "off")]


def test_unkey_says_what_it_could_not_reach_and_drops_the_rest() -> None:
    shack = Shack()
    shack.missing = True
    dropped = unkey(CONFIG, RadioSettings(), opener=shack.open, requester=shack.request)
    assert [bool(one.trouble) for one in dropped] == [True, True, True, False]
    assert "No such file" in str(dropped[0])
    assert "must switch off without messages" in str(dropped[2])
    assert shack.pins[0].log == [False, False, "closed"]


def test_unkey_tells_the_radio_to_receive() -> None:
    config = KeyingSettings.model_validate({"enabled": True, "outputs": [{"kind": "radio"}]})
    clock = SystemClock()
    driver = SimulatedDriver(SimulatedOptions(), clock)

    async def key() -> None:
        await driver.open()
        await driver.set_transmit(True)
        assert (await driver.read()).transmitting
        driver.radio.press_split(False)  # which this radio does not change under RF
        await driver.close()

    async def transmitting() -> bool | None:
        await driver.open()
        return (await driver.read()).transmitting

    asyncio.run(key())
    (only,) = unkey(config, RadioSettings(), clock=clock, driver=lambda: driver)
    assert str(only) == "radio: off"
    assert asyncio.run(transmitting()) is False


def test_unkey_needs_no_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A station whose home is left to the GPS receiver is unkeyed after a crash like any other."""
    config = tmp_path / "van.toml"
    config.write_text("""
        gps = {source = "gpsd", use_for_home = true}
        [[bands]]
        name = "10 GHz"
        sked_hz = 10_368_100_000
        tx_low_hz = 10_368_000_000
        tx_high_hz = 10_370_000_000
        drive_ceiling = 0.2
        [keying]
        enabled = true
        outputs = [{kind = "simulated", name = "relay", settle_ms = 100}, {kind = "radio"}]
    """)
    assert moontrim(["unkey", "--config", str(config)]) == 0
    assert capsys.readouterr().out == "radio: off\nrelay: off\n"


def test_unkey_waits_for_the_rf_to_end_before_a_relay_moves(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    line = {"kind": "gpio", "chip": "/dev/gpiochip0", "settle_ms": 9}
    outputs = [
        line | {"name": "coax", "line": 17, "release_ms": 50},
        line | {"name": "amplifier", "line": 18, "release_ms": 70},
        line | {"name": "key", "line": 19, "release_ms": 120, "keys_radio": True},
    ]
    config = KeyingSettings.model_validate({"enabled": True, "outputs": outputs})
    clock, shack, fell_s = VirtualClock(0.0), Shack(), []

    def request(chip: str, number: int, direction: str, active_low: bool) -> GpioRequest:
        fell_s.append((number, clock.monotonic_s()))  # requested as an output that is off
        return shack.request(chip, number, direction, active_low)

    monkeypatch.setattr("moontrim.keying.unkey.asyncio.run", clock.run)
    unkey(config, RadioSettings(), clock=clock, requester=request)
    assert fell_s == [(19, 0.0), (18, pytest.approx(0.12)), (17, pytest.approx(0.19))]


def test_unkey_leaves_everything_alone_where_keying_is_off() -> None:
    off = CONFIG.model_copy(update={"enabled": False})
    assert unkey(off, RadioSettings(), opener=plain_path) == []  # type: ignore[arg-type]


def test_a_port_by_identity_needs_somebody_to_look_it_up() -> None:
    with pytest.raises(OutputError, match="only a device path"):
        plain_path("usb:0403:6001")
    shack = Shack()
    ports = Ports(resolve=lambda port: "/dev/found", opener=shack.open)

    async def main() -> None:
        await ports.get("usb:0403:6001").open()
        ports.close()

    asyncio.run(main())
    assert shack.opened[0].path == "/dev/found"


def test_a_port_by_identity_that_is_not_there() -> None:
    def look_up(port: str) -> str:
        raise RigUnreachable(f"{port} not found")

    async def main() -> None:
        ports = Ports(resolve=look_up)
        with pytest.raises(OutputError, match="usb:0403:6001 not found"):
            await ports.get("usb:0403:6001").open()
        ports.close()

    asyncio.run(main())
