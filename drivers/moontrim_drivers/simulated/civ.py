"""The simulated radio on the addressed binary bus: what each command does, and the answers.

The line and the time that bytes take are in `line`.
"""

from __future__ import annotations

from collections.abc import Iterator

from moontrim_drivers.civ import codec as bus
from moontrim_drivers.contract import RigRefused
from moontrim_drivers.simulated.receivers import Receivers

_DIAL_REPORT = b"\x00"


class CivResponder:
    """Acts on frames for one simulated radio.

    address: the radio's. has_both_dials: it has command 25 for both dials, as newer radios do.
    selected_transmits: in split, while keyed, the dial that transmits is the selected one."""

    def __init__(
        self,
        receivers: Receivers,
        address: int = 0xA2,
        *,
        has_both_dials: bool = True,
        selected_transmits: bool = False,
    ) -> None:
        self.address = address
        self._receivers = receivers
        self._radio = receivers.radio
        self._has_both_dials = has_both_dials
        self._selected_transmits = selected_transmits
        self._splitter = bus.FrameSplitter()
        self.restart()

    def restart(self) -> None:
        self._splitter = bus.FrameSplitter()
        self._second_selected = False
        self._other_mode = "USB"

    def messages(self, data: bytes) -> Iterator[bytes]:
        for frame in self._splitter.feed(data):
            if frame is not None:
                yield frame.to_bytes()

    def act(self, message: bytes) -> bytes:
        frame = bus.Frame.from_bytes(message)
        if frame.to != self.address:
            return b""
        try:
            body = self._answer(frame.body)
        except (RigRefused, ValueError, KeyError, IndexError):
            body = bus.REFUSED
        return bus.Frame(frame.sender, self.address, body).to_bytes()

    def dial_report(self) -> bytes:
        """Returns the frame that the radio sends by itself when its knob is turned."""
        body = _DIAL_REPORT + bus.dial(self._radio.rx_dial_hz)
        return bus.Frame(bus.EVERYBODY, self.address, body).to_bytes()

    def _answer(self, body: bytes) -> bytes:
        command, data = body[0], body[1:]
        match command:
            case 0x03 | 0x04:
                return body + self._selected(command)
            case 0x19:
                return b"\x19\x00" + bytes((self.address,))
            case 0x05:
                self._receivers.set_dials(bus.dial_hz(data), None)
            case 0x06:
                self._set_mode(0, bytes((data[0], 0)))
            case 0x07:
                self._select(data[0])
            case 0x0F if data:
                self._radio.set_split({0: False, 1: True, 0x10: False}[data[0]])
            case 0x0F:
                return body + bytes((self._radio.split,))
            case 0x25 | 0x26 if self._has_both_dials and data[0] in (0, 1):
                if len(data) == 1:
                    return body + (self._dial if command == 0x25 else self._mode)(data[0])
                if command == 0x26:
                    self._set_mode(data[0], data[1:])
                elif self._is_second(data[0]):
                    self._receivers.set_dials(None, bus.dial_hz(data[1:]))
                else:
                    self._receivers.set_dials(bus.dial_hz(data[1:]), None)
            case 0x14 | 0x16 | 0x1A | 0x1C | 0x21:
                return self._sub_command(body[:2], body[2:])
            case _:
                return bus.REFUSED
        return bus.DONE

    def _sub_command(self, command: bytes, data: bytes) -> bytes:
        radio = self._radio
        match command.hex(), bool(data):
            case "140a", False:
                return command + bus.level(radio.power_fraction)
            case "140a", True:
                radio.set_power(bus.level_fraction(data))
            case "165a", False:
                return command + b"\x00"  # receivers coupled for satellites: not on this radio
            case "1a03", False:
                return command + bus.digits(bus.passband_index(radio.mode, radio.passband_hz), 1)
            case "1a03", True:
                radio.set_mode(radio.mode, bus.passband_hz(radio.mode, bus.number(data)))
            case "2100", False:
                return command + bus.offset(radio.rit_hz or radio.xit_hz)
            case "2101" | "2102", False:
                return command + bytes((bool(radio.rit_hz if command[1] == 1 else radio.xit_hz),))
            case "2101" | "2102", True if data == b"\x00":
                radio.clear_offsets(rit=command[1] == 1, xit=command[1] == 2, shift=False)
            case "1c00", False if radio.options.reports_transmit:
                return command + bytes((radio.transmitting,))
            case "1c00", True:
                radio.set_transmit({0: False, 1: True}[data[0]])
            case _:
                return bus.REFUSED
        return bus.DONE

    def _selected(self, command: int) -> bytes:
        """The data of commands 03 (dial) and 04 (mode and filter)."""
        if command == 0x03:
            return self._dial(0)
        mode = self._mode(0)
        return mode[:1] + mode[2:]

    def _is_second(self, which: int) -> bool:
        radio = self._radio
        swapped = self._selected_transmits and radio.split and radio.transmitting
        return bool(which) != swapped

    def _dial(self, which: int) -> bytes:
        second = self._is_second(which)
        return bus.dial(self._radio.second_dial_hz if second else self._radio.rx_dial_hz)

    def _mode(self, which: int) -> bytes:
        return bus.mode_bytes(self._other_mode if which else self._radio.mode)

    def _set_mode(self, which: int, data: bytes) -> None:
        mode = bus.mode_name(bytes((data[0], data[1] if len(data) > 1 else 0, 1)))
        if mode is None:
            raise RigRefused("no such mode")
        if which:
            self._other_mode = mode
        else:
            self._radio.set_mode(mode, 0)

    def _select(self, what: int) -> None:
        radio = self._radio
        if what in (0x00, 0x01):
            if self._second_selected != bool(what):
                self._second_selected = bool(what)
                radio.exchange_dials()
                self._other_mode, radio.mode = radio.mode, self._other_mode
        elif what == 0xA0:
            self._receivers.set_dials(None, radio.rx_dial_hz)
        elif what == 0xB0:
            self._receivers.exchange()
        else:
            raise RigRefused("no such choice")
