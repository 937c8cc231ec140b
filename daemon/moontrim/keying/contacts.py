"""An external relay or foot switch as transmit state, for a radio that cannot tell.

Any of several contacts counts. Transmitting is believed at the first look that shows it; receiving
only at the second in a row, so that a bouncing contact does not let the dial move under RF."""

from __future__ import annotations

import contextlib
import logging
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Literal

from moontrim.clock.system import Clock
from moontrim.config.keying import KeyingSettings
from moontrim.config.keyingports import AnyInput, LineInput
from moontrim.keying.gpio import ChipLine, GpioRequest, Requester
from moontrim.keying.modemlines import LinePort, OutputError, Ports

log = logging.getLogger(__name__)

POLL_S = 0.02
LOOKS_TO_RECEIVE = 2
REOPEN_S = 1.0


class Contact(ABC):
    """One contact that can be read. Raises OutputError when it cannot."""

    @abstractmethod
    async def open(self) -> None: ...

    @abstractmethod
    async def closed(self) -> bool:
        """Does it say that the radio transmits?"""

    @abstractmethod
    def close(self) -> None:
        """Let go of it; never raises."""


class SerialContact(Contact):
    """CTS or DSR of a serial port. The port may belong to outputs as well."""

    def __init__(self, port: LinePort, line: Literal["cts", "dsr"], active_low: bool) -> None:
        self._port = port
        self._line: Literal["cts", "dsr"] = line
        self._active_low = active_low

    async def open(self) -> None:
        await self._port.open()

    async def closed(self) -> bool:
        return await self._port.get(self._line) != self._active_low

    def close(self) -> None:
        pass  # whoever made the port closes it, after the outputs on it have been lowered


class GpioContact(Contact):
    def __init__(self, request: Callable[[], GpioRequest]) -> None:
        self._make = request
        self._held: GpioRequest | None = None

    async def open(self) -> None:
        if self._held is None:
            self._held = self._make()

    async def closed(self) -> bool:
        if self._held is None:
            raise OutputError("the line is not held")
        try:
            return self._held.get()
        except OSError as error:
            self.close()
            raise OutputError(f"GPIO: {error.strerror or error}") from None

    def close(self) -> None:
        held, self._held = self._held, None
        if held is not None:
            with contextlib.suppress(Exception):  # the chip may be gone
                held.close()


class ExternalTransmit:
    """Polls contacts and tells of every change.

    tell: True transmitting, False receiving, None: not known, because a contact cannot be read and
    no other says that the radio transmits. Told once at the start."""

    def __init__(
        self, contacts: tuple[Contact, ...], clock: Clock, tell: Callable[[bool | None], object]
    ) -> None:
        self.transmitting: bool | None = None
        self._contacts = contacts
        self._clock = clock
        self._tell = tell
        self._trouble = ""

    async def run(self) -> None:
        """Poll until cancelled. Returns at once without contacts."""
        if not self._contacts:
            return
        told = False
        quiet = 0
        try:
            while True:
                seen = await self._look()
                quiet = quiet + 1 if seen is False else 0
                if seen is False and self.transmitting and quiet < LOOKS_TO_RECEIVE:
                    seen = True
                if seen is not self.transmitting or not told:
                    told = True
                    self.transmitting = seen
                    self._tell(seen)
                await self._clock.sleep(REOPEN_S if seen is None else POLL_S)
        finally:
            for contact in self._contacts:
                contact.close()

    async def _look(self) -> bool | None:
        known, trouble = True, ""
        for contact in self._contacts:
            try:
                if self._trouble or self.transmitting is None:
                    await contact.open()
                if await contact.closed():
                    return True
            except OutputError as error:
                known, trouble = False, str(error)
        if trouble and trouble != self._trouble:
            log.warning("external transmit state: %s", trouble)
        self._trouble = trouble
        return False if known else None


def make_contacts(
    settings: KeyingSettings, ports: Ports, requester: Requester = ChipLine
) -> tuple[Contact, ...]:
    """The inputs of a config. Opens nothing."""

    def make(wanted: AnyInput) -> Contact:
        if isinstance(wanted, LineInput):
            return SerialContact(ports.get(wanted.port), wanted.kind, wanted.active_low)
        return GpioContact(lambda: requester(wanted.chip, wanted.line, "in", wanted.active_low))

    return tuple(make(wanted) for wanted in settings.inputs)
