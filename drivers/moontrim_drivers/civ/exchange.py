"""One frame sent on the addressed binary bus, and the answer to it among all that comes.

Decides which of the frames on the bus is that answer; knows no port and no driver.
"""

from __future__ import annotations

from moontrim_drivers.civ import codec as bus
from moontrim_drivers.contract import RigGarbled, RigRefused
from moontrim_drivers.serial.exchange import shown

# Commands that may come without a question: 00 and 01 report a turned knob; 19 is a late answer to
# the question for the address in an `open` that was cut short.
_UNSOLICITED = (0x00, 0x01, 0x19)


class Collision(RigRefused):
    """Two sent at once. The driver sends once more; this error never leaves it."""


class CivExchange:
    """One frame sent, and the answer due from one radio. Frames of other radios and unsolicited
    ones are skipped.

    due: the beginning of the answer, before its data; empty: only FB (done) is due. data_bytes: the
    expected length of the data, for the deadline. either: FB is accepted as well. patient: answers
    to other questions are skipped, too. data: what came after `due`."""

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
        sent = self._frame
        if frame.sender == sent.sender:  # our own, received again on a one-wire bus
            if frame != sent:
                raise Collision("what was sent came back damaged")
            return
        if frame.sender != sent.to or frame.to != sent.sender:
            return
        if frame.body == bus.REFUSED:
            raise RigRefused(f"{sent.body.hex(' ')} rejected")
        if frame.body == bus.DONE and (self._either or not self._due):
            self.finished = True
        elif self._due and frame.body.startswith(self._due):
            self.data = frame.body[len(self._due) :]
            self.finished = True
        elif not self._patient and frame.body[0] not in _UNSOLICITED:
            raise RigGarbled(f"asked {sent.body.hex(' ')}, answered {shown(frame.body)}")
