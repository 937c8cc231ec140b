"""Decides which commands reach the tracker, and answers all of them.

Knows no wire: a message comes in as `Arrival`, replies and events leave as `Post`s. Time is real,
monotonic time, also in a rehearsal, since the clients are real. The checks, in their order:

    reply topic   below the account's own, else there is no reply
    payload       short, JSON or one value
    account       may command
    retained      refused, and cleared at the broker
    expiry        counted from the arrival, plus the time the daemon stood still
    repetition    the same id and payload: the same reply, nothing is done
    parsing       known command, usable fields
    clear text    only inhibiting
    allowance     not too many at once
    second step   allowing transmit with the present front end, or a large trim, takes a token
                  from the first reply

A command acts at once and in order; its reply waits until the change is on disk, or tells why it is
not, and meanwhile other commands are handled."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Awaitable, Callable
from typing import Any

from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.errors import BusyError, InputError, NotNowError
from moontrim.remote.commands.arrival import Arrival, Decided, Handling
from moontrim.remote.commands.forbidding import ANSWER_S
from moontrim.remote.commands.guards import REPEAT_S, TOKEN_S, Allowance, Repeats, SecondStep
from moontrim.remote.commands.parsing import (
    PhoneRequest,
    changed_values,
    for_front_end,
    read_command,
    refused_by_tracker,
    refused_in_clear_text,
)
from moontrim.remote.commands.payload import (
    Body,
    Refusal,
    id_from,
    read_body,
    reply_done,
    reply_refused,
)
from moontrim.remote.published.messages import Post, encode, ms
from moontrim.remote.published.topics import Topics
from moontrim.session.commands import AllowTransmit, Command
from moontrim.session.session import Session

log = logging.getLogger(__name__)


# Carries a command out and returns the session after it.
AskTracker = Callable[[Command], Any]
# Waits until the session is on disk, for a limited time by this clock; returns why it is not.
Unsaved = Callable[[Clock], Awaitable[str]]


class Admission:
    """Decides one command at a time.

    session: returns the session in force. commanders: the accounts that may command. second_step:
    shared with the other ways to allow transmit. in_clear_text: only inhibiting is carried out."""

    def __init__(
        self,
        topics: Topics,
        settings: Settings,
        session: Callable[[], Session],
        commanders: frozenset[str],
        real: Clock,
        second_step: SecondStep,
        *,
        in_clear_text: bool = False,
    ) -> None:
        self._topics = topics
        self._settings = settings
        self._session = session
        self._commanders = commanders
        self._real = real
        self._in_clear_text = in_clear_text
        self._repeats = Repeats()
        self._allowance = Allowance()
        self._second_step = second_step

    async def decide(self, arrival: Arrival, ask: AskTracker) -> Decided:
        """Carries a command out or refuses it. Raises nothing but a cancellation.

        ask: passes a command to the tracker."""
        case = self._case(arrival)
        if case is None:
            return Decided([])
        posts = []
        if arrival.retained:
            if not arrival.payload:
                return Decided([])  # a retained message was cleared
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
                case.id, Refusal("internal", "internal error; see the daemon's log")
            )
        return Decided(posts, case, reply, text)

    async def answers(self, decided: Decided, unsaved: Unsaved, now_utc_s: float) -> list[Post]:
        """Returns reply and event, once what was carried out is on disk or is known not to be.

        now_utc_s: by the daemon's clock."""
        case, reply = decided.case, decided.reply
        if case is None or reply is None:
            return decided.posts
        if reply["ok"]:
            reason = await unsaved(self._real)
            reply |= {"saved": not reason, "unsaved": reason or None}
        return decided.posts + self._answers(case, reply, decided.text, now_utc_s)

    def too_many(self, arrival: Arrival, now_utc_s: float) -> list[Post]:
        """Returns the reply to a command that finds the queue full. Its payload is not read."""
        case = self._case(arrival)
        if case is None or arrival.reply_to is None:
            return []
        if not self._topics.is_reply(arrival.reply_to, case.account):
            return []
        case.reply_to = arrival.reply_to
        reply = reply_refused(None, Refusal("busy", "too many commands at once; try again"))
        return self._answers(case, reply, "", now_utc_s)[:1]

    # --- step by step -----------------------------------------------------------------------------

    def _case(self, arrival: Arrival) -> Handling | None:
        names = self._topics.account_and_command(arrival.topic)
        if names is None:
            return None
        return Handling(*names, correlation=arrival.correlation)

    def _open(self, case: Handling, arrival: Arrival) -> Body:
        """Takes the payload apart and checks all that does not depend on the command itself. Sets
        reply topic and id of the case as early as possible, so that a refusal can be sent. Raises
        Refusal."""
        if arrival.reply_to is not None:
            self._set_reply_topic(case, arrival.reply_to)
        body = read_body(arrival.payload)
        case.id = body.id if body.id is not None else id_from(arrival.correlation)
        if arrival.reply_to is None and body.reply_to is not None:
            self._set_reply_topic(case, body.reply_to)
        if case.account not in self._commanders:
            text = f"account {case.account} cannot send commands"
            raise Refusal("not_allowed", text, "account", case.account)
        if arrival.retained:
            raise Refusal(
                "retained",
                "retained commands are rejected",
                expected="a command that is not retained",
            )
        waited_s = self._real.monotonic_s() - arrival.at_s + arrival.age_s
        if arrival.expires_s is not None and waited_s > arrival.expires_s:
            raise Refusal("expired", f"expired: {waited_s:.1f} s old when read")
        return body

    async def _once(
        self, case: Handling, body: Body, arrival: Arrival, ask: AskTracker
    ) -> tuple[dict[str, Any], str]:
        """Carries a command out, unless it was carried out before; returns the reply and, if it was
        carried out now, the command as text. Raises Refusal."""
        key = (case.account, case.reply_to or "", repr(case.id))
        digest = hashlib.sha256(case.name.encode() + b"\0" + arrival.payload).digest()
        now_s = self._real.monotonic_s()
        if case.id is not None and (before := self._repeats.find(key, now_s)) is not None:
            if before.digest == digest:
                return before.reply, ""
            if body.id is not None:  # correlation data need not differ each time
                raise Refusal(
                    "bad_value",
                    "id already used for another command",
                    "id",
                    case.id,
                    f"another id, or the same after {REPEAT_S:.0f} s",
                )
        text, inhibits = "", False
        try:
            request = read_command(case.name, body, case.account)
            request = for_front_end(request, self._session(), self._settings)
            inhibits = isinstance(request.command, AllowTransmit) and not request.command.on
            if self._in_clear_text and not inhibits:
                raise refused_in_clear_text()
            # Inhibiting has a separate allowance: a flood of other commands must not stop it.
            if not self._allowance.spend(case.account + "/inhibit" * inhibits, now_s):
                raise Refusal("busy", "too many commands at once; try again")
            self._confirm(case, request, now_s)
            reply = reply_done(case.id, await self._carry_out(request, ask))
            text = str(request.command)
        except Refusal as refusal:
            if refusal.code == "busy":  # the client may try again with the same id
                raise
            reply = reply_refused(case.id, refusal)
        # A repeated inhibit is carried out again: another client may have allowed it meanwhile.
        if case.id is not None and not inhibits:
            self._repeats.add(key, digest, reply, self._real.monotonic_s())
        return reply, text

    async def _carry_out(self, request: PhoneRequest, ask: AskTracker) -> dict[str, Any]:
        """Passes a command to the tracker; returns the new values. Raises Refusal."""
        if isinstance(request.command, AllowTransmit) and not request.command.on:
            self._second_step.forget()
        try:
            async with self._real.timeout(ANSWER_S):
                session: Session = await ask(request.command)
        except (InputError, BusyError, NotNowError) as error:
            raise refused_by_tracker(error, request) from None
        except TimeoutError:
            raise Refusal(
                "internal", "no reply from the tracker; check the state for the outcome"
            ) from None
        return changed_values(session, self._settings, request.answers)

    def _confirm(self, case: Handling, request: PhoneRequest, now_s: float) -> None:
        """Raises Refusal for a command that needs a second step and is not one."""
        if not request.needs_confirming:
            return
        problem, command = "to confirm", str(request.command)
        if request.confirm is not None:
            if self._second_step.redeem(request.confirm, case.account, command, now_s):
                return
            problem = "token invalid or expired"
        if case.reply_to is None:
            problem = f"{request.needs_confirming}: to confirm, a reply topic is needed"
            raise Refusal("confirm", problem, "reply_to", None, "a reply topic")
        problem = (
            f"{request.needs_confirming}: {problem}, send again with "
            f'"confirm": "<confirm_token>" within {TOKEN_S:.0f} s'
        )
        token = self._second_step.token(case.account, command, now_s)
        raise Refusal("confirm", problem, "confirm", request.confirm, confirm_token=token)

    def _set_reply_topic(self, case: Handling, topic: str) -> None:
        """Sets where the reply goes. Raises Refusal bad_reply_topic."""
        if not self._topics.is_reply(topic, case.account):
            raise Refusal(
                "bad_reply_topic",
                "invalid reply topic",
                "reply_to",
                topic,
                f"{self._topics.base}/reply/{case.account}/<client>",
            )
        case.reply_to = topic

    def _answers(
        self, case: Handling, reply: dict[str, Any], text: str, now_utc_s: float
    ) -> list[Post]:
        """Returns reply and event; only the reply for a repetition. text: the command, if it was
        carried out now."""
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
            return posts
        return [*posts, Post(self._topics.event, encode(event), 1)]
