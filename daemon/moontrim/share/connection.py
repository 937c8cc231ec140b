"""One connected program: its bytes, its order of commands, its end.

Owns everything that belongs to a connection and nothing that clients share. Bounded whatever the
other side does: input waits in the kernel when there is too much, answers that are not taken end
the connection. The key is let go of the moment the other side is gone, or goes."""

from __future__ import annotations

import asyncio
import logging
import re
import socket
from collections.abc import Callable
from typing import cast

from moontrim.share.actions import (
    Action,
    Key,
    Own,
    ReadDetails,
    Reply,
    SetMode,
    SetPower,
    Tune,
    Unkey,
)
from moontrim.share.answers import conclude, consider
from moontrim.share.protocol import (
    INVALID,
    OK,
    REJECTED,
    ClientLine,
    LineBuffer,
    Malformed,
    TooLong,
    answer,
    is_web_request,
    read_line,
    report,
)
from moontrim.share.sharedradio import SharedRadio

log = logging.getLogger(__name__)

MOST_WAITING = 4_096  # bytes of commands not dealt with yet; the kernel keeps the rest
MOST_UNREAD = 65_536  # bytes of answers not taken yet
UNREAD_S = 5.0
SILENT_S = 30.0  # a connection on which nothing was ever asked
_MAY_WITHDRAW = re.compile(rb"(?:T|set_ptt)[ \t]+(?:\S+[ \t]+)?0(?:\s|$)")


