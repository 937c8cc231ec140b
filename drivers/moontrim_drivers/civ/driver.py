"""A radio on the addressed binary bus (frames FE FE .. FD), alone or among others on one wire.

Builds the frames for each call of the contract from `codec` and sends them through
`serial.exchange`. Both dials are set and read by command 25, which changes no selection. A radio
that lacks it sets and reads its one dial by 05 and 03, and has no split operation with this driver:
its second dial could only be reached by switching the receiver away and back.
"""

from __future__ import annotations

import contextlib
import random
from collections.abc import AsyncIterator

from moontrim_drivers.civ import codec as bus
from moontrim_drivers.civ.exchange import CivExchange, Collision
from moontrim_drivers.civ.options import CivOptions, parse_command
from moontrim_drivers.contract import RigDetails, RigGarbled, RigNotSuitable, RigRefused, RigState
from moontrim_drivers.limits import check_mode
from moontrim_drivers.serial.driver import SerialDriver
from moontrim_drivers.serial.exchange import shown

# After a collision a random pause, so that both do not send at once again. Chosen: a few frames.
COLLISION_PAUSE_S = (0.02, 0.06)
NEVER_KEYED = (
    "this radio does not report whether it transmits, so it is never keyed; key by another output"
)
LONGEST_CALL = 8  # frames sent in one set_dials, repeated readings included

SELECTED, OTHER = b"\x25\x00", b"\x25\x01"
TRANSMIT, SPLIT, POWER, PASSBAND = b"\x1c\x00", b"\x0f", b"\x14\x0a", b"\x1a\x03"
OFFSET, RIT, XIT, ADDRESS = b"\x21\x00", b"\x21\x01", b"\x21\x02", b"\x19\x00"


