"""What the transmit sequence switches. Knows neither order nor reasons; see `sequence`.

A radio and a networked relay are reached through callables given from outside, so that this knows
neither the rig link nor MQTT."""

from __future__ import annotations

import contextlib
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Awaitable, Callable
from typing import Literal

from moontrim.clock.system import Clock
from moontrim.config.keying import KeyingSettings
from moontrim.config.keyingports import AnyOutput, GpioOutput, LineOutput, MqttOutput, RadioOutput
from moontrim.keying.gpio import ChipLine, GpioRequest, Requester
from moontrim.keying.modemlines import LinePort, OutputError, Ports

KeyRadio = Callable[[bool], Awaitable[None]]
Publish = Callable[[str, str], Awaitable[None]]


class Output(ABC):
    """One thing to switch. `on` and `off` return once it is so, as far as can be known, and raise
    when it is not or may not be; both are harmless when it is so already.

    Either may be cancelled at any await. `off` then follows, and must win over whatever of an `on`
    is still under way."""

    def __init__(self, name: str) -> None:
        self.name = name

    async def open(self) -> None:  # noqa: B027 (most have nothing to open)
        """Make ready; what is opened anew is off. Called before the first output of a sequence is
        switched on, never during one."""

    @abstractmethod
    async def on(self) -> None: ...

    @abstractmethod
    async def off(self) -> None: ...

    async def there(self) -> None:  # noqa: B027 (of most nothing can be told)
        """Raise when it is known not to be on any more, though it was switched on."""

    def close(self) -> None:  # noqa: B027
        """Drop it at once, whatever state it is in, and let go. Never waits, never raises. What
        can only be told in a conversation (radio, network) has been told by `off`."""


class RadioKey(Output):
    """The radio's transmit command. key: returns once the radio has confirmed, raises if it has
    not."""

    def __init__(self, name: str, key: KeyRadio) -> None:
        super().__init__(name)
        self._key = key

    async def on(self) -> None:
        await self._key(True)

    async def off(self) -> None:
        await self._key(False)


class SerialLine(Output):
    """RTS or DTR of a serial port. Falls with the port."""

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

    async def there(self) -> None:
        await self._port.get("cts")  # whatever that says: an adapter that is gone says nothing

    def close(self) -> None:
        self._port.close()


class GpioLineOutput(Output):
    """A GPIO line. What it does after `close` is up to the chip."""

    def __init__(self, name: str, request: Callable[[], GpioRequest]) -> None:
        super().__init__(name)
        self._make = request
        self._held: GpioRequest | None = None

    async def open(self) -> None:
        if self._held is None:
            self._held = self._make()

    async def on(self) -> None:
        if self._held is None:
            raise OutputError("the line is not held")
        self._set(True)

    async def off(self) -> None:
        if self._held is not None:
            self._set(False)

    async def there(self) -> None:
        if self._held is None:
            raise OutputError("the line is not held")
        try:
            self._held.get()
        except OSError as error:
            self.close()
            raise OutputError(f"GPIO: {error.strerror or error}") from None

    def close(self) -> None:
        held, self._held = self._held, None
        if held is not None:
            with contextlib.suppress(Exception):  # the chip may be gone
                held.set(False)
            with contextlib.suppress(Exception):
                held.close()

    def _set(self, on: bool) -> None:
        assert self._held is not None
        try:
            self._held.set(on)
        except OSError as error:
            self.close()
            raise OutputError(f"GPIO: {error.strerror or error}") from None


class NetworkRelay(Output):
    """A relay that listens to an MQTT topic. publish: returns once the broker has confirmed."""

    def __init__(self, name: str, publish: Publish, settings: MqttOutput) -> None:
        super().__init__(name)
        self._publish = publish
        self._settings = settings

    async def on(self) -> None:
        await self._publish(self._settings.topic, self._settings.on_payload)

    async def off(self) -> None:
        await self._publish(self._settings.topic, self._settings.off_payload)


class SimulatedOutput(Output):
    """Switches nothing. changes: (monotonic seconds, on) of the last thousand changes."""

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


def make_outputs(
    settings: KeyingSettings,
    clock: Clock,
    *,
    key_radio: KeyRadio,
    publish: Publish,
    ports: Ports,
    requester: Requester = ChipLine,
) -> tuple[Output, ...]:
    """The outputs of a config, in its order. Opens nothing."""

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
