"""`moontrim simulate`: serves a simulated radio on a real wire, for any program to open."""

from __future__ import annotations

import argparse
import asyncio
import json
import selectors
import signal
import sys
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from moontrim.cli.parser import add_command
from moontrim.clock.system import Clock, SystemClock
from moontrim.config.mistakes import mistakes
from moontrim.errors import InputError, reason_of
from moontrim_drivers.simulated.options import SimulatedOptions

if TYPE_CHECKING:
    from moontrim_drivers.simulated.radio import OnChange, SimulatedRadio

BUSES = ("civ", "asciicat", "socket")


def add(commands: Any) -> None:
    command = add_command(commands, "simulate", call, example="--bus civ --link radio")
    command.add_argument("--bus", choices=BUSES, required=True, help="protocol of the radio")
    command.add_argument(
        "--link",
        type=Path,
        metavar="PATH",
        help="keep a symbolic link to the pseudo-terminal at PATH",
    )
    command.add_argument(
        "--baud", type=int, default=19200, metavar="N",
        help="simulate N bit/s timing; 0: no delay (default: 19200)",
    )  # fmt: skip
    command.add_argument(
        "--address",
        default="0xA2",
        metavar="N",
        help="address of the radio on bus civ (default: 0xA2)",
    )
    command.add_argument(
        "--bus-echo", action="store_true", help="single-wire bus: commands are echoed"
    )
    command.add_argument(
        "--other-receiver", type=int, default=0, metavar="HZ",
        help="frequency of a second receiver, whose band the dials cannot use (default: none)",
    )  # fmt: skip
    command.add_argument(
        "--port",
        type=int,
        default=0,
        metavar="N",
        help="TCP port on the loopback (default: a free one)",
    )
    command.add_argument(
        "--quirk", action="append", default=[], metavar="KEY=VALUE",
        help=f"change the radio: KEY is one of {', '.join(SimulatedOptions.model_fields)}; repeat "
        "for several",
    )  # fmt: skip
    command.add_argument(
        "--watch", action="store_true", help="print each change of the radio as one line of JSON"
    )


def call(options: argparse.Namespace) -> int:
    radio_options = _radio_options(options.quirk)
    if options.baud and not 300 <= options.baud <= 4_000_000:
        raise InputError("--baud", options.baud, "0, or 300 to 4000000")
    if not 0 <= options.port <= 65535:
        raise InputError("--port", options.port, "0 to 65535")
    if not 0 <= options.other_receiver < 10**10:
        raise InputError("--other-receiver", options.other_receiver, "0 to 9999999999")
    if options.bus == "socket" and options.link is not None:
        raise InputError("--link", str(options.link), problem="not valid with --bus socket")
    if options.bus != "socket" and options.port:
        raise InputError("--port", options.port, problem="valid only with --bus socket")
    link = options.link
    if link is not None and (not link.parent.is_dir() or (link.exists() and not link.is_symlink())):
        raise InputError("--link", str(link), "a new name or a link, in an existing folder")
    # Bytes take fractions of a millisecond; the default selector rounds waits up to whole ones.
    loop = asyncio.SelectorEventLoop(selectors.SelectSelector())
    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        runner.run(_serve(options, radio_options, _address(options.address)))
    return 0


async def _serve(
    options: argparse.Namespace, radio_options: SimulatedOptions, address: int
) -> None:
    from moontrim_drivers.simulated.radio import SimulatedRadio

    clock = SystemClock()
    radio = SimulatedRadio(radio_options, clock)
    if options.watch:
        radio.on_change = watcher = _watcher(clock)
        watcher(clock.monotonic_s(), radio.rx_dial_hz, radio.tx_dial_hz, radio.transmitting)
    serving = asyncio.create_task(
        _socket(radio, options) if options.bus == "socket" else _line(radio, options, address)
    )
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, serving.cancel)
    try:
        await serving
    except asyncio.CancelledError:
        pass
    except OSError as error:
        field = "--port" if options.bus == "socket" else "--link"
        value = options.port if options.bus == "socket" else str(options.link)
        raise InputError(field, value, problem=f"cannot use {value} ({reason_of(error)})") from None


async def _socket(radio: SimulatedRadio, options: argparse.Namespace) -> None:
    from moontrim_drivers.simulated.rigctld import SimSocket

    server = SimSocket(radio, port=options.port)
    async with await server.listen() as listening:
        print(f"{server.host}:{server.port}", flush=True)
        _explain(f'driver = "socket", options = {{ port = {server.port} }}')
        try:
            await listening.serve_forever()
        finally:
            await server.hang_up()


async def _line(radio: SimulatedRadio, options: argparse.Namespace, address: int) -> None:
    from moontrim_drivers.simulated.asciicat import AsciicatResponder
    from moontrim_drivers.simulated.civ import CivResponder
    from moontrim_drivers.simulated.pty import SimPty
    from moontrim_drivers.simulated.receivers import Receivers

    receivers = Receivers(radio, options.other_receiver)
    civ = options.bus == "civ"
    responder = CivResponder(receivers, address) if civ else AsciicatResponder(receivers)
    line = SimPty(radio, responder, SystemClock(), baud=options.baud, echo=options.bus_echo)
    line.link = options.link
    line.plugged = lambda path: print(path, flush=True)
    more = f", address = {address:#04x}" if civ else ""
    port = options.link or "the path printed"
    _explain(f'driver = "{options.bus}", options = {{ port = "{port}"{more} }}')
    await line.run()


def _watcher(clock: Clock) -> OnChange:
    """Returns a function that prints each change of the radio as a line of JSON."""

    def changed(at_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
        utc_s = clock.utc_s() - clock.monotonic_s() + at_s
        change = {
            "utc_s": utc_s,
            "rx_dial_hz": rx_hz,
            "tx_dial_hz": tx_hz,
            "transmitting": transmitting,
        }
        print(json.dumps(change), flush=True)

    return changed


def _radio_options(arguments: list[str]) -> SimulatedOptions:
    """Returns the options in arguments of the form KEY=VALUE, with values as in the config file.
    Raises InputError."""
    values: dict[str, Any] = {}
    for argument in arguments:
        key, equals, value = argument.partition("=")
        if not equals or key not in SimulatedOptions.model_fields:
            keys = ", ".join(SimulatedOptions.model_fields)
            raise InputError("--quirk", argument, f"KEY=VALUE with KEY one of {keys}")
        try:
            values[key] = tomllib.loads(f"value = {value}")["value"]
        except ValueError:
            problem = f"{key}: invalid value {value!r}; expected a value as in a config file"
            raise InputError("--quirk", argument, problem=problem) from None
    try:
        # A radio on a serial port answers in a few milliseconds (common practice).
        return SimulatedOptions.model_validate({"latency_s": 0.002, **values})
    except ValidationError as error:
        problem = mistakes(error, values, SimulatedOptions)[0]
        raise InputError("--quirk", None, problem=problem) from None


def _address(text: str) -> int:
    try:
        address = int(text, 0)
    except ValueError:
        address = 0
    if not 0x01 <= address <= 0xDF:
        raise InputError("--address", text, "0x01 to 0xDF")
    return address


def _explain(line: str) -> None:
    print(f"[radio]: {line}", file=sys.stderr)
