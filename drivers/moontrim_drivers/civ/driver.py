"""A radio on the addressed binary bus (frames FE FE .. FD), alone or among others on one wire.

Owns which frames are asked for each call of the contract; the bytes are `civcodec`'s business, the
wire is `serialdriver`'s. Both dials are set and read by command 25, which changes no selection. A
radio that lacks it sets and reads its one dial by 05 and 03, and then has no split operation here:
its second dial could only be reached by switching the receiver away and back.
"""

from __future__ import annotations

import contextlib
import random
from typing import Annotated

from pydantic import AfterValidator, Field

from moontrim_drivers.civ import codec as bus
from moontrim_drivers.civ.exchange import CivExchange, Collision
from moontrim_drivers.contract import (
    RigDetails,
    RigGarbled,
    RigRefused,
    RigState,
    RigUnfit,
)
from moontrim_drivers.limits import check_mode
from moontrim_drivers.serial.driver import SerialDriver
from moontrim_drivers.serial.exchange import shown
from moontrim_drivers.serial.options import SerialOptions

# after two spoke at once, wait so long and say it once more
COLLISION_PAUSE_S = (0.02, 0.06)
LONGEST_CALL = 8  # frames sent in one set_dials, looks that are repeated included

SELECTED, OTHER = b"\x25\x00", b"\x25\x01"
TRANSMIT, SPLIT, POWER, PASSBAND = b"\x1c\x00", b"\x0f", b"\x14\x0a", b"\x1a\x03"
ADDRESS = b"\x19\x00"
_SENDING = (b"\x1c\x00", b"\x1c\x01", b"\x17", b"\x28")  # key, tuner, text and voice messages


def _command(text: str) -> str:
    if text:
        CivDriver.parse_command(text)
    return text


class CivOptions(SerialOptions):
    """The bus's own settings, besides those of the port."""

    address: int = Field(ge=0x01, le=0xDF, description="The radio's address on the bus.")
    controller_address: int = Field(0xE0, ge=0xE0, le=0xEF, description="Ours.")
    selected_transmits_while_keyed: bool = Field(
        False,
        description="In split, while keyed, the radio calls its transmit dial the selected one.",
    )
    exchange_command: Annotated[str, AfterValidator(_command)] = Field(
        "",
        description="Sent when a dial is refused, before it is set once more: exchanges two "
        "receivers whose bands must differ. `07 B0` on many radios; empty: never.",
    )


