"""The connection of one program: reads its commands, carries them out in order, answers them.

Owns what belongs to one connection; what clients share is in `sharedradio`. Memory and time are
bounded whatever the other side does: surplus input waits in the kernel, and unread answers end the
connection. The key is released the moment the other side disconnects or starts to.

A transmit request is withdrawn as early as possible, before the commands ahead of the withdrawal
are carried out: while it is being carried out, new bytes are searched for `set_ptt 0`, and a
request with `set_ptt 0` after it on the same line is refused at once."""

from __future__ import annotations

import asyncio
import logging
import re
import socket
from collections.abc import Callable
from typing import cast

from moontrim.share.actions import (
    Action,
    ClientState,
    Key,
    ReadDetails,
    Reply,
    SetMode,
    SetPower,
    Tune,
    Unkey,
)
from moontrim.share.answers import decide, reply_with_details
from moontrim.share.protocol import (
    INVALID,
    OK,
    REJECTED,
    ClientCommand,
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

MOST_WAITING = 4_096  # bytes of commands not carried out yet (chosen: 16 of the longest lines)
MOST_UNREAD = 65_536  # bytes of answers that the client has not read (chosen)
UNREAD_S = 5.0  # chosen: for a client to read its answers before the connection ends
SILENT_S = 30.0  # chosen: for the first command of a connection
# Finds the lines worth parsing for a withdrawal.
_MAY_WITHDRAW = re.compile(rb"(?:T|set_ptt)[ \t]+(?:\S+[ \t]+)?0(?:\s|$)")


class Client(asyncio.Protocol):
    """The connection of one program.

    who: its name towards the keying, unique among clients. may_transmit: the address it comes from
    is allowed to. ended: called once its task is over."""

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
        self._state = ClientState()
        self._input = LineBuffer()
        self._arrived = asyncio.Event()
        self._writable = asyncio.Event()  # cleared while too many answers are unread
        self._key_dropped = asyncio.Event()  # by a later command, or by the end of the connection
        self._leaving = False
        self._keying = False  # has the key, or waits for it

    # --- called by asyncio ------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        self._transport.set_write_buffer_limits(high=MOST_UNREAD)
        _enable_keepalive(self._transport.get_extra_info("socket"))
        self._writable.set()
        self.task = asyncio.create_task(self._run(), name=self.who)
        self.task.add_done_callback(lambda _: self._ended(self))

    def data_received(self, data: bytes) -> None:
        self._input.waiting += data
        self._arrived.set()
        if len(self._input.waiting) > MOST_WAITING:
            if self._keying:  # while reading is paused, its end would go unnoticed
                self.abort()
            else:
                self._transport.pause_reading()
        elif self._keying and self._withdrawal_waits():  # before the commands ahead of it
            self._key_dropped.set()
            self._radio.unkey(self.who)

    def eof_received(self) -> bool:
        self._leave()
        return True  # commands received before are answered

    def connection_lost(self, error: Exception | None) -> None:
        self._leave()
        if self.task is not None:
            self.task.cancel()

    def pause_writing(self) -> None:
        self._writable.clear()

    def resume_writing(self) -> None:
        self._writable.set()

    def abort(self) -> None:
        """Ends the connection at once."""
        self._leave()
        self._transport.abort()

    def _leave(self) -> None:
        """Releases the key: the client can no longer send `set_ptt 0`."""
        self._leaving = True
        self._key_dropped.set()
        self._radio.unkey(self.who)
        self._arrived.set()

    def _withdrawal_waits(self) -> bool:
        """Is there a `set_ptt 0` among the lines that wait?"""
        for line in self._input.whole_lines():
            if not _MAY_WITHDRAW.search(line):  # parsing a flood for each request would take long
                continue
            try:
                commands = read_line(line, self._state.names_vfo)
            except Malformed:
                continue
            if any(_withdraws(command) for command in commands):
                return True
        return False

    # --- the one task -----------------------------------------------------------------------------

    async def _run(self) -> None:
        try:
            async with self._radio.clock.timeout(SILENT_S):
                line = await self._next_line()
            while line is not None and await self._handle_line(line):
                line = await self._next_line()
            await self._send_the_rest()
        except TimeoutError:
            log.info("%s: disconnected, no request or replies not read for too long", self.who)
            self._transport.abort()
        except Exception:
            log.exception("%s", self.who)
            self._transport.abort()
        finally:
            self._leave()
            self._transport.close()

    async def _next_line(self) -> bytes | None:
        """Waits for the next line. None at the end of the connection, where a line without its end
        is dropped."""
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

    async def _handle_line(self, line: bytes) -> bool:
        """Carries out one line; False if the connection ends after it."""
        await asyncio.sleep(0)  # other tasks run even in a flood of empty lines
        if is_web_request(line):
            log.warning("%s is a browser; disconnected", self.who)
            return False
        try:
            commands = read_line(line, self._state.names_vfo)
        except Malformed as error:
            await self._send(report(error.code))
            return True
        for index, command in enumerate(commands):
            withdrawn = any(_withdraws(later) for later in commands[index + 1 :])
            reply = await self._carry_out(command, withdrawn)
            if reply.state is not None:
                self._state = reply.state
            await self._send(answer(command, reply.code, reply.values))
            if reply.last:
                return False
        return True

    async def _send(self, data: bytes) -> None:
        self._transport.write(data)
        await self._flush()
        await asyncio.sleep(0)  # other tasks have their turn even in a flood of commands

    async def _send_the_rest(self) -> None:
        self._transport.set_write_buffer_limits(high=0)  # `_flush` then waits for all answers
        await self._flush()

    async def _flush(self) -> None:
        if not self._writable.is_set():
            async with self._radio.clock.timeout(UNREAD_S):
                await self._writable.wait()

    # --- one command ------------------------------------------------------------------------------

    async def _carry_out(self, command: ClientCommand, withdrawn: bool) -> Reply:
        view = self._radio.view()
        if view is None:
            return Reply(REJECTED)
        action: Action = decide(command, view, self._state)
        match action:
            case Reply():
                return action
            case Tune():
                return Reply(await self._radio.tune(action.hz))
            case Unkey():
                self._radio.unkey(self.who)
                self._keying = False
                return Reply()
            case Key():
                return Reply(REJECTED if withdrawn else await self._key())
            case SetMode():
                return Reply(await self._radio.set_mode(action))
            case SetPower():
                return Reply(await self._radio.set_power(action.fraction))
            case ReadDetails():
                details = await self._radio.details()
                if isinstance(details, int):
                    return Reply(details)
                # Reading takes time, so the frequency in the answer comes from a new view.
                return reply_with_details(command, self._radio.view() or view, self._state, details)

    async def _key(self) -> int:
        """Asks for the key; returns the report code."""
        if not self._may_transmit:
            log.warning("%s: not allowed to transmit (share.lan_transmit)", self.who)
            return REJECTED
        if self._leaving or len(self._input.waiting) > MOST_WAITING or self._withdrawal_waits():
            return REJECTED
        self._key_dropped.clear()
        self._keying = True
        self._transport.resume_reading()
        code = await self._radio.key(self.who, self._key_dropped)
        if code == OK and self._leaving:
            self._radio.unkey(self.who)
            code = REJECTED
        self._keying = code == OK
        return code


def _withdraws(command: ClientCommand) -> bool:
    """Does this command end a transmission?"""
    return command.shape.name == "set_ptt" and command.arguments == ("0",)


def _enable_keepalive(peer: socket.socket) -> None:
    """Makes the kernel probe the other machine every few seconds: one that lost its power does not
    close its connections."""
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 5), ("TCP_KEEPINTVL", 3), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, option):
            peer.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
