"""The daemon's side of the guard process: keeps it running, arms it before the radio is keyed, and
sends it beats.

A beat is evidence that the daemon can end the over: it is sent from the event loop, and only if the
keying task has gone round since the beat before. The guard answers each; one that does not answer
ends the over, since the radio would be keyed without a guard."""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Callable
from typing import Any

from moontrim.clock.system import Clock, SystemClock
from moontrim.guard.child import GuardChild
from moontrim.guard.deadman import DeadMan
from moontrim.guard.messages import BEAT_S, Arm, encode, encode_arm
from moontrim.guard.processorwait import waited_for_processor_s
from moontrim_drivers.emergencyunkey import EmergencyUnkey

log = logging.getLogger(__name__)

ARM_S = 0.7  # chosen: within the time of one answer of an output; a connection takes half of it
NO_ANSWER_S = 2.0  # chosen: longer than it is busy with one attempt; it takes two faults to need it
LOOK_S = 0.25  # chosen: how often it is looked at whether the radio needs a guard
RESTART_S = 1.0  # chosen: it starts in a tenth of that; one that always fails must not fill the log
UNGUARDED = (
    "no guard: this radio's driver has no emergency_unkey, so nothing unkeys the radio if moontrim "
    'hangs; key it by a line (kind = "rts", "dtr" or "gpio" with keys_radio = true)'
)


class GuardError(Exception):
    """The radio cannot be guarded, so it is not keyed; str() says why."""


