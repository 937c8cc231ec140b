"""A radio on the semicolon bus (`FA00144123456;`), alone on its line.

Builds the messages for each call of the contract from `codec` and sends them through
`serial.exchange`. Sets, then questions, then `ID;` go out in one write. A set has no answer, and a
radio may send, unsolicited and at any time, the same text as an answer. `ID` is sent only as an
answer, so the last message of each name before it counts.
"""

from __future__ import annotations

import math
import re
from collections.abc import AsyncIterator
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from moontrim_drivers.asciicat import codec as bus
from moontrim_drivers.asciicat.exchange import ANSWER_BYTES, AsciiExchange
from moontrim_drivers.contract import RigDetails, RigRefused, RigState
from moontrim_drivers.limits import check_mode
from moontrim_drivers.serial.driver import SerialDriver
from moontrim_drivers.serial.options import SerialOptions

_COMMANDS = re.compile(r"(?:[A-Z]{2}[ -:<-~]{0,40};){1,8}")
_SENDING = ("TX", "KY", "AC", "PB")  # key, text, tuner, voice messages: all that could transmit


def _command(text: str) -> str:
    if text:
        AsciicatDriver.parse_command(text)
    return text


class AsciicatOptions(SerialOptions):
    """Options of the driver, besides those of the port."""

    rx_vfo: Literal["A", "B"] = Field("A", description="VFO that receives; in split the other one "
        "transmits.")  # fmt: skip
    full_power: int = Field(
        100, ge=1, le=999, description="Full power in the units of the radio: watts or per cent."
    )
    exchange_command: Annotated[str, AfterValidator(_command)] = Field(
        "",
        description="Command that exchanges two receivers whose bands must differ; sent when the "
        "radio rejects a dial, before the second attempt. Empty: never.",
    )


