"""The simulated radio on the semicolon bus: what each message does, and the answers.

The line and the time that bytes take are in `line`.
"""

from __future__ import annotations

from collections.abc import Iterator

from moontrim_drivers.asciicat import codec as bus
from moontrim_drivers.contract import RigRefused
from moontrim_drivers.simulated.receivers import Receivers

_IDENTITY = "019"  # the answer to ID by which Hamlib recognises a radio of this kind


class AsciicatResponder:
    """Acts on messages for one simulated radio. The radio has two VFOs, A and B; FR chooses the one
    that receives, FT the one that transmits, and it is in split operation where they differ."""

    def __init__(self, receivers: Receivers) -> None:
        self._receivers = receivers
        self._radio = receivers.radio
        self._partial = b""
        self.restart()

    def restart(self) -> None:
        self._partial = b""
        self._rx = self._tx = "0"
        self._other_mode = "USB"
        self._reports_dial = False

    def messages(self, data: bytes) -> Iterator[bytes]:
        *whole, self._partial = (self._partial + data).split(b";")
        self._partial = self._partial[-bus.LONGEST_MESSAGE :]
        for message in whole:
            yield message + b";"

    def act(self, message: bytes) -> bytes:
        try:
            question = bus.Message.from_bytes(message)
            answer = self._answer(question.name, question.rest)
        except (RigRefused, ValueError, KeyError):
            return b"?;"
        return b"" if answer is None else bus.Message(question.name, answer).to_bytes()

    def dial_report(self) -> bytes:
        """Returns the message that the radio sends by itself when its knob is turned; empty unless
        AI has switched that on."""
        if not self._reports_dial:
            return b""
        name = "FA" if self._rx == "0" else "FB"
        return bus.Message(name, bus.dial(self._radio.rx_dial_hz)).to_bytes()

    def _answer(self, name: str, rest: str) -> str | None:
        radio = self._radio
        match name, bool(rest):
            case "ID", False:
                return _IDENTITY
            case "PS", False:
                return "1"
            case "IF", False:
                return self._status()
            case "AI", True:
                self._reports_dial = rest != "0"
            case "AI", False:
                return str(2 * self._reports_dial)
            case (("FA" | "FB"), False):
                return bus.dial(self._dial_hz(name))
            case (("FA" | "FB"), True):
                self._set_dial(name, bus.dial_hz(rest))
            case "FR", False:
                return self._rx
            case "FT", False:
                return self._tx
            case (("FR" | "FT"), True):
                self._choose(name, rest)
            case "MD", False:
                return str(bus.MODES.get(radio.mode, 0))
            case "MD", True:
                radio.set_mode({v: k for k, v in bus.MODES.items()}[bus.number(rest)], 0)
            case "FW", False:
                return f"{radio.passband_hz:04d}"
            case "FW", True:
                radio.set_mode(radio.mode, bus.number(rest))
            case "PC", False:
                return f"{round(100 * radio.power_fraction):03d}"
            case "PC", True:
                radio.set_power(min(100, bus.number(rest)) / 100)
            case "TX", _ if rest in ("", "0", "1", "2"):
                radio.set_transmit(True)
            case "RX", False:
                radio.set_transmit(False)
            case (("RT" | "XT"), True) if rest == "0":
                radio.clear_offsets(rit=name == "RT", xit=name == "XT", shift=False)
            case "SV", False:
                self._receivers.exchange()
            case _:
                raise RigRefused("no such message")
        return None

    def _status(self) -> str:
        radio = self._radio
        transmitting = radio.transmitting
        second = (self._tx if transmitting else self._rx) == "1"
        return bus.Status(
            dial_hz=radio.second_dial_hz if transmitting and radio.split else radio.rx_dial_hz,
            transmitting=transmitting and radio.options.reports_transmit,
            mode=radio.mode,
            second_dial=second,
            split=radio.split,
            rit_hz=radio.rit_hz,
            xit_hz=radio.xit_hz,
        ).to_text()

    def _receives(self, name: str) -> bool:
        return (name == "FA") == (self._rx == "0")

    def _dial_hz(self, name: str) -> int:
        return self._radio.rx_dial_hz if self._receives(name) else self._radio.second_dial_hz

    def _set_dial(self, name: str, dial_hz: int) -> None:
        if self._receives(name):
            self._receivers.set_dials(dial_hz, None)
        else:
            self._receivers.set_dials(None, dial_hz)

    def _choose(self, name: str, vfo: str) -> None:
        if vfo not in ("0", "1"):
            raise RigRefused("no such VFO")
        radio = self._radio
        rx, tx = (vfo, self._tx) if name == "FR" else (self._rx, vfo)
        radio.set_split(rx != tx)
        if rx != self._rx:
            radio.exchange_dials()
            self._other_mode, radio.mode = radio.mode, self._other_mode
        self._rx, self._tx = rx, tx