class UnkeyGuard:
    """Guards a radio that is keyed by a command. `run` beside the keying, and longer than it.

    describe: returns how the radio is unkeyed from outside; None where it cannot be, or the radio
    does not answer. connected: whether it answers. rounds: a number that grows with every round of
    the keying task. longest_s: of an over. note: called with each text for log and journal. ended:
    called when the over must end; with True if the guard may have written to the radio."""

    def __init__(
        self,
        clock: Clock,
        describe: Callable[[], EmergencyUnkey | None],
        connected: Callable[[], bool],
        rounds: Callable[[], int],
        longest_s: float,
        note: Callable[[str], object],
        ended: Callable[[str, bool], object],
    ) -> None:
        self._clock = clock
        self._describe = describe
        self._connected = connected
        self._rounds = rounds
        self._longest_s = longest_s
        self._note = note
        self._ended = ended
        self._child: GuardChild | None = None
        self._started = asyncio.Event()
        self._down = ""  # why there is no process; empty while there is, or before the first
        self._reply: asyncio.Future[dict[str, Any]] | None = None
        self._over = 0
        self._armed = False
        self._by_descriptor = False
        self._lost = False  # the radio, in the present over
        self._requested = False  # of the guard, to unkey; until it reports
        self._outcome = ""  # of the guard's last attempt to unkey in the present over
        self._dead_man = DeadMan()
        self._answer_s = 0.0
        self._beat_round = -1
        self._doubt = ""  # of the present over
        self._awake_trouble = ""

    def doubt(self) -> str:
        """Returns why the radio must not be keyed, or not any longer; empty if nothing is known
        against it. To be asked often: it also finds out that this process did not run."""
        watched = self._armed and not self._doubt
        if watched and (reason := self._dead_man.reason(*self._instant())):
            text = f"{reason} while the radio was keyed"
            self.unkey(text)
            self._end_over(f"{text}; unkeyed by the guard process", touched=True)
        return self.standing_doubt()

    def standing_doubt(self) -> str:
        """Returns what `doubt` does, but finds out nothing new and ends no over."""
        if self._doubt:
            return self._doubt
        how = self._way()
        if how is None:
            return UNGUARDED if self._connected() else ""
        return "" if how.ends_with_process else self._down

    def warnings(self) -> tuple[str, ...]:
        """Returns what the operator should know."""
        if self._way() is None and self._connected():
            return (f"keying: {UNGUARDED}",)
        return (f"keying: {self._down}",) if self._down else ()

    async def arm(self) -> None:
        """Returns once the guard watches; then the radio may be keyed. Raises GuardError."""
        how = self._way()
        if how is None:
            raise GuardError(UNGUARDED if self._connected() else "no contact with radio")
        if how.ends_with_process:
            return
        self._over += 1
        host, port = how.address or ("", 0)
        ioctl, unkey = how.ioctl or (0, how.unkey)
        arm = Arm(
            over=self._over,
            host=host,
            port=port,
            greeting=how.greeting.hex(),
            unkey=unkey.hex(),
            confirmed=how.confirmed,
            ioctl=ioctl,
            longest_s=self._longest_s,
        )
        self._doubt, self._lost, self._requested, self._outcome = "", False, False, ""
        self._by_descriptor = how.descriptor is not None
        self._reply = asyncio.get_running_loop().create_future()
        try:
            async with self._clock.timeout(ARM_S):
                await self._started.wait()
                self._dead_man.arm(*self._instant())
                self._answer_s, self._armed = self._now_s(), True
                descriptors = [] if how.descriptor is None else [how.descriptor]
                if not self._send(encode_arm(arm), descriptors):
                    raise GuardError("the guard process takes no messages; try again")
                reply = await self._reply
            if reply["what"] != "armed":
                raise GuardError(
                    f"no guard: the guard process cannot connect to the radio ({reply['why']}); "
                    "the server must accept a second connection"
                )
        except BaseException as error:
            self.disarm()
            if isinstance(error, TimeoutError):
                self._replace()
                raise GuardError(
                    f"no guard: the guard process did not answer within {ARM_S:g} s; it is started "
                    "anew, try again"
                ) from None
            raise
        finally:
            self._reply = None

    def unkey(self, why: str) -> None:
        """Has the guard unkey the radio: the daemon cannot."""
        if self._armed and not self._requested:
            self._requested = self._send(encode("unkey", over=self._over, why=why))

    def disarm(self) -> None:
        """Ends the over: the radio is known to receive, or no key was sent."""
        self._armed, self._doubt = False, ""
        self._send(encode("disarm"))

    async def run(self) -> None:
        """Runs until cancelled. The process starts once the radio answers and needs it; however
        this ends, it then unkeys a radio for which it is armed."""
        while not ((how := self._way()) and not how.ends_with_process and self._connected()):
            await self._clock.sleep(LOOK_S)
        beating = asyncio.create_task(self._beat(), name="guard beats")
        try:
            while True:
                try:
                    why = await self._run_once()
                except OSError as error:
                    why = error.strerror or str(error)
                text = f"no guard: the guard process has ended ({why}); it is started anew"
                if not self._down:
                    self._end_over(text, touched=False)
                self._down = text
                await self._clock.sleep(RESTART_S)
        finally:
            beating.cancel()

    async def _run_once(self) -> str:
        """Starts the process and returns how it has ended. Raises OSError if it cannot be
        started."""
        self._child = child = GuardChild(self._clock, self._take)
        self._started.set()
        self._down = ""
        try:
            await child.ended.wait()
            return await child.how_it_ended()
        finally:
            self._child = None
            self._started.clear()
            await child.close(armed=self._armed)

    def _way(self) -> EmergencyUnkey | None:
        # On a virtual clock a process in real time would find the daemon silent.
        if not isinstance(self._clock, SystemClock):
            return EmergencyUnkey(ends_with_process=True)
        return self._describe()

    def _instant(self) -> tuple[float, float]:
        return self._now_s(), waited_for_processor_s(os.getpid())

    def _now_s(self) -> float:
        """Returns seconds that go on while the machine is suspended."""
        return self._clock.monotonic_s() + self._clock.suspended_s()

    async def _beat(self) -> None:
        while True:
            await self._clock.sleep(BEAT_S)
            if not self._armed:
                continue
            self.doubt()
            now_s, round_ = self._now_s(), self._rounds()
            if round_ != self._beat_round:
                self._dead_man.beat(*self._instant())
                self._beat_round = round_
                self._send(encode("beat", over=self._over))
            if now_s - self._answer_s >= NO_ANSWER_S and not self._doubt:
                text = f"no guard: the guard process did not answer for {NO_ANSWER_S:g} s"
                self._end_over(f"{text}; it is started anew", touched=False)
                self._replace()
            if not self._lost and not self._connected():
                self._lost = True
                self.unkey("no contact with radio")
                if self._by_descriptor:
                    self._send(encode("disarm"))  # or the port could not be opened again

    def _replace(self) -> None:
        if self._child is not None:
            self._child.kill()

    def _send(self, packet: bytes, descriptors: list[int] | None = None) -> bool:
        return self._child is not None and self._child.send(packet, descriptors or ())

    def _take(self, message: dict[str, Any]) -> None:
        if message.get("over") != self._over:
            return  # of an over before
        self._answer_s = self._now_s()
        match message["what"]:
            case "alive":
                self._show_awake(message["awake"])
            case "unkeyed before":
                self._requested = False
            case "fired":
                self._requested = False
                text = f"guard: {message['why']}; {message['outcome']}"
                if self._armed and not self._doubt:
                    self._end_over(text, touched=True)
                elif message["outcome"] != self._outcome:  # else it is one more attempt
                    self._report(text)
                self._outcome = message["outcome"]
            case _ if self._reply is not None and not self._reply.done():
                self._reply.set_result(message)

    def _end_over(self, text: str, *, touched: bool) -> None:
        """Ends the over, if there is one. touched: the guard may have written to the radio."""
        self._report(text)
        if not self._armed or self._doubt:
            return
        self._doubt = text
        if touched and self._by_descriptor:
            self._send(encode("disarm"))  # or the port could not be opened again
        self._ended(text, touched)

    def _report(self, text: str) -> None:
        log.error("keying: %s", text)
        self._note(text)

    def _show_awake(self, trouble: str) -> None:
        if trouble and trouble != self._awake_trouble:
            log.info("keying: the machine is not kept from suspending while keyed: %s", trouble)
        self._awake_trouble = trouble
