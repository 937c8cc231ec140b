"""A command on its way: the message that arrived, what is known of it, and what was decided."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from moontrim.remote.published.messages import Post


@dataclass(frozen=True, slots=True)
class Arrival:
    """A message on a command topic.

    at_s: when it was read. expires_s: after how many seconds it is no longer meant; None for never.
    age_s: how long it may have waited before it was read."""

    topic: str
    payload: bytes
    at_s: float
    retained: bool = False
    reply_to: str | None = None
    correlation: bytes | None = None
    expires_s: float | None = None
    age_s: float = 0.0


@dataclass(slots=True)
class Handling:
    """What is known so far of a command and of where its reply goes."""

    account: str
    name: str
    reply_to: str | None = None
    correlation: bytes | None = None
    id: str | int | None = None


@dataclass(slots=True)
class Decided:
    """A command that was carried out or refused. posts: to send besides the reply. reply: None
    where nobody is to be answered. text: the command, if it was carried out now."""

    posts: list[Post]
    case: Handling | None = None
    reply: dict[str, Any] | None = None
    text: str = ""
