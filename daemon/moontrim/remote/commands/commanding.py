"""Commands from the command line of this machine: the same as those of phones, but for the two
that have ways of their own (see `forbidding` and `permitting`), and those of the agenda, whose
entries `moontrim agenda` has checked against the Moon."""

from __future__ import annotations

from moontrim.clock.system import Clock
from moontrim.errors import BusyError, InputError, NotNowError
from moontrim.remote.commands.agendacommand import read_agenda_command
from moontrim.remote.commands.forbidding import ANSWER_S, Forbiddable, Outcome
from moontrim.remote.commands.parsing import read_command
from moontrim.remote.commands.payload import Body, Refusal, read_body
from moontrim.session.commands import AllowTransmit

COMMAND = "command"  # the field that names the command


class Commanding:
    """Has the tracker of one daemon carry out commands."""

    def __init__(self, daemon: Forbiddable, real: Clock) -> None:
        self._daemon = daemon
        self._real = real

    async def command(self, by: str, line: str) -> Outcome:
        """Carries a command out and waits until that is on disk. by: who gave it. line: a JSON
        object with its name under `command`, and with the fields that a phone would send."""
        try:
            body = read_body(line.encode())
            fields = dict(body.fields or {})
            name = str(fields.pop(COMMAND, ""))
            request = read_agenda_command(name, fields, by) or read_command(
                name, Body(fields, ""), by
            )
        except Refusal as refusal:
            more = refusal.expected and f"; expected {refusal.expected}" not in refusal.message
            return Outcome(False, refusal.message + f"; expected {refusal.expected}" * bool(more))
        if isinstance(request.command, AllowTransmit):
            return Outcome(False, "transmit: use moontrim permit or moontrim forbid")
        if request.needs_confirming:
            return Outcome(False, f"{request.needs_confirming}: possible only on the phone page")
        try:
            async with self._real.timeout(ANSWER_S):
                await self._daemon.ask(request.command)
        except (BusyError, InputError, NotNowError) as error:
            return Outcome(False, str(error))
        except TimeoutError:
            return Outcome(False, "no answer from the tracker; check the state for the outcome")
        unsaved = await self._daemon.unsaved(self._real)
        return Outcome(True, f"{request.command}: done" + f"; not saved: {unsaved}" * bool(unsaved))