class CivDriver(SerialDriver):
    """The driver of a radio on the addressed binary bus."""

    Options = CivOptions
    options: CivOptions
    highest_dial_hz = bus.HIGHEST_DIAL_HZ
    driver_pauses_s = LONGEST_CALL * COLLISION_PAUSE_S[1]
    _has_both_dials = True
    _reports_split = True

    async def set_transmit(self, on: bool) -> None:
        if on and not self._reports_transmit:
            raise RigNotSuitable(NEVER_KEYED)
        if on:
            await self._check_split()
        try:
            await self._set(TRANSMIT + bytes((on,)))
        except RigRefused:
            if not self._reports_transmit:
                raise RigNotSuitable(NEVER_KEYED) from None
            raise
        if self._reports_transmit:
            await self._confirm_transmit(on)

    async def details_in_parts(self) -> AsyncIterator[RigDetails | None]:
        mode = await self._mode(SELECTED)
        yield None
        passband = await self._get_if_supported(PASSBAND, 1)
        try:
            index = None if passband is None else bus.number(passband)
        except ValueError as error:
            raise self.conversation.garbled(error) from None
        passband_hz = None
        if mode is not None and index is not None:
            with contextlib.suppress(ValueError):  # a mode whose passbands are not in the table
                passband_hz = bus.passband_hz(mode, index)
        yield None
        power_fraction = await self.power_fraction()
        yield None
        rit_hz = await self._offset_hz(RIT)
        yield None
        yield RigDetails(mode, passband_hz, power_fraction, rit_hz, await self._offset_hz(XIT))

    async def _offset_hz(self, switch: bytes) -> int | None:
        on = await self._get_if_supported(switch, 1)
        if on in (None, b"\x00"):
            return None if on is None else 0
        try:
            return bus.offset_hz(await self._get(OFFSET, 3))
        except ValueError as error:
            raise self.conversation.garbled(error) from None

    async def power_fraction(self) -> float | None:
        power = await self._get_if_supported(POWER, 2)
        try:
            return None if power is None else bus.level_fraction(power)
        except ValueError as error:
            raise self.conversation.garbled(error) from None

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        check_mode(mode, passband_hz)
        try:
            wanted = bus.mode_bytes(mode)
        except KeyError:
            raise RigRefused(f"mode {mode} is none of this bus") from None
        dials = [SELECTED, OTHER] if self.options.split else [SELECTED]
        if await self._get_if_supported(b"\x26\x00", 3) is not None:
            for dial in dials:
                await self._set(b"\x26" + dial[1:] + wanted)
        elif dials == [SELECTED] and not wanted[1]:
            await self._set(b"\x06" + wanted[:1])
        else:
            raise RigRefused(f"this radio cannot be set to {mode} on {len(dials)} dials")
        if passband_hz:
            index = bus.passband_index(mode, passband_hz)
            await self._set(PASSBAND + bus.digits(index, 1))
        for dial in dials:
            if (mode_now := await self._mode(dial)) != mode:
                raise RigRefused(f"set to {mode}, reads back {mode_now}")

    @classmethod
    def parse_command(cls, text: str) -> bytes:
        return parse_command(text)

    # what the base class calls

    def _unkey_message(self) -> bytes:
        options = self.options
        frame = bus.Frame(options.address, options.controller_address, TRANSMIT + b"\x00")
        return frame.to_bytes()

    async def _greet(self) -> None:
        # Nothing else asks for the address: after its answer, whatever it is, no late answer to an
        # earlier question can come.
        with contextlib.suppress(RigRefused):
            await self._exchange(ADDRESS, ADDRESS, 1, patient=True)

    async def _prepare(self) -> None:
        self._has_both_dials = True
        if await self._get_if_supported(SELECTED, 5) is None:
            self._has_both_dials = False
            if self.options.split:
                raise RigNotSuitable("no command 25 for two dials; use split = false")
        self._reports_transmit = await self._get_if_supported(TRANSMIT, 1) is not None
        await self._prepare_split()

    async def _prepare_split(self) -> None:
        """Sets split on, or off where one dial serves both ways: a radio left in split, or in
        repeater duplex, would transmit on another frequency."""
        split = self.options.split
        now = await self._get_if_supported(SPLIT, 1)
        self._reports_split = now is not None
        if now is None:
            if split:
                raise RigNotSuitable("split operation not reported; use split = false")
            return
        wanted = self._wanted_split
        if now in wanted:
            return
        await self._set(SPLIT + (wanted[0] if now == b"\x01" else wanted[-1]))
        if await self._get(SPLIT, 1) not in wanted:
            raise RigRefused(f"split operation cannot be switched {'on' if split else 'off'}")

    @property
    def _wanted_split(self) -> tuple[bytes, ...]:
        return (b"\x01",) if self.options.split else (b"\x00", b"\x10")

    async def _read(self) -> RigState:
        # The transmit state is read before and after the dials, because it decides which of them
        # the radio calls the selected one; if it has changed, everything is read once more.
        keyed = await self._transmitting_if_relevant()
        for _ in range(2):
            rx_hz = await self._dial(OTHER if keyed else SELECTED)
            tx_hz = None
            if self.options.split:
                tx_hz = await self._dial(SELECTED if keyed else OTHER)
            transmitting = await self._transmitting() if self._reports_transmit else None
            if keyed in (None, transmitting):
                return RigState(rx_hz, tx_hz, transmitting)
            keyed = transmitting
        self.conversation.close()
        raise RigGarbled("the radio keyed and unkeyed while it was read")

    async def _check_split(self) -> None:
        if not self._reports_split:
            return
        now = await self._get(SPLIT, 1)
        if now not in self._wanted_split:
            raise self.conversation.garbled("the radio has changed its split by itself")

    async def _set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        keyed = False
        if rx_hz is not None or tx_hz is not None:
            keyed = bool(await self._transmitting_if_relevant())
        if rx_hz is not None:
            await self._set_dial(OTHER if keyed else SELECTED, rx_hz)
        if tx_hz is not None:
            await self._set_dial(SELECTED if keyed else OTHER, tx_hz)
        return await self._read()

    def _effect_on_the_wire(self) -> float:
        set_bytes, done_bytes, dial_bytes, transmit_bytes = 12, 6, 19, 15
        read_bytes = dial_bytes * (2 if self.options.split else 1)
        read_bytes += transmit_bytes if self._reports_transmit else 0
        return set_bytes / (set_bytes + done_bytes + read_bytes)

    async def _send_command(self, command: bytes) -> None:
        await self._exchange(command, command[:1], 60 - len(command), either=True)

    async def _set_power(self, fraction: float) -> None:
        await self._set(POWER + bus.level(fraction))

    async def _clear_offsets(self) -> None:
        for switch in (RIT, XIT):
            if await self._get_if_supported(switch, 1) not in (None, b"\x00"):
                await self._set(switch + b"\x00")

    async def _transmitting(self) -> bool:
        data = await self._get(TRANSMIT, 1)
        if data not in (b"\x00", b"\x01"):
            raise self.conversation.garbled(f"asked for the transmit state, answered {shown(data)}")
        return data == b"\x01"

    # single frames

    async def _transmitting_if_relevant(self) -> bool | None:
        """Returns whether it transmits, where that decides which dial is the selected one."""
        if self.options.split and self.options.selected_transmits_while_keyed:
            return await self._transmitting() if self._reports_transmit else None
        return None

    async def _dial(self, which: bytes) -> int:
        data = await self._get(which if self._has_both_dials else b"\x03", 5)
        try:
            return bus.dial_hz(data)
        except ValueError as error:
            raise self.conversation.garbled(error) from None

    async def _set_dial(self, which: bytes, dial_hz: int) -> None:
        body = (which if self._has_both_dials else b"\x05") + bus.dial(dial_hz)
        try:
            await self._set(body)
        except RigRefused:
            if not self.options.exchange_command:
                raise
            await self._check_receiving("receivers are not exchanged")
            await self._send_command(self.parse_command(self.options.exchange_command))
            await self._set(body)

    async def _mode(self, which: bytes) -> str | None:
        data = await self._get_if_supported(b"\x26" + which[1:], 3)
        if data is None and which == SELECTED:
            data = await self._get_if_supported(b"\x04", 2)
        return None if data is None else bus.mode_name(data)

    async def _set(self, body: bytes) -> None:
        await self._exchange(body, b"", 0)

    async def _get(self, body: bytes, data_bytes: int) -> bytes:
        return await self._exchange(body, body, data_bytes)

    async def _get_if_supported(self, body: bytes, data_bytes: int) -> bytes | None:
        """Returns the data of the answer; None if the radio refuses."""
        try:
            return await self._get(body, data_bytes)
        except RigRefused:
            return None

    async def _exchange(self, body: bytes, due: bytes, data_bytes: int, **accepts: bool) -> bytes:
        """Sends a frame, once more after a collision. Returns the data of the answer. due,
        data_bytes, accepts: as for `CivExchange`."""
        frame = bus.Frame(self.options.address, self.options.controller_address, body)
        for pause_s in (random.uniform(*COLLISION_PAUSE_S), None):
            exchange = CivExchange(frame, due, data_bytes, **accepts)
            try:
                await self.conversation.ask(exchange)
            except Collision as error:
                if pause_s is None:
                    raise self.conversation.garbled(f"{error}, twice") from None
                await self.conversation.pause(pause_s)
            else:
                return exchange.data
        raise AssertionError("unreachable")
