"""One frame sent on the addressed binary bus, and the answer to it among all that comes.

Owns which of the frames on the bus is that answer; knows no port and no driver.
"""

from __future__ import annotations

from moontrim_drivers.civ import codec as bus
from moontrim_drivers.contract import RigGarbled, RigRefused
from moontrim_drivers.serial.exchange import shown

# passed over: a turned knob tells of itself by 00 and 01; a late answer, to an opening cut short,
# to the question for the address
_PASSED_OVER = (0x00, 0x01, 0x19)


class Collision(RigRefused):
    """Two spoke at once. It is said once more; never leaves the driver."""


class CivExchange:
    """One frame sent and the answer due from one radio: data after `due`, or a mere yes (due
    empty, or either). Frames of others, and what is said unasked, are passed over; to be patient is
    to pass over answers to other questions, too."""

    def __init__(
        self,
        frame: bus.Frame,
        due: bytes,
        data_bytes: int,
        *,
        either: bool = False,
        patient: bool = False,
    ) -> None:
        self.sent = frame.to_bytes()
        self.due_bytes = 5 + max(1, len(due) + data_bytes)
        self.finished = False
        self.data = b""
        self._frame = frame
        self._due = due
        self._either = either
        self._patient = patient
        self._splitter = bus.FrameSplitter()

    @property
    def noise(self) -> bytes:
        return self._splitter.noise

    def feed(self, data: bytes) -> None:
        for frame in self._splitter.feed(data):
            if frame is None:
                raise Collision("two spoke at once on the bus")
            if not self.finished:
                self._take(frame)

    def _take(self, frame: bus.Frame) -> None:
        asked = self._frame
        if frame.sender == asked.sender:  # our own, come back on the one wire
            if frame != asked:
                raise Collision("what was sent came back damaged")
            return
        if frame.sender != asked.to or frame.to != asked.sender:
            return
        if frame.body == bus.NO:
            raise RigRefused(f"the radio said no to {asked.body.hex(' ')}")
        if frame.body == bus.DONE and (self._either or not self._due):
            self.finished = True
        elif self._due and frame.body.startswith(self._due):
            self.data = frame.body[len(self._due) :]
            self.finished = True
        elif not self._patient and frame.body[0] not in _PASSED_OVER:
            raise RigGarbled(f"asked {asked.body.hex(' ')}, answered {shown(frame.body)}")
