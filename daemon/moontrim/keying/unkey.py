"""Switches off every output of a config without the daemon: for when it is dead.

The radio goes first, then the other outputs in reverse order, each by itself, so that one that
cannot be reached does not keep the others on. A serial port normally lowered its lines when the
daemon died. It is opened all the same, for adapters that do not, at the price of a pulse on its
lines as long as about one USB transfer."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from moontrim.clock.system import Clock, SystemClock
from moontrim.config.keying import KeyingSettings
from moontrim.config.radio import RadioSettings
from moontrim.keying.gpio import ChipLine, Requester
from moontrim.keying.modemlines import ModemLines, Opener, OutputError, Ports, Resolve, plain_path
from moontrim.keying.outputs import Output, Publish, make_outputs
from moontrim_drivers.contract import RigDriver, RigError
from moontrim_drivers.registry import load

DEADLINE_S = 3.0  # chosen: for each output, including the time to connect to the radio


@dataclass(frozen=True, slots=True)
class SwitchedOff:
    """The result for one output. trouble: why it may still be on; empty if it is off."""

    name: str
    trouble: str = ""

    def __str__(self) -> str:
        return f"{self.name}: {self.trouble or 'off'}"


def unkey(
    keying: KeyingSettings,
    radio: RadioSettings,
    *,
    clock: Clock | None = None,
    driver: Callable[[], RigDriver] | None = None,
    publish: Publish | None = None,
    resolve: Resolve = plain_path,
    opener: Opener = ModemLines,
    requester: Requester = ChipLine,
) -> list[SwitchedOff]:
    """Switches off every output of the config. Returns a result for each, in the order of doing;
    none, with nothing touched, when keying is not enabled. Never raises for an output.

    driver: makes the radio's driver; default: the one of the config.
    publish: sends to networked relays; without it they are reported as not reached."""
    if not keying.enabled:
        return []
    clock = clock or SystemClock()

    def configured_driver() -> RigDriver:
        return load(radio.driver)(radio.driver_options(), clock)

    async def key_radio(on: bool) -> None:
        await _unkey_radio((driver or configured_driver)())

    async def not_reached(topic: str, payload: str) -> None:
        raise OutputError("not reachable without the daemon; must switch off without messages")

    ports = Ports(resolve, opener)
    outputs = make_outputs(
        keying,
        clock,
        key_radio=key_radio,
        publish=publish or not_reached,
        ports=ports,
        requester=requester,
    )
    releases_s = [output.release_ms / 1000 for output in keying.outputs]
    return asyncio.run(_switch_all_off(outputs, releases_s, clock))


async def _switch_all_off(
    outputs: tuple[Output, ...], releases_s: list[float], clock: Clock
) -> list[SwitchedOff]:
    results: list[SwitchedOff] = []
    wait_s = 0.0
    try:
        for output, release_s in zip(reversed(outputs), reversed(releases_s), strict=True):
            await clock.sleep(wait_s)
            results.append(SwitchedOff(output.name, await _switch_off(output, clock)))
            wait_s = release_s  # RF takes so long to end, and relays to open
    finally:
        for output in reversed(outputs):
            output.close()
    return results


async def _switch_off(output: Output, clock: Clock) -> str:
    """Returns why the output may still be on; empty if it is off."""
    try:
        async with clock.timeout(DEADLINE_S):
            await output.open()
            await output.off()
    except TimeoutError:
        return f"no answer within {DEADLINE_S:g} s"
    except Exception as error:
        return str(error) or repr(error)
    return ""


async def _unkey_radio(driver: RigDriver) -> None:
    try:
        await driver.open(unkey=True)
        await driver.set_transmit(False)
        if (await driver.read()).transmitting:
            raise RigError("set to receive, still transmitting")
    finally:
        await driver.close()
