"""What the transmit sequence switches. Knows neither the order nor the reasons; see `sequence`.

A radio and a networked relay are reached through callables that the composition root passes in, so
that this module knows neither the rig link nor MQTT."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Awaitable, Callable
from typing import Literal

from moontrim.clock.system import Clock
from moontrim.config.keying import KeyingSettings
from moontrim.config.keyingports import AnyOutput, GpioOutput, LineOutput, MqttOutput, RadioOutput
from moontrim.keying.gpio import ChipLine, GpioRequest, ReopenableLine, Requester
from moontrim.keying.modemlines import LinePort, Ports
from moontrim.keying.sequence import Role, Stage
from moontrim_drivers.emergencyunkey import EmergencyUnkey

KeyRadio = Callable[[bool], Awaitable[None]]
"""Keys (True) or unkeys the radio; returns once the radio has confirmed, raises if it has not."""

Publish = Callable[[str, str], Awaitable[None]]
"""Sends a payload to an MQTT topic; returns once the broker has confirmed, raises if it has not."""


class Output(ABC):
    """One thing to switch. `on` and `off` return once the output is on or off, as far as can be
    known, and raise any exception when it is not or may not be; both may be called again.

    Either may be cancelled at any await. `off` then follows, and must win over an `on` that is
    still under way.

    on_answers: how many answers, each with a deadline, `on` waits for; `off` waits for one."""

    on_answers = 1

    def __init__(self, name: str) -> None:
        self.name = name

    async def open(self) -> None:  # noqa: B027 (most have nothing to open)
        """Makes the output ready; one that is opened anew is off. Called before the first output
        of a sequence is switched on, never during a sequence."""

    @abstractmethod
    async def on(self) -> None:
        """Switches it on."""

    @abstractmethod
    async def off(self) -> None:
        """Switches it off."""

    async def check_present(self) -> None:  # noqa: B027 (most cannot tell)
        """Raises when an output that was switched on is known not to be on any more."""

    def emergency_unkey(self) -> EmergencyUnkey | None:
        """Returns how another process switches it off while it is open; None where none can."""
        return None

    def close(self) -> None:  # noqa: B027
        """Switches it off at once in whatever state it is, and closes it. Never waits, never
        raises. An output that needs an answer to switch off (radio, network) relies on `off`."""


class RadioKey(Output):
    """The radio's transmit command, which the rig link sends after a last look."""

    on_answers = 5  # the guard, drive, settings, dials, and the key itself

    def __init__(self, name: str, key: KeyRadio) -> None:
        super().__init__(name)
        self._key = key

    async def on(self) -> None:
        await self._key(True)

    async def off(self) -> None:
        await self._key(False)


class SerialLine(Output):
    """RTS or DTR of a serial port. Goes low when the port is closed."""

    def __init__(self, name: str, port: LinePort, line: Literal["rts", "dtr"]) -> None:
        super().__init__(name)
        self._port = port
        self._line: Literal["rts", "dtr"] = line

    async def open(self) -> None:
        await self._port.open()

    async def on(self) -> None:
        await self._port.set(self._line, True)

    async def off(self) -> None:
        await self._port.set(self._line, False)

    async def check_present(self) -> None:
        await self._port.get("cts")  # its state does not matter: an adapter that is gone raises

    def emergency_unkey(self) -> EmergencyUnkey | None:
        return self._port.emergency_lower(self._line)

    def close(self) -> None:
        self._port.close()


class GpioLineOutput(Output):
    """A GPIO line as an output. Its state after `close` is up to the chip.

    request: requests the line as an output that is off."""

    def __init__(self, name: str, request: Callable[[], GpioRequest]) -> None:
        super().__init__(name)
        self._line = ReopenableLine(request, "out")

    async def open(self) -> None:
        self._line.open()

    async def on(self) -> None:
        self._line.set(True)

    async def off(self) -> None:
        if self._line.is_open:  # closing has switched it off
            self._line.set(False)

    async def check_present(self) -> None:
        self._line.get()

    def emergency_unkey(self) -> EmergencyUnkey | None:
        return self._line.emergency_release()

    def close(self) -> None:
        self._line.close()


class NetworkRelay(Output):
    """A relay that subscribes to an MQTT topic."""

    def __init__(self, name: str, publish: Publish, settings: MqttOutput) -> None:
        super().__init__(name)
        self._publish = publish
        self._settings = settings

    async def on(self) -> None:
        await self._publish(self._settings.topic, self._settings.on_payload)

    async def off(self) -> None:
        await self._publish(self._settings.topic, self._settings.off_payload)


class LineKey(Output):
    """An output that keys the radio past its own command.

    key: called with it in place of `on` and `off`: it looks first, and has it guarded."""

    on_answers = 5  # the guard, drive, settings, dials, and the line itself

    def __init__(self, output: Output, key: Callable[[Output, bool], Awaitable[None]]) -> None:
        super().__init__(output.name)
        self.output = output
        self._key = key

    async def open(self) -> None:
        await self.output.open()

    async def on(self) -> None:
        await self._key(self.output, True)

    async def off(self) -> None:
        await self._key(self.output, False)

    async def check_present(self) -> None:
        await self.output.check_present()

    def close(self) -> None:
        self.output.close()


class SimulatedOutput(Output):
    """An output that switches nothing, for rehearsals and tests.

    changes: (monotonic seconds, on) of the last thousand changes."""

    def __init__(self, name: str, clock: Clock) -> None:
        super().__init__(name)
        self.is_on = False
        self.changes: deque[tuple[float, bool]] = deque(maxlen=1000)
        self._clock = clock

    async def on(self) -> None:
        self._become(True)

    async def off(self) -> None:
        self._become(False)

    def close(self) -> None:
        self._become(False)

    def _become(self, on: bool) -> None:
        if on != self.is_on:
            self.is_on = on
            self.changes.append((self._clock.monotonic_s(), on))


def make_stages(settings: KeyingSettings) -> list[Stage]:
    """Returns the waits and roles of the outputs of a config, in its order."""
    return [
        Stage(output.settle_ms / 1000, output.release_ms / 1000, Role(output.role))
        for output in settings.outputs
    ]


def make_outputs(
    settings: KeyingSettings,
    clock: Clock,
    *,
    key_radio: KeyRadio,
    publish: Publish,
    ports: Ports,
    requester: Requester = ChipLine,
) -> tuple[Output, ...]:
    """Returns the outputs of a config, in its order. Opens none."""

    def make(output: AnyOutput) -> Output:
        match output:
            case RadioOutput():
                return RadioKey(output.name, key_radio)
            case LineOutput():
                return SerialLine(output.name, ports.get(output.port), output.kind)
            case GpioOutput():
                return GpioLineOutput(
                    output.name,
                    lambda: requester(output.chip, output.line, "out", output.active_low),
                )
            case MqttOutput():
                return NetworkRelay(output.name, publish, output)
            case _:
                return SimulatedOutput(output.name, clock)

    return tuple(make(output) for output in settings.outputs)
