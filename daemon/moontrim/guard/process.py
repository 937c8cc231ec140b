"""The program of the guard process: `python -P -m moontrim.guard.process DESCRIPTOR`.

It waits for packets of the daemon on that descriptor (a socket) and unkeys the radio when, while
armed, no beat comes for `SILENCE_S`, the connection ends, the over lasts too long, or the daemon
asks for it. It ends when the connection does, and ignores the signals that end a session or that a
watchdog sends to all of a service, since the daemon must end first."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import sys
import time
from typing import Any

from moontrim.guard.deadman import DeadMan
from moontrim.guard.inhibitor import SleepInhibitor
from moontrim.guard.messages import Arm, encode, receive
from moontrim.guard.processorwait import waited_for_processor_s
from moontrim.guard.route import AGAIN_S, Route, Unreachable, open_route

STDERR = 2


def now_s() -> float:
    """Returns the seconds since the machine was started, those of being suspended included."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class Guard:
    """The state of the process. sock: the connection to the daemon."""

    def __init__(self, sock: socket.socket) -> None:
        self._socket = sock
        self._daemon = os.getppid()
        self._dead_man = DeadMan()
        self._inhibitor = SleepInhibitor()
        self._route: Route | None = None
        self._arm: Arm | None = None  # of the present over, until the daemon disarms
        self._connected = True
        self._wanted = ""  # why the daemon has asked for the radio to be unkeyed
        self._done = True  # the last attempt to unkey it
        self._last_line = ""

    def run(self) -> None:
        """Serves until the daemon has ended, and the radio is unkeyed then."""
        while self._connected:
            self._wait(self._dead_man.wait_s(*self._instant()))
            self._take_all()
            if self._arm is not None and (reason := self._reason()):
                self._unkey(self._arm, reason)
            self._wanted = ""
        self._inhibitor.release()
        if self._route is not None:
            self._route.close()

    def _instant(self) -> tuple[float, float]:
        """Returns the time, and how long the daemon has waited for a processor."""
        return now_s(), waited_for_processor_s(self._daemon)

    def _reason(self) -> str:
        """Returns why the radio must be unkeyed now; empty: it need not be."""
        if not self._connected:
            return "moontrim has ended"
        return self._wanted or self._dead_man.reason(*self._instant())

    def _wait(self, duration_s: float | None) -> bool:
        """Waits for a packet; returns whether there is one."""
        return bool(select.select([self._socket], [], [], duration_s)[0])

    def _take_all(self) -> None:
        """Takes every packet that has come, before anything is judged: this process may be late,
        too. Only the daemon's wish to unkey is done before the next packet is taken."""
        with contextlib.suppress(BlockingIOError):
            while not self._wanted:
                if (packet := receive(self._socket)) is None:
                    self._connected = False
                    return
                self._take(*packet)

    def _take(self, message: dict[str, Any], descriptors: list[int]) -> None:
        match message.pop("what"):
            case "arm":
                self._take_arm(Arm(**message), descriptors)
            case "beat":
                if self._arm is not None:
                    self._dead_man.beat(*self._instant())
                self._send("alive", over=message["over"], awake=self._inhibitor.trouble())
            case "unkey" if self._dead_man.armed or not self._done:
                self._wanted = message["why"]
            case "unkey":
                self._send("unkeyed before", over=message["over"])
            case "disarm":
                self._release()

    def _release(self) -> None:
        """Ends the watch over an over; a connection stays open, a descriptor does not."""
        self._dead_man.disarm()
        self._inhibitor.release()
        self._wanted = ""
        if self._arm is not None and not self._arm.host and self._route is not None:
            self._route.close()
            self._route = None
        self._arm = None

    def _take_arm(self, arm: Arm, descriptors: list[int]) -> None:
        try:
            self._route = open_route(arm, descriptors, self._route)
        except Unreachable as error:
            self._send("unable", over=arm.over, why=str(error))
            return
        self._arm, self._wanted = arm, ""
        self._dead_man.arm(*self._instant(), arm.longest_s)
        self._inhibitor.hold()
        self._send("armed", over=arm.over)

    def _unkey(self, arm: Arm, reason: str) -> None:
        """Unkeys until that is done, or the daemon sends something: then it runs, and unkeys as
        well. Beats that come afterwards begin the watch anew."""
        route = self._route
        assert route is not None
        self._dead_man.disarm()
        began_s = now_s()
        while True:
            try:
                outcome, done = route.unkey(bytes.fromhex(arm.unkey)), True
            except Unreachable as error:
                outcome, done = f"the radio is NOT unkeyed: {error}", False
            self._say(f"{reason}; {outcome}")
            if done or (not self._connected and now_s() - began_s > route.alone_s):
                break
            if not self._connected:
                time.sleep(AGAIN_S)
            elif self._wait(AGAIN_S):
                break
        self._done = done
        self._send("fired", over=arm.over, why=reason, outcome=outcome)

    def _say(self, text: str) -> None:
        """Writes a line to where the daemon logs, once, and only if it can be written at once:
        whatever holds that up must not hold up the guard."""
        if text == self._last_line:
            return
        self._last_line = text
        with contextlib.suppress(OSError, ValueError):
            if select.select([], [STDERR], [], 0.0)[1]:
                os.write(STDERR, f"guard: {text}\n".encode())

    def _send(self, what: str, **values: Any) -> None:
        with contextlib.suppress(OSError):  # it is full, or the daemon has ended
            self._socket.send(encode(what, **values), socket.MSG_DONTWAIT)


def main() -> None:
    """Runs the guard on the descriptor in the first argument."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGABRT):
        signal.signal(number, signal.SIG_IGN)
    with socket.socket(fileno=int(sys.argv[1])) as sock:
        Guard(sock).run()


if __name__ == "__main__":
    main()
