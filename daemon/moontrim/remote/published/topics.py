"""The names of the topics, and the account that a command topic names. Pure.

<root>/<name>/availability info state skeds outlook tonight log trace event value/<field>
<root>/<name>/cmd/<account>/<command>   commands
<root>/<name>/reply/<account>/<client>  the only place for replies
"""

from __future__ import annotations

import re
from dataclasses import dataclass

LONGEST_LEVEL = 64  # chosen: of account and command names in log and replies
# The level of a reply topic that a client chooses: no wildcard, no separator, only printable.
_LEVEL = re.compile(r"[A-Za-z0-9._~:@=-]{1,64}")


@dataclass(frozen=True, slots=True)
class Topics:
    """All topics of one daemon. root, name: the first two levels of each."""

    root: str
    name: str

    @property
    def base(self) -> str:
        return f"{self.root}/{self.name}"

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
    def skeds(self) -> str:
        return f"{self.base}/skeds"

    @property
    def outlook(self) -> str:
        return f"{self.base}/outlook"

    @property
    def tonight(self) -> str:
        return f"{self.base}/tonight"

    @property
    def log(self) -> str:
        return f"{self.base}/log"

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
        """The filter that matches all commands."""
        return self.command("+", "+")

    def account_and_command(self, topic: str) -> tuple[str, str] | None:
        """Returns account and command name of a command topic; None for any other."""
        levels = topic.removeprefix(f"{self.base}/cmd/").split("/")
        if len(levels) != 2 or self.command(*levels) != topic:
            return None
        return levels[0][:LONGEST_LEVEL], levels[1][:LONGEST_LEVEL]

    def is_reply(self, topic: str, account: str) -> bool:
        """Is this a reply topic of the account? Only one level below the account's reply topic is:
        otherwise a sender could make the daemon publish where the sender may not."""
        start = f"{self.base}/reply/{account}/"
        return topic.startswith(start) and _LEVEL.fullmatch(topic[len(start) :]) is not None
