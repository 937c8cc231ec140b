"""Three small memories that stand guard over commands: what was done already, how much is too much,
and who was given a token for the second step. Pure: each is told the time (monotonic seconds)."""

from __future__ import annotations

import secrets
from collections import OrderedDict
from dataclasses import dataclass
from typing import Any

REPEAT_S, MOST_REPEATS = 30.0, 512
TOKEN_S, MOST_TOKENS = 10.0, 16
PER_S, BURST = 25.0, 50.0  # commands a second from one account, and at once

CommandKey = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Repeatable:
    """A command that was answered: by what it was, and with what. digest: of name and payload."""

    until_s: float
    digest: bytes
    reply: dict[str, Any]


class Repeats:
    """The answers of the last half minute: the network may bring a command twice."""

    def __init__(self) -> None:
        self._kept: OrderedDict[CommandKey, Repeatable] = OrderedDict()

    def find(self, key: CommandKey, now_s: float) -> Repeatable | None:
        while self._kept and next(iter(self._kept.values())).until_s <= now_s:
            self._kept.popitem(last=False)
        return self._kept.get(key)

    def keep(self, key: CommandKey, digest: bytes, reply: dict[str, Any], now_s: float) -> None:
        self._kept[key] = Repeatable(now_s + REPEAT_S, digest, reply)
        self._kept.move_to_end(key)
        if len(self._kept) > MOST_REPEATS:
            self._kept.popitem(last=False)


class Allowance:
    """So many commands a second are plenty for a hand; a client gone wild must not keep the tracker
    busy."""

    def __init__(self) -> None:
        self._left: dict[str, tuple[float, float]] = {}

    def spend(self, account: str, now_s: float) -> bool:
        """One command of this account. False when it has spent all it had."""
        left, at_s = self._left.get(account, (BURST, now_s))
        left = min(BURST, left + (now_s - at_s) * PER_S)
        enough = left >= 1.0
        self._left[account] = (left - 1.0 if enough else left, now_s)
        return enough


class SecondStep:
    """Tokens that only the one who asked gets, for ten seconds, good once."""

    def __init__(self) -> None:
        self._given: OrderedDict[str, tuple[str, float]] = OrderedDict()

    def token(self, account: str, now_s: float) -> str:
        token = secrets.token_hex(8)
        self._given[token] = (account, now_s + TOKEN_S)
        if len(self._given) > MOST_TOKENS:
            self._given.popitem(last=False)
        return token

    def redeem(self, token: str, account: str, now_s: float) -> bool:
        given_to, until_s = self._given.pop(token, ("", 0.0))
        return given_to == account and now_s < until_s

    def forget(self) -> None:
        """Who forbids last, has the last word."""
        self._given.clear()
