"""What stands between a command that arrives and the tracker: who may, is it fresh, was it done
already, is it too much, does it need a second step.

Knows no wire: a message comes in as `Arrival` and what is to be published goes out as `Post`s. Time
is real, monotonic time, also while a rehearsal runs on a clock of its own: those who ask are
real."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.errors import BusyError, InputError
from moontrim.remote.commands.guards import REPEAT_S, Allowance, Repeats, SecondStep
from moontrim.remote.commands.parsing import (
    PhoneRequest,
    changed_values,
    read_command,
    refused_by_tracker,
)
from moontrim.remote.commands.payload import Body, Refusal, read_body, reply_done, reply_refused
from moontrim.remote.published.messages import Post, encode, ms
from moontrim.remote.published.topics import Topics
from moontrim.session.commands import Command, PermitTransmit
from moontrim.session.session import Session

log = logging.getLogger(__name__)

ANSWER_S = 3.0


@dataclass(frozen=True, slots=True)
class Arrival:
    """A message on a command topic. expires_s: how long after `at_s` it is still meant; None for
    ever. age_s: how long it may have lain before we could read it."""

    topic: str
    payload: bytes
    at_s: float
    retained: bool = False
    reply_to: str | None = None
    correlation: bytes | None = None
    expires_s: float | None = None
    age_s: float = 0.0


@dataclass(slots=True)
class _Handling:
    """One command on its way through: what is known so far of how to answer it."""

    account: str
    name: str
    reply_to: str | None = None
    correlation: bytes | None = None
    id: str | int | None = None


# What carries a command out: `Daemon.ask`.
AskTracker = Callable[[Command], Any]


class Admission:
    """Deals with commands one at a time. commanders: the accounts that may command."""

    def __init__(
        self, topics: Topics, settings: Settings, commanders: frozenset[str], real: Clock
    ) -> None:
        self._topics = topics
        self._settings = settings
        self._commanders = commanders
        self._real = real
        self._repeats = Repeats()
        self._allowance = Allowance()
        self._second_step = SecondStep()

    async def deal_with(self, arrival: Arrival, ask: AskTracker, now_utc_s: float) -> list[Post]:
        """Carry a command out or not, and say which. Never raises but on cancellation. ask:
        hands a command to the tracker, as `Daemon.ask` does. now_utc_s: the daemon's clock."""
        case = self._case(arrival)
        if case is None:
            return []
        posts = []
        if arrival.retained:
            if not arrival.payload:
                return []  # the trace of someone clearing it
            posts.append(Post(arrival.topic, b"", 1, True))
        text = ""
        try:
            body = self._open(case, arrival)
            reply, text = await self._once(case, body, arrival, ask)
        except Refusal as refusal:
            reply = reply_refused(case.id, refusal)
        except Exception:
            log.exception("command %s failed", case.name)
            reply = reply_refused(
                case.id, Refusal("internal", "this failed here; see the daemon's log")
            )
        return posts + self._answers(case, reply, text, now_utc_s)

    def too_many(self, arrival: Arrival, now_utc_s: float) -> list[Post]:
        """The answer to a command there is no room for; it is not even read."""
        case = self._case(arrival)
        if case is None or arrival.reply_to is None:
            return []
        case.reply_to = self._good_reply_topic(case.account, arrival.reply_to)
        reply = reply_refused(None, Refusal("busy", "too many commands at once; try again"))
        return self._answers(case, reply, "", now_utc_s)[:1] if case.reply_to else []

    # --- step by step -----------------------------------------------------------------------------

    def _case(self, arrival: Arrival) -> _Handling | None:
        asked = self._topics.asked(arrival.topic)
        if asked is None:
            return None
        return _Handling(*asked, correlation=arrival.correlation)

    def _open(self, case: _Handling, arrival: Arrival) -> Body:
        """Take the payload apart, so far as to know where the answer goes, and check everything
        that needs no reading of the command itself."""
        if arrival.reply_to is not None:
            case.reply_to = self._good_reply_topic(case.account, arrival.reply_to)
            if case.reply_to is None:
                self._refuse_reply_topic(case, arrival.reply_to)
        body = read_body(arrival.payload)
        case.id = body.id if body.id is not None else _id_from(arrival.correlation)
        if arrival.reply_to is None and body.reply_to is not None:
            case.reply_to = self._good_reply_topic(case.account, body.reply_to)
            if case.reply_to is None:
                self._refuse_reply_topic(case, body.reply_to)
        if case.account not in self._commanders:
            raise Refusal("not_allowed", f"{case.account} may not command", "account", case.account)
        if arrival.retained:
            raise Refusal(
                "retained",
                "a retained command would be done again by surprise",
                allowed="commands that are not retained",
            )
        waited_s = self._real.monotonic_s() - arrival.at_s + arrival.age_s
        if arrival.expires_s is not None and waited_s > arrival.expires_s:
            raise Refusal("expired", f"expired before it was read, {waited_s:.1f} s after it came")
        return body

    async def _once(
        self, case: _Handling, body: Body, arrival: Arrival, ask: AskTracker
    ) -> tuple[dict[str, Any], str]:
        """Do it, unless it was done already: then the same answer again."""
        key = (case.account, case.reply_to or "", repr(case.id))
        digest = hashlib.sha256(case.name.encode() + b"\0" + arrival.payload).digest()
        now_s = self._real.monotonic_s()
        if case.id is not None and (before := self._repeats.find(key, now_s)) is not None:
            if before.digest == digest:
                return before.reply, ""
            if body.id is not None:  # correlation data need not differ each time
                raise Refusal(
                    "bad_value",
                    "this id was used for another command a moment ago",
                    "id",
                    case.id,
                    f"another id, or the same after {REPEAT_S:.0f} s",
                )
        text, forbids = "", False
        try:
            asked = read_command(case.name, body, case.account)
            forbids = isinstance(asked.command, PermitTransmit) and not asked.command.on
            # Forbidding has an allowance of its own: it must get through whatever else is asked.
            if not self._allowance.spend(case.account + "/forbid" * forbids, now_s):
                raise Refusal("busy", "too many commands at once; try again")
            self._confirm(case, asked, now_s)
            reply = reply_done(case.id, await self._carry_out(asked, ask))
            text = str(asked.command)
        except Refusal as refusal:
            if refusal.code == "busy":  # to be tried again, under the same id
                raise
            reply = reply_refused(case.id, refusal)
        if case.id is not None and not forbids:  # which is done again: others may have permitted
            self._repeats.keep(key, digest, reply, self._real.monotonic_s())
        return reply, text

    async def _carry_out(self, asked: PhoneRequest, ask: AskTracker) -> dict[str, Any]:
        if isinstance(asked.command, PermitTransmit) and not asked.command.on:
            self._second_step.forget()
        try:
            async with self._real.timeout(ANSWER_S):
                session: Session = await ask(asked.command)
        except (InputError, BusyError) as error:
            raise refused_by_tracker(error) from None
        except TimeoutError:
            raise Refusal(
                "internal", "the tracker did not answer; look at the state to see what became of it"
            ) from None
        return changed_values(session, self._settings, asked.answers)

    def _confirm(self, case: _Handling, asked: PhoneRequest, now_s: float) -> None:
        """Let through what needs no second step, or is one."""
        if not asked.needs_confirming:
            return
        problem = "permitting to transmit takes a second step"
        if asked.confirm is not None:
            if self._second_step.redeem(asked.confirm, case.account, now_s):
                return
            problem = "this token is not valid, or not any more"
        if case.reply_to is None:
            allowed = "a reply topic, for the token to go to"
            raise Refusal("confirm", problem, "reply_to", None, allowed)
        token = self._second_step.token(case.account, now_s)
        raise Refusal("confirm", problem, "confirm", asked.confirm, token)

    def _good_reply_topic(self, account: str, topic: str) -> str | None:
        return topic if self._topics.is_reply(topic, account) else None

    def _refuse_reply_topic(self, case: _Handling, topic: str) -> None:
        raise Refusal(
            "bad_reply_topic",
            "replies do not go there",
            "reply_to",
            topic,
            f"{self._topics.base}/reply/{case.account}/<client>",
        )

    def _answers(
        self, case: _Handling, reply: dict[str, Any], text: str, now_utc_s: float
    ) -> list[Post]:
        posts = []
        if case.reply_to is not None:
            posts.append(Post(case.reply_to, encode(reply), 1, correlation=case.correlation))
        event = {
            "at_ms": ms(now_utc_s),
            "what": "command",
            "by": case.account,
            "name": case.name,
            "ok": reply["ok"],
            "text": text if reply["ok"] else reply["error"]["message"],
        }
        if reply["ok"] and not text:
            return posts  # a repetition: nothing happened
        return [*posts, Post(self._topics.event, encode(event), 1)]


def _id_from(correlation: bytes | None) -> str | None:
    """Correlation data that reads as text doubles as an id; any other still counts by its digest
    of hexadecimal digits."""
    if not correlation:
        return None
    try:
        text = correlation.decode()
    except UnicodeDecodeError:
        return correlation.hex()[:64]
    return text if text.isprintable() and len(text) <= 64 else correlation.hex()[:64]