class Client(asyncio.Protocol):
    """One connection. who: its name towards the keying, no other one's. may_transmit: from where it
    comes, it may. ended: called once it is gone and its task is over."""

    def __init__(
        self,
        radio: SharedRadio,
        who: str,
        *,
        may_transmit: bool,
        ended: Callable[[Client], object],
    ) -> None:
        self.who = who
        self.task: asyncio.Task[None] | None = None
        self._radio = radio
        self._may_transmit = may_transmit
        self._ended = ended
        self._own = Own()
        self._input = LineBuffer()
        self._arrived = asyncio.Event()
        self._taken = asyncio.Event()  # answers, by the other side
        self._dropped = asyncio.Event()  # the key: by a later command, or by the end
        self._leaving = False
        self._keying = False  # has the key, or is waiting for it

    # --- what asyncio calls -----------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        self._transport.set_write_buffer_limits(high=MOST_UNREAD)
        _notice_a_dead_peer(self._transport.get_extra_info("socket"))
        self._taken.set()
        self.task = asyncio.create_task(self._run(), name=self.who)
        self.task.add_done_callback(lambda _: self._ended(self))

    def data_received(self, data: bytes) -> None:
        self._input.waiting += data
        self._arrived.set()
        if len(self._input.waiting) > MOST_WAITING:
            if self._keying:  # while not reading, its end would go unnoticed
                self.abort()
            else:
                self._transport.pause_reading()
        elif self._keying and self._unkey_is_coming():  # whatever else is being done before it
            self._dropped.set()
            self._radio.unkey(self.who)

    def eof_received(self) -> bool:
        self._leave()
        return True  # what was asked before is still answered

    def connection_lost(self, error: Exception | None) -> None:
        self._leave()
        if self.task is not None:
            self.task.cancel()

    def pause_writing(self) -> None:
        self._taken.clear()

    def resume_writing(self) -> None:
        self._taken.set()

    def abort(self) -> None:
        """End it now, whatever it is doing."""
        self._leave()
        self._transport.abort()

    def _leave(self) -> None:
        """Nobody is there any more to say stop."""
        self._leaving = True
        self._dropped.set()
        self._radio.unkey(self.who)
        self._arrived.set()

    def _unkey_is_coming(self) -> bool:
        """Behind the request that is being carried out, there is already its withdrawal."""
        for line in self._input.whole_lines():
            if not _MAY_WITHDRAW.search(line):  # a flood is not to be read in full for each request
                continue
            try:
                commands = read_line(line, self._own.names_vfo)
            except Malformed:
                continue
            if any(_withdraws(asked) for asked in commands):
                return True
        return False

    # --- the one task -----------------------------------------------------------------------------

    async def _run(self) -> None:
        try:
            async with self._radio.clock.timeout(SILENT_S):
                line = await self._next_line()
            while line is not None and await self._deal_with(line):
                line = await self._next_line()
            await self._farewell()
        except TimeoutError:
            log.info("%s asked nothing, or took no answers, for too long", self.who)
            self._transport.abort()
        except Exception:
            log.exception("%s", self.who)
            self._transport.abort()
        finally:
            self._leave()
            self._transport.close()

    async def _next_line(self) -> bytes | None:
        """None at the end; what has no line end then is forgotten."""
        while True:
            try:
                line = self._input.next()
            except TooLong:
                self._transport.write(report(INVALID))
                return None
            if len(self._input.waiting) <= MOST_WAITING // 2:
                self._transport.resume_reading()
            if line is not None:
                return line
            if self._leaving:
                return None
            self._arrived.clear()
            await self._arrived.wait()

    async def _deal_with(self, line: bytes) -> bool:
        """False: that was the last line."""
        if is_web_request(line):
            log.warning("%s is a browser; disconnected", self.who)
            return False
        try:
            commands = read_line(line, self._own.names_vfo)
        except Malformed as error:
            await self._send(report(error.code))
            return True
        for index, asked in enumerate(commands):
            withdrawn = any(_withdraws(later) for later in commands[index + 1 :])
            reply = await self._carry_out(asked, withdrawn)
            if reply.own is not None:
                self._own = reply.own
            await self._send(answer(asked, reply.code, reply.values))
            if reply.last:
                return False
        return True

    async def _send(self, data: bytes) -> None:
        self._transport.write(data)
        await self._flush()
        await asyncio.sleep(0)  # a flood must not keep the tracker from its second

    async def _farewell(self) -> None:
        self._transport.set_write_buffer_limits(high=0)  # from here on, everything is to be taken
        await self._flush()

    async def _flush(self) -> None:
        if not self._taken.is_set():
            async with self._radio.clock.timeout(UNREAD_S):
                await self._taken.wait()

    # --- one command ------------------------------------------------------------------------------

    async def _carry_out(self, asked: ClientLine, withdrawn: bool) -> Reply:
        view = self._radio.view()
        if view is None:
            return Reply(REJECTED)
        outcome: Action = consider(asked, view, self._own)
        match outcome:
            case Reply():
                return outcome
            case Tune():
                return Reply(await self._radio.tune(outcome.hz))
            case Unkey():
                self._radio.unkey(self.who)
                self._keying = False
                return Reply()
            case Key():
                return Reply(REJECTED if withdrawn else await self._key())
            case SetMode():
                return Reply(await self._radio.set_mode(outcome))
            case SetPower():
                return Reply(await self._radio.set_power(outcome.fraction))
            case ReadDetails():
                details = await self._radio.details()
                if isinstance(details, int):
                    return Reply(details)
                # Looking took its time; the frequency of the answer is the present one.
                return conclude(asked, self._radio.view() or view, self._own, details)

    async def _key(self) -> int:
        if not self._may_transmit:
            log.warning("%s may not transmit from where it is", self.who)
            return REJECTED
        if self._leaving or len(self._input.waiting) > MOST_WAITING or self._unkey_is_coming():
            return REJECTED
        self._dropped.clear()
        self._keying = True
        self._transport.resume_reading()
        code = await self._radio.key(self.who, self._dropped)
        if code == OK and self._leaving:
            self._radio.unkey(self.who)
            code = REJECTED
        self._keying = code == OK
        return code


def _withdraws(asked: ClientLine) -> bool:
    return asked.command.name == "set_ptt" and asked.arguments == ("0",)


def _notice_a_dead_peer(peer: socket.socket) -> None:
    """A machine that lost its power does not close its connections; ask it every few seconds."""
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 5), ("TCP_KEEPINTVL", 3), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, option):
            peer.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
