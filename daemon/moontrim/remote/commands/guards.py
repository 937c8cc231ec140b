"""Guards against repeated commands, floods, and allowing transmit by accident. Pure: each
class takes the time as an argument, in monotonic seconds."""

from __future__ import annotations

import secrets
from collections import OrderedDict
from dataclasses import dataclass
from typing import Any

REPEAT_S = 30.0  # chosen: longer than a network takes to deliver a message again
MOST_REPEATS = 512  # chosen: bounds the memory
TOKEN_S = 10.0  # chosen: for a second tap on the page
MOST_TOKENS = 16  # chosen: bounds the memory
PER_S = 25.0  # commands a second from one account; chosen: above the fastest tapping
BURST = 50.0  # commands of one account at once; chosen: two seconds' worth

CommandKey = tuple[str, str, str]  # account, reply topic, id


@dataclass(frozen=True, slots=True)
class Repeatable:
    """A command that was answered, and its reply. digest: of its name and payload."""

    until_s: float
    digest: bytes
    reply: dict[str, Any]


class Repeats:
    """The replies of the last half minute, because the network may deliver a command twice."""

    def __init__(self) -> None:
        self._answered: OrderedDict[CommandKey, Repeatable] = OrderedDict()

    def find(self, key: CommandKey, now_s: float) -> Repeatable | None:
        """Returns the command answered before under this key, None if there is none."""
        while self._answered and next(iter(self._answered.values())).until_s <= now_s:
            self._answered.popitem(last=False)
        return self._answered.get(key)

    def add(self, key: CommandKey, digest: bytes, reply: dict[str, Any], now_s: float) -> None:
        """Remembers a command and its reply."""
        self._answered[key] = Repeatable(now_s + REPEAT_S, digest, reply)
        self._answered.move_to_end(key)
        if len(self._answered) > MOST_REPEATS:
            self._answered.popitem(last=False)


class Allowance:
    """How many commands each account may send: a token bucket, so that a faulty client cannot
    occupy the tracker."""

    def __init__(self) -> None:
        self._left: dict[str, tuple[float, float]] = {}

    def spend(self, account: str, now_s: float) -> bool:
        """Counts one command of this account. False if it has none left."""
        left, at_s = self._left.get(account, (BURST, now_s))
        left = min(BURST, left + (now_s - at_s) * PER_S)
        enough = left >= 1.0
        self._left[account] = (left - 1.0 if enough else left, now_s)
        return enough


class SecondStep:
    """Tokens for what takes a second step: each is for one account and one command, once, for a
    limited time. One object for all ways to allow transmit, so that inhibiting cancels them all."""

    def __init__(self) -> None:
        self._issued: OrderedDict[str, tuple[str, str, float]] = OrderedDict()

    def token(self, account: str, command: str, now_s: float, valid_s: float = TOKEN_S) -> str:
        """Returns a new token for this command, as text, of this account."""
        token = secrets.token_hex(8)
        self._issued[token] = (account, command, now_s + valid_s)
        if len(self._issued) > MOST_TOKENS:
            self._issued.popitem(last=False)
        return token

    def redeem(self, token: str, account: str, command: str, now_s: float) -> bool:
        """Is this a valid token for this command of this account? It is not valid again."""
        *holder, until_s = self._issued.pop(token, ("", "", 0.0))
        return holder == [account, command] and now_s < until_s

    def forget(self) -> None:
        """Makes all tokens invalid: inhibiting cancels every permission under way."""
        self._issued.clear()
