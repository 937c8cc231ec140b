"""The names of the topics, and who a command topic says it is from. Pure.

<root>/<station>/availability info state outlook trace event value/<field>
<root>/<station>/cmd/<account>/<name>      what is asked of us
<root>/<station>/reply/<account>/<client>  the only place replies go to
"""

from __future__ import annotations

import re
from dataclasses import dataclass

LONGEST_LEVEL = 64
# One level of a topic a client may choose: no wildcard, no separator, nothing unprintable.
_LEVEL = re.compile(r"[A-Za-z0-9._~:@=-]{1,64}")


@dataclass(frozen=True, slots=True)
class Topics:
    """All topics of one daemon."""

    root: str
    station: str

    @property
    def base(self) -> str:
        return f"{self.root}/{self.station}"

    @property
    def availability(self) -> str:
        return f"{self.base}/availability"

    @property
    def info(self) -> str:
        return f"{self.base}/info"

    @property
    def state(self) -> str:
        return f"{self.base}/state"

    @property
    def outlook(self) -> str:
        return f"{self.base}/outlook"

    @property
    def trace(self) -> str:
        return f"{self.base}/trace"

    @property
    def event(self) -> str:
        return f"{self.base}/event"

    def value(self, field: str) -> str:
        return f"{self.base}/value/{field}"

    def command(self, account: str, name: str) -> str:
        return f"{self.base}/cmd/{account}/{name}"

    @property
    def every_command(self) -> str:
        """The filter that matches each command."""
        return self.command("+", "+")

    def asked(self, topic: str) -> tuple[str, str] | None:
        """(account, command name) of a command topic; None for any other."""
        levels = topic.removeprefix(f"{self.base}/cmd/").split("/")
        if len(levels) != 2 or self.command(*levels) != topic:
            return None
        return levels[0][:LONGEST_LEVEL], levels[1][:LONGEST_LEVEL]

    def is_reply(self, topic: str, account: str) -> bool:
        """May a reply to this account go there? Only one level below the account's own reply
        topic: anything else would let a sender make us write where it may not write itself."""
        start = f"{self.base}/reply/{account}/"
        return topic.startswith(start) and _LEVEL.fullmatch(topic[len(start) :]) is not None
