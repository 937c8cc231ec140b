"""An external relay or foot switch as transmit state, for a radio that cannot report it.

Any of several contacts counts. Transmitting is taken from the first poll that shows it; receiving
only from the second in a row, so that a bouncing contact does not let the dial move under RF."""

from __future__ import annotations

import logging
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Literal

from moontrim.clock.system import Clock
from moontrim.config.keying import KeyingSettings
from moontrim.config.keyingports import AnyInput, LineInput
from moontrim.keying.gpio import ChipLine, GpioRequest, ReopenableLine, Requester
from moontrim.keying.modemlines import LinePort, OutputError, Ports

log = logging.getLogger(__name__)

POLL_S = 0.02  # chosen: longer than contacts bounce (a few ms), short beside a dial step
POLLS_TO_RECEIVE = 2
REOPEN_S = 1.0  # chosen: how often a contact that cannot be read is tried again


class Contact(ABC):
    """One contact that can be read. `open` and `closed` raise OutputError when it cannot."""

    @abstractmethod
    async def open(self) -> None:
        """Makes the contact readable; harmless when it is."""

    @abstractmethod
    async def closed(self) -> bool:
        """Returns whether the contact says that the radio transmits."""

    @abstractmethod
    def close(self) -> None:
        """Stops reading it; never raises."""


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
        pass  # the maker of the port closes it, after the outputs on it have been lowered


class GpioContact(Contact):
    """A GPIO line as an input. request: requests the line as an input."""

    def __init__(self, request: Callable[[], GpioRequest]) -> None:
        self._line = ReopenableLine(request, "in")

    async def open(self) -> None:
        self._line.open()

    async def closed(self) -> bool:
        return self._line.get()

    def close(self) -> None:
        self._line.close()


class ExternalTransmit:
    """Polls contacts and reports every change of the transmit state.

    report: called with True (transmitting), False (receiving) or None (unknown: a contact cannot
        be read and no other says that the radio transmits); also called once at the start."""

    def __init__(
        self, contacts: tuple[Contact, ...], clock: Clock, report: Callable[[bool | None], object]
    ) -> None:
        self.transmitting: bool | None = None
        self._contacts = contacts
        self._clock = clock
        self._report = report
        self._trouble = ""

    async def run(self) -> None:
        """Polls until cancelled. Returns at once without contacts."""
        if not self._contacts:
            return
        reported = False
        receive_polls = 0
        try:
            while True:
                transmitting = await self._poll()
                receive_polls = receive_polls + 1 if transmitting is False else 0
                if 0 < receive_polls < POLLS_TO_RECEIVE and self.transmitting:
                    transmitting = True
                if transmitting is not self.transmitting or not reported:
                    reported = True
                    self.transmitting = transmitting
                    self._report(transmitting)
                await self._clock.sleep(REOPEN_S if transmitting is None else POLL_S)
        finally:
            for contact in self._contacts:
                contact.close()

    async def _poll(self) -> bool | None:
        """Reads the contacts once, as in `report`."""
        all_readable, trouble = True, ""
        for contact in self._contacts:
            try:
                if self._trouble or self.transmitting is None:
                    await contact.open()
                if await contact.closed():
                    return True
            except OutputError as error:
                all_readable, trouble = False, str(error)
        if trouble and trouble != self._trouble:
            log.warning("external transmit state: %s", trouble)
        self._trouble = trouble
        return False if all_readable else None


def make_contact(wanted: AnyInput, ports: Ports, requester: Requester = ChipLine) -> Contact:
    """Returns the contact of an input of the config. Opens nothing."""
    if isinstance(wanted, LineInput):
        return SerialContact(ports.get(wanted.port), wanted.kind, wanted.active_low)
    return GpioContact(lambda: requester(wanted.chip, wanted.line, "in", wanted.active_low))


def make_contacts(
    settings: KeyingSettings, ports: Ports, requester: Requester = ChipLine
) -> tuple[Contact, ...]:
    """Returns the inputs of a config, in its order. Opens none."""
    return tuple(make_contact(wanted, ports, requester) for wanted in settings.inputs)
