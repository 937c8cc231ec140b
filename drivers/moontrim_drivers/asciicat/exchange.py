"""Messages sent in one write on the semicolon bus, and the answers to them among all that comes.

Knows no port and no driver.
"""

from __future__ import annotations

from moontrim_drivers.asciicat import codec as bus
from moontrim_drivers.contract import RigGarbled

# characters of an answer, semicolon included; the longest where lengths differ
ANSWER_BYTES = {"FA": 14, "FB": 14, "IF": 38, "ID": 6}
_OTHER_ANSWER_BYTES = 8


class AsciiExchange:
    """Messages sent in one write, and the newest answer to each question among them.

    sets: messages that are not answered. questions: names of the messages that are. refused: the
    radio refused at least one of them. answers: the arguments of the answers, by name."""

    def __init__(self, sets: bytes, questions: tuple[str, ...]) -> None:
        self.sent = sets + b"".join(bus.Message(name).to_bytes() for name in (*questions, "ID"))
        self.due_bytes = sum(
            ANSWER_BYTES.get(name, _OTHER_ANSWER_BYTES) for name in (*questions, "ID")
        )
        self.finished = False
        self.refused = False
        self.answers: dict[str, str] = {}
        self._due = questions
        self._splitter = bus.MessageSplitter()

    @property
    def noise(self) -> bytes:
        return self._splitter.noise

    def feed(self, data: bytes) -> None:
        for message in self._splitter.feed(data):
            if message.name == bus.REFUSED:
                self.refused = True
            elif message.name in bus.DAMAGED:
                raise RigGarbled(f"{message.name} received: the radio could not read what was sent")
            elif message.name in self._due:
                self.answers[message.name] = message.rest
            elif message.name == "ID":
                # One that comes before the other answers belongs to an earlier program's question.
                self.finished = self.refused or self.answers.keys() >= set(self._due)
