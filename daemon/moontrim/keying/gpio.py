"""GPIO lines through the Python package gpiod, version 2 (libgpiod), which is optional.

The one place that imports it. Calls are short and made in the event loop."""

from __future__ import annotations

import contextlib
import importlib
import struct
from collections.abc import Callable
from typing import Any, Literal, Protocol, TypeVar

from moontrim.keying.modemlines import OutputError
from moontrim_drivers.emergencyunkey import EmergencyUnkey

T = TypeVar("T")

CONSUMER = "moontrim"  # shown as the user of the line by the tools of libgpiod
Direction = Literal["out", "in"]
# GPIO_V2_LINE_SET_VALUES_IOCTL; its bits, 0 for inactive, and its mask, the request's one line
# (Linux, include/uapi/linux/gpio.h).
SWITCH_OFF = 0xC010B40F, struct.pack("QQ", 0, 1)


class GpioRequest(Protocol):
    """One line, requested from the kernel. Its methods raise OSError when it is gone."""

    def set(self, on: bool) -> None:
        """Switches an output line."""

    def get(self) -> bool:
        """Returns whether the line is active."""

    def emergency_release(self) -> EmergencyUnkey:
        """Returns how another process switches an output off."""

    def close(self) -> None:
        """Gives the line back."""


Requester = Callable[[str, int, Direction, bool], GpioRequest]
"""Requests a line: chip, line, direction, active_low. Raises OutputError."""


class ChipLine:
    """A line of a chip, requested as an output that is off or as an input.

    Raises OutputError: no such chip or line, in use, or the package is missing or too old."""

    def __init__(
        self, chip: str, line: int, direction: Direction, active_low: bool, gpiod: Any = None
    ) -> None:
        if gpiod is None:
            gpiod = _package()
        self._line = line
        self._value = gpiod.line.Value
        if direction == "out":
            settings = gpiod.LineSettings(
                direction=gpiod.line.Direction.OUTPUT,
                active_low=active_low,
                output_value=self._value.INACTIVE,
            )
        else:
            settings = gpiod.LineSettings(
                direction=gpiod.line.Direction.INPUT, active_low=active_low
            )
        try:
            self._request = gpiod.request_lines(chip, consumer=CONSUMER, config={line: settings})
        except (OSError, ValueError) as error:
            raise OutputError(f"{chip} line {line}: {error}") from None

    def set(self, on: bool) -> None:
        self._request.set_value(self._line, self._value.ACTIVE if on else self._value.INACTIVE)

    def get(self) -> bool:
        return bool(self._request.get_value(self._line) == self._value.ACTIVE)

    def emergency_release(self) -> EmergencyUnkey:
        return EmergencyUnkey(descriptor=self._request.fd, ioctl=SWITCH_OFF)

    def close(self) -> None:
        self._request.release()


class ReopenableLine:
    """A GPIO line that is closed on any error and can be requested again with `open`.

    request: requests it, in this direction. Every method but `close` raises OutputError."""

    def __init__(self, request: Callable[[], GpioRequest], direction: Direction) -> None:
        self._make_request = request
        self._direction = direction
        self._request: GpioRequest | None = None

    @property
    def is_open(self) -> bool:
        """Whether the line is requested."""
        return self._request is not None

    def open(self) -> None:
        """Requests the line unless it is open."""
        if self._request is None:
            self._request = self._make_request()

    def set(self, on: bool) -> None:
        """Switches the line. It must be open."""
        self._guarded(lambda request: request.set(on))

    def get(self) -> bool:
        """Returns whether the line is active. It must be open."""
        return self._guarded(lambda request: request.get())

    def emergency_release(self) -> EmergencyUnkey | None:
        """Returns how another process switches an output off; None while it is not open."""
        return None if self._request is None else self._request.emergency_release()

    def close(self) -> None:
        """Switches an output off and gives the line back; harmless when not open; never raises."""
        request, self._request = self._request, None
        if request is None:
            return
        if self._direction == "out":
            with contextlib.suppress(Exception):  # the chip may be gone
                request.set(False)
        with contextlib.suppress(Exception):
            request.close()

    def _guarded(self, act: Callable[[GpioRequest], T]) -> T:
        if self._request is None:
            raise OutputError("the line is not held")
        try:
            return act(self._request)
        except OSError as error:
            self.close()
            raise OutputError(f"GPIO: {error.strerror or error}") from None


def _package() -> Any:
    try:
        gpiod = importlib.import_module("gpiod")
    except ImportError:
        raise OutputError("GPIO needs the Python package gpiod, version 2 or later") from None
    if not hasattr(gpiod, "request_lines"):
        raise OutputError("the Python package gpiod is too old; version 2 or later is needed")
    importlib.import_module("gpiod.line")
    return gpiod
