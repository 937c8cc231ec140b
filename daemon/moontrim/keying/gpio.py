"""GPIO lines through the Python package gpiod, version 2 (libgpiod), which is optional.

The one place that imports it. Calls are short and made as they come."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any, Literal, Protocol

from moontrim.keying.modemlines import OutputError

CONSUMER = "moontrim"
Direction = Literal["out", "in"]


class GpioRequest(Protocol):
    """One line, held. OSError when it is gone."""

    def set(self, on: bool) -> None: ...

    def get(self) -> bool: ...

    def close(self) -> None: ...


Requester = Callable[[str, int, Direction, bool], GpioRequest]


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

    def close(self) -> None:
        self._request.release()


def _package() -> Any:
    try:
        gpiod = importlib.import_module("gpiod")
    except ImportError:
        raise OutputError("GPIO needs the Python package gpiod, version 2 or later") from None
    if not hasattr(gpiod, "request_lines"):
        raise OutputError("the Python package gpiod is too old; version 2 or later is needed")
    importlib.import_module("gpiod.line")
    return gpiod