class CivDriver(SerialDriver):
    """The contract, spoken on the bus."""

    Options = CivOptions
    options: CivOptions
    highest_dial_hz = bus.HIGHEST_DIAL_HZ
    own_pauses_s = LONGEST_CALL * COLLISION_PAUSE_S[1]
    _names_dials = True
    _tells_split = True

    async def set_transmit(self, on: bool) -> None:
        if on and not self._reports_transmit:
            raise RigUnfit("this radio does not tell whether it transmits, so it is never keyed")
        if on:
            await self._check_split()
        await self._tell(TRANSMIT + bytes((on,)))
        if self._reports_transmit:
            await self._confirm_transmit(on)

    async def details(self) -> RigDetails:
        mode = await self._mode(SELECTED)
        passband = await self._maybe(PASSBAND, 1)
        power = await self._maybe(POWER, 2)
        try:
            index = None if passband is None else bus.number(passband)
            power_fraction = None if power is None else bus.level_fraction(power)
        except ValueError as error:
            raise self.talk.garbled(error) from None
        passband_hz = None
        if mode is not None and index is not None:
            with contextlib.suppress(ValueError):  # a mode whose numbers are not known here
                passband_hz = bus.passband_hz(mode, index)
        return RigDetails(mode, passband_hz, power_fraction)

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        check_mode(mode, passband_hz)
        try:
            wanted = bus.mode_bytes(mode)
        except KeyError:
            raise RigRefused(f"mode {mode} is none of this bus") from None
        dials = [SELECTED, OTHER] if self.options.split else [SELECTED]
        if await self._maybe(b"\x26\x00", 3) is not None:
            for dial in dials:
                await self._tell(b"\x26" + dial[1:] + wanted)
        elif dials == [SELECTED] and not wanted[1]:
            await self._tell(b"\x06" + wanted[:1])
        else:
            raise RigRefused(f"this radio cannot be set to {mode} on {len(dials)} dials")
        if passband_hz:
            index = bus.passband_index(mode, passband_hz)
            await self._tell(PASSBAND + bus.digits(index, 1))
        for dial in dials:
            if (found := await self._mode(dial)) != mode:
                raise RigRefused(f"set to {mode}, the radio says {found}")

    @classmethod
    def parse_command(cls, text: str) -> bytes:
        try:
            body = bytes.fromhex(text)
            bus.Frame(0, 0, body)
        except ValueError:
            raise ValueError(
                f"{text!r} is no command; allowed: hexadecimal bytes without preamble and "
                "addresses, such as 16 5A 00"
            ) from None
        if body.startswith(_SENDING):
            raise ValueError(f"{text!r} is not allowed: it can make a radio transmit")
        return body

    # what the base class asks for

    async def _greet(self) -> None:
        # Nothing else asks for the address: with its answer, whatever it is, all late ones to
        # questions of before are through.
        with contextlib.suppress(RigRefused):
            await self._say(ADDRESS, ADDRESS, 1, patient=True)

    async def _prepare(self) -> None:
        self._names_dials = True
        if await self._maybe(SELECTED, 5) is None:
            self._names_dials = False
            if self.options.split:
                raise RigUnfit("this radio has no command 25 for two dials; use split = false")
        self._reports_transmit = await self._maybe(TRANSMIT, 1) is not None
        await self._prepare_split()

    async def _prepare_split(self) -> None:
        """Split on, or off where one dial is to serve both ways: a radio left in split, or in
        repeater duplex, would transmit somewhere else."""
        split = self.options.split
        now = await self._maybe(SPLIT, 1)
        self._tells_split = now is not None
        if now is None:
            if split:
                raise RigUnfit("this radio does not tell its split operation; use split = false")
            return
        wanted = self._split_as_wanted
        if now in wanted:
            return
        await self._tell(SPLIT + (wanted[0] if now == b"\x01" else wanted[-1]))
        if await self._get(SPLIT, 1) not in wanted:
            raise RigRefused(f"split operation would not go {'on' if split else 'off'}")

    @property
    def _split_as_wanted(self) -> tuple[bytes, ...]:
        return (b"\x01",) if self.options.split else (b"\x00", b"\x10")

    async def _read(self) -> RigState:
        keyed = await self._keyed_first()
        for _ in range(2):
            rx_hz = await self._dial(OTHER if keyed else SELECTED)
            tx_hz = None
            if self.options.split:
                tx_hz = await self._dial(SELECTED if keyed else OTHER)
            transmitting = await self._transmitting() if self._reports_transmit else None
            if keyed in (None, transmitting):
                return RigState(rx_hz, tx_hz, transmitting)
            keyed = transmitting
        self.talk.close()
        raise RigGarbled("the radio keyed and unkeyed while it was read")

    async def _check_split(self) -> None:
        if not self._tells_split:
            return
        now = await self._get(SPLIT, 1)
        if now not in self._split_as_wanted:
            raise self.talk.garbled("the radio has changed its split by itself")

    async def _set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        keyed = False
        if rx_hz is not None or tx_hz is not None:
            keyed = bool(await self._keyed_first())
        if rx_hz is not None:
            await self._set_dial(OTHER if keyed else SELECTED, rx_hz)
        if tx_hz is not None:
            await self._set_dial(SELECTED if keyed else OTHER, tx_hz)
        return await self._read()

    def _effect_on_the_wire(self) -> float:
        set_bytes, ack_bytes, look_bytes, transmit_bytes = 12, 6, 19, 15
        looks = look_bytes * (2 if self.options.split else 1)
        looks += transmit_bytes if self._reports_transmit else 0
        return set_bytes / (set_bytes + ack_bytes + looks)

    async def _send_command(self, command: bytes) -> None:
        await self._say(command, command[:1], 60 - len(command), either=True)

    async def _set_power(self, fraction: float) -> None:
        await self._tell(POWER + bus.level(fraction))

    async def _transmitting(self) -> bool:
        data = await self._get(TRANSMIT, 1)
        if data not in (b"\x00", b"\x01"):
            raise self.talk.garbled(f"asked for the transmit state, answered {shown(data)}")
        return data == b"\x01"

    # one frame at a time

    async def _keyed_first(self) -> bool | None:
        """Where it matters which dial is the selected one: does the radio transmit? Else None."""
        if self.options.split and self.options.selected_transmits_while_keyed:
            return await self._transmitting() if self._reports_transmit else None
        return None

    async def _dial(self, which: bytes) -> int:
        data = await self._get(which if self._names_dials else b"\x03", 5)
        try:
            return bus.dial_hz(data)
        except ValueError as error:
            raise self.talk.garbled(error) from None

    async def _set_dial(self, which: bytes, dial_hz: int) -> None:
        body = (which if self._names_dials else b"\x05") + bus.dial(dial_hz)
        try:
            await self._tell(body)
        except RigRefused:
            if not self.options.exchange_command:
                raise
            await self._check_receiving("receivers are not exchanged")
            await self._send_command(self.parse_command(self.options.exchange_command))
            await self._tell(body)

    async def _mode(self, which: bytes) -> str | None:
        data = await self._maybe(b"\x26" + which[1:], 3)
        if data is None and which == SELECTED:
            data = await self._maybe(b"\x04", 2)
        return None if data is None else bus.mode_name(data)

    async def _tell(self, body: bytes) -> None:
        await self._say(body, b"", 0)

    async def _get(self, body: bytes, data_bytes: int) -> bytes:
        return await self._say(body, body, data_bytes)

    async def _maybe(self, body: bytes, data_bytes: int) -> bytes | None:
        """Like `_get`; None where the radio says no."""
        try:
            return await self._get(body, data_bytes)
        except RigRefused:
            return None

    async def _say(self, body: bytes, due: bytes, data_bytes: int, **how: bool) -> bytes:
        frame = bus.Frame(self.options.address, self.options.controller_address, body)
        for pause_s in (random.uniform(*COLLISION_PAUSE_S), None):
            exchange = CivExchange(frame, due, data_bytes, **how)
            try:
                await self.talk.ask(exchange)
            except Collision as error:
                if pause_s is None:
                    raise self.talk.garbled(f"{error}, twice") from None
                await self.talk.pause(pause_s)
            else:
                return exchange.data
        raise AssertionError("unreachable")