class AsciicatDriver(SerialDriver):
    """The driver of a radio on the semicolon bus."""

    Options = AsciicatOptions
    options: AsciicatOptions
    highest_dial_hz = bus.HIGHEST_DIAL_HZ

    async def set_transmit(self, on: bool) -> None:
        if on:
            self._check_vfos(self._status(await self._get("IF")))
        if (await self._exchange(b"TX;" if on else b"RX;", ())).refused:
            raise RigRefused(f"{'TX' if on else 'RX'} rejected")
        await self._confirm_transmit(on)

    def _unkey_message(self) -> bytes:
        return b"RX;"

    async def details_in_parts(self) -> AsyncIterator[RigDetails | None]:
        answers: dict[str, str] = {}
        for question in ("MD", "FW", "PC"):
            answers |= await self._get_supported(question)
            yield None
        status = self._status(await self._get("IF"))
        try:
            yield RigDetails(
                mode=bus.mode_name(answers["MD"]) if "MD" in answers else None,
                passband_hz=bus.number(answers["FW"]) if "FW" in answers else None,
                power_fraction=self._power_in(answers),
                rit_hz=status.rit_hz,
                xit_hz=status.xit_hz,
            )
        except ValueError as error:
            raise self.conversation.garbled(error) from None

    async def power_fraction(self) -> float | None:
        answers = await self._get_supported("PC")
        try:
            return self._power_in(answers)
        except ValueError as error:
            raise self.conversation.garbled(error) from None

    def _power_in(self, answers: dict[str, str]) -> float | None:
        if "PC" not in answers:
            return None
        return min(1.0, bus.number(answers["PC"]) / self.options.full_power)

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        check_mode(mode, passband_hz)
        if mode not in bus.MODES:
            raise RigRefused(f"mode {mode} is none of this bus")
        if passband_hz > 9999:
            raise RigRefused(f"a passband of {passband_hz} Hz is none of this bus")
        wanted = b"MD%d;" % bus.MODES[mode]
        if self.options.split:
            # MD sets the mode of the VFO that receives, so the other one has to for a moment.
            await self._check_receiving("mode is not set")
            try:
                await self._set_mode(mode, self._select_vfos(self._tx, self._tx) + wanted)
            finally:
                if self.conversation.is_open:
                    await self._get("IF", sets=self._select_vfos(self._rx, self._tx))
        await self._set_mode(mode, wanted + (b"FW%04d;" % passband_hz if passband_hz else b""))
        await self._read()

    @classmethod
    def parse_command(cls, text: str) -> bytes:
        if not _COMMANDS.fullmatch(text):
            raise ValueError(
                f"invalid value {text!r}; expected up to 8 of two capital letters, their "
                "arguments and a semicolon, such as NB0;"
            )
        for one in text.split(";"):
            if one.startswith(_SENDING):
                raise ValueError(f"{text!r} not accepted: {one[:2]} can make a radio transmit")
        return text.encode("ascii")

    # what the base class calls

    async def _greet(self) -> None:
        # If an earlier program left half a message, this text makes it no message at all, which
        # does no harm, whereas a lone semicolon would complete it. Nothing else asks for AI, so
        # after its answer no late answer to an earlier question can come.
        await self._exchange(b"AI0;", ("AI",))

    async def _prepare(self) -> None:
        split = self.options.split
        tx = self._tx if split else self._rx
        answers = await self._get("FR", "FT", "IF")
        now = self._status(answers)
        if (answers["FR"], answers["FT"], now.split) != (self._rx, tx, split):
            now = self._status(await self._get("IF", sets=self._select_vfos(self._rx, tx)))
        if now.split != split:
            raise RigRefused(f"split operation cannot be switched {'on' if split else 'off'}")

    async def _read(self) -> RigState:
        return self._state(await self._get(*self._state_questions()))

    async def _set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        sets = b""
        for vfo, dial_hz in ((self._rx, rx_hz), (self._tx, tx_hz)):
            if dial_hz is not None:
                sets += bus.Message(_dial_name(vfo), bus.dial(dial_hz)).to_bytes()
        try:
            return self._state(await self._get(*self._state_questions(), sets=sets))
        except RigRefused:
            if not self.options.exchange_command:
                raise
        await self._check_receiving("receivers are not exchanged")
        await self._send_command(self.parse_command(self.options.exchange_command))
        return self._state(await self._get(*self._state_questions(), sets=sets))

    def _effect_on_the_wire(self) -> float:
        set_bytes, first_question_bytes = 14, 3
        answers = sum(ANSWER_BYTES[name] for name in (*self._state_questions(), "ID"))
        return set_bytes / (set_bytes + first_question_bytes + answers)

    async def _send_command(self, command: bytes) -> None:
        if (await self._exchange(command, ())).refused:
            raise RigRefused(f"{command.decode('ascii')} rejected")

    async def _set_power(self, fraction: float) -> None:
        # Rounded down: it may be a ceiling, and these steps are coarse on a radio of a few watts.
        wanted = math.floor(fraction * self.options.full_power + 1e-6)
        answers = await self._get("PC", sets=b"PC%03d;" % wanted)
        if answers["PC"] != f"{wanted:03d}":
            raise RigRefused(f"power set to {wanted} reads back {answers['PC']}")

    async def _clear_offsets(self) -> None:
        status = self._status(await self._get("IF"))
        off = b"RT0;" * bool(status.rit_hz) + b"XT0;" * bool(status.xit_hz)
        if off:
            await self._get("IF", sets=off)

    async def _transmitting(self) -> bool:
        return self._status(await self._get("IF")).transmitting

    # messages

    @property
    def _rx(self) -> str:
        return "0" if self.options.rx_vfo == "A" else "1"

    @property
    def _tx(self) -> str:
        return "1" if self.options.rx_vfo == "A" else "0"

    def _select_vfos(self, rx: str, tx: str) -> bytes:
        return f"FR{rx};FT{tx};".encode("ascii")

    def _state_questions(self) -> tuple[str, ...]:
        dials = (_dial_name(self._rx), _dial_name(self._tx))
        return (*(dials if self.options.split else dials[:1]), "IF")

    def _state(self, answers: dict[str, str]) -> RigState:
        status = self._status(answers)
        self._check_vfos(status)
        try:
            dials = [bus.dial_hz(answers[name]) for name in self._state_questions()[:-1]]
        except ValueError as error:
            raise self.conversation.garbled(error) from None
        return RigState(dials[0], dials[1] if self.options.split else None, status.transmitting)

    def _check_vfos(self, status: bus.Status) -> None:
        """Raises RigGarbled if the radio has left split (by a power cycle, for example): it would
        transmit on the receive dial."""
        # While they transmit, radios differ in which dial they report as the one in use.
        elsewhere = not status.transmitting and status.second_dial != (self._rx == "1")
        if elsewhere or status.split != self.options.split:
            raise self.conversation.garbled("the radio has changed its VFO or its split by itself")

    def _status(self, answers: dict[str, str]) -> bus.Status:
        try:
            return bus.Status.from_text(answers["IF"])
        except ValueError as error:
            raise self.conversation.garbled(error) from None

    async def _set_mode(self, mode: str, sets: bytes) -> None:
        answers = await self._get("MD", sets=sets)
        if bus.mode_name(answers["MD"]) != mode:
            raise RigRefused(f"set to {mode}, reads back MD{answers['MD']}")

    async def _get(self, *questions: str, sets: bytes = b"") -> dict[str, str]:
        """Sends sets and questions. Returns the answers by name. Raises RigRefused if the radio
        refused any of the messages."""
        exchange = await self._exchange(sets, questions)
        if exchange.refused:
            raise RigRefused(f"rejected, one of {exchange.sent.decode('ascii')}")
        return exchange.answers

    async def _get_supported(self, question: str) -> dict[str, str]:
        """Returns the answer by the name of the question; empty if the radio refuses it."""
        return (await self._exchange(b"", (question,))).answers

    async def _exchange(self, sets: bytes, questions: tuple[str, ...]) -> AsciiExchange:
        exchange = AsciiExchange(sets, questions)
        await self.conversation.ask(exchange)
        return exchange


def _dial_name(vfo: str) -> str:
    return "FA" if vfo == "0" else "FB"
