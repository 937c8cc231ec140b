"""A radio behind Hamlib's rig-control daemon (rigctld), over TCP.

Owns one connection and decides which questions each call of the contract asks; `wire` turns them
into bytes. Commands that name their VFO are preferred: without the name ("plain mode"), some
versions write the transmit frequency into the receive VFO when sets follow each other quickly. A
report of success proves nothing; what reads back counts.

After any error but a refusal, and after cancellation, the connection is closed at once, because a
late answer would be taken for the answer to the next question. Every method then raises RigClosed
until `open`.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from moontrim_drivers.contract import (
    Capabilities,
    DriverClock,
    RigClosed,
    RigDetails,
    RigDriver,
    RigGarbled,
    RigNotSuitable,
    RigRefused,
    RigState,
)
from moontrim_drivers.emergencyunkey import EmergencyUnkey
from moontrim_drivers.limits import check_dials, check_mode, check_power
from moontrim_drivers.rigctld.connection import Connection
from moontrim_drivers.rigctld.details import detail_answers, power_fraction
from moontrim_drivers.rigctld.hostlookup import HostLookUp
from moontrim_drivers.rigctld.options import OFFSETS, OFFSETS_OFF, SocketOptions
from moontrim_drivers.rigctld.plainpause import PLAIN_PAUSE_S, PlainPause
from moontrim_drivers.rigctld.reportcodes import LACKS, NO_PTT, NOT_AVAILABLE
from moontrim_drivers.rigctld.staggered import connect_first
from moontrim_drivers.rigctld.wire import Answer, Answers, Greeting, Question, ask


class SocketDriver(RigDriver):
    """The driver of a radio that a rig-control daemon controls."""

    Options = SocketOptions
    options: SocketOptions

    def __init__(self, options: SocketOptions, clock: DriverClock) -> None:
        super().__init__(options, clock)
        self._connection: Connection | None = None
        self._host_look_up = HostLookUp()
        self._names_vfo = True
        self._reports_transmit = True
        self._reports_split = True
        self._offsets: tuple[str, ...] = OFFSETS
        self._plain_pause = PlainPause(clock)

    @property
    def capabilities(self) -> Capabilities:
        options = self.options
        return Capabilities(
            split=options.split,
            dial_resolution_hz=options.dial_resolution_hz,
            retunes_while_transmitting=options.retunes_while_transmitting,
            reports_transmit=self._reports_transmit,
            sets_power=options.sets_power and self._reports_transmit,
            max_sets_per_s=1.0 / PLAIN_PAUSE_S if self._pauses else None,
            effect_fraction=options.effect_fraction,
            driver_pauses_s=2 * PLAIN_PAUSE_S if self._pauses else 0.0,
        )

    async def open(self, *, unkey: bool = False) -> None:
        await self.close()
        self._reports_transmit = True
        self._offsets = OFFSETS
        addresses = await self._host_look_up.addresses(self.options.host)
        self._connection = await connect_first(addresses, self.options.port, self.clock)
        try:
            greeting = Greeting()
            await self._connection.exchange(Greeting.BYTES, greeting)
            self._names_vfo = greeting.names_vfo
            if unkey:
                await self._receive_first()
            if not self._names_vfo:
                await self._select_receiver()
            await self._prepare_split()
            await self.read()
        except BaseException:
            await self.close()
            raise

    async def close(self) -> None:
        self._drop()

    async def read(self) -> RigState:
        return self._state(await self._ask(*self._state_questions()))

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        check_dials(self.options.split, rx_hz, tx_hz)
        sets = []
        if rx_hz is not None:
            sets.append(self._on_rx("F", rx_hz))
        if tx_hz is not None:
            sets.append(self._on_tx("F", "I", tx_hz))
        return self._state(await self._set(sets, self._state_questions()))

    async def set_transmit(self, on: bool) -> None:
        if on:
            await self._check_before_keying()
        checks = [self._on_rx("t")] if self._reports_transmit else []
        answers = await self._exchange(self._on_rx("T", int(on)), *checks)
        if answers[0].code in LACKS and (on or answers[-1].values != (True,)):
            self._reports_transmit = False  # `t` then answers with what was set last
            raise RigNotSuitable(NO_PTT)
        self._accept(answers)
        if self._reports_transmit and answers[-1].values[0] != on:
            raise RigRefused(f"{'transmit' if on else 'receive'} not confirmed by the radio")

    def emergency_unkey(self) -> EmergencyUnkey | None:
        if self._connection is None:
            return None
        greeting = Greeting.BYTES if self._names_vfo else b""
        checks = [self._on_rx("t")] if self._reports_transmit else []
        return self._connection.emergency_unkey(greeting, [self._on_rx("T", 0), *checks])

    async def details_in_parts(self) -> AsyncIterator[RigDetails | None]:
        letters = (*self._offsets, *(["s"] if self._reports_split else []))
        questions = [self._on_rx("l", "RFPOWER"), *map(self._on_rx, letters)]
        answers = await self._exchange(self._on_rx("m"))
        for question in questions:
            yield None
            answers += await self._exchange(question)
        # What is refused is not asked again: it costs time on the radio's own wire.
        details, self._offsets, split = detail_answers(answers)
        if split is not None:
            self._check_split(*split)
        yield details

    async def power_fraction(self) -> float | None:
        return power_fraction(*await self._exchange(self._on_rx("l", "RFPOWER")))

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        check_mode(mode, passband_hz)
        sets = [self._on_rx("M", mode, passband_hz)]
        checks = [self._on_rx("m")]
        if self.options.split:
            sets.append(self._on_tx("M", "X", mode, passband_hz))
            checks.append(self._on_tx("m", "x"))
        for answer in await self._set(sets, checks):
            if answer.values[0] != mode:
                raise RigRefused(
                    f"{answer.question} reads back {answer.values[0]!r}, set to {mode}"
                )

    async def clear_offsets(self) -> None:
        await self._check_receiving("RIT and XIT are not switched off")
        await self._ask(*(self._on_rx(*OFFSETS_OFF[letter]) for letter in self._offsets))

    async def set_power(self, fraction: float) -> None:
        check_power(self.capabilities.sets_power, fraction)
        await self._check_receiving("power is not set")
        await self._ask(self._on_rx("L", "RFPOWER", f"{fraction:.3f}"))

    async def _check_receiving(self, what: str) -> None:
        (answer,) = await self._exchange(self._on_rx("t"))
        if answer.refused or answer.values[0]:
            raise RigRefused(f"{what} unless the radio is known to receive")

    # the question for each dial

    def _on_rx(self, letter: str, *arguments: str | int) -> Question:
        return ask(letter, *((self.options.rx_vfo,) if self._names_vfo else ()), *arguments)

    def _on_tx(self, letter: str, plain_letter: str, *arguments: str | int) -> Question:
        if self._names_vfo:
            return ask(letter, self.options.tx_vfo, *arguments)
        return ask(plain_letter, *arguments)

    def _state_questions(self) -> list[Question]:
        questions = [self._on_rx("f")]
        if self.options.split:
            questions.append(self._on_tx("f", "i"))
        return questions + [self._on_rx("t")] * self._reports_transmit

    def _state(self, answers: list[Answer]) -> RigState:
        return RigState(
            rx_dial_hz=answers[0].values[0],
            tx_dial_hz=answers[1].values[0] if self.options.split else None,
            transmitting=answers[-1].values[0] if self._reports_transmit else None,
        )

    async def _select_receiver(self) -> None:
        """Selects the receive VFO, since F and f act on the selected VFO in plain mode."""
        (done,) = await self._exchange(ask("V", self.options.rx_vfo))
        if done.refused and done.code not in NOT_AVAILABLE:
            raise done.refusal()

    async def _prepare_split(self) -> None:
        """Sets split on, or off where one dial serves both ways: a radio left in split would
        transmit on another frequency."""
        split = self.options.split
        if not split:
            (now,) = await self._exchange(self._on_rx("s"))
            self._reports_split = not now.refused
            if now.refused or not now.values[0]:
                return
        vfo = self.options.tx_vfo if split else self.options.rx_vfo
        done, now = await self._exchange(self._on_rx("S", int(split), vfo), self._on_rx("s"))
        if done.refused and done.code in NOT_AVAILABLE:
            raise RigNotSuitable("this radio does not set split operation; use split = false")
        if done.refused:
            raise done.refusal()
        self._reports_split = not now.refused
        if not now.refused and now.values[0] != split:
            raise RigRefused(f"split operation cannot be switched {'on' if split else 'off'}")

    async def _check_before_keying(self) -> None:
        """Checks that the radio is in split as set; else it would transmit on the receive dial."""
        if not self._reports_transmit:
            raise RigNotSuitable(NO_PTT)
        (now,) = await self._exchange(self._on_rx("s"))
        if now.refused and self._reports_split:
            raise now.refusal()
        if not now.refused:
            self._check_split(*now.values)

    def _check_split(self, split: bool, tx_vfo: str) -> None:
        """Raises RigGarbled if the radio is not in split as set: opened anew, it will be."""
        if self.options.contradicts(split, tx_vfo):
            self._drop()
            raise RigGarbled("the radio has changed its split operation by itself")

    @property
    def _pauses(self) -> bool:
        return self.options.split and not self._names_vfo

    async def _set(self, sets: list[Question], checks: list[Question]) -> list[Answer]:
        """Sends sets and returns the answers to the checks; in one write where that is safe."""
        if not self._pauses:
            return (await self._ask(*sets, *checks))[len(sets) :]
        try:
            for question in sets:
                await self._plain_pause.end()
                await self._ask(question)
                self._plain_pause.begin()
        except asyncio.CancelledError:
            self._drop()
            raise
        return await self._ask(*checks)

    async def _ask(self, *questions: Question) -> list[Answer]:
        """Exchanges, raising the first refusal; one of the transmit state alone is recorded."""
        return self._accept(await self._exchange(*questions))

    def _accept(self, answers: list[Answer]) -> list[Answer]:
        for answer in answers:
            if answer.question.letter == "t" and answer.code in NOT_AVAILABLE:
                self._reports_transmit = False
            elif answer.refused:
                raise answer.refusal()
        return answers

    async def _exchange(self, *questions: Question) -> list[Answer]:
        """Sends the questions in one write and returns every answer, so that after a refusal the
        next answer still belongs to the next question."""
        if self._connection is None:
            raise RigClosed("not open")
        exchange = Answers(questions)
        try:
            await self._connection.exchange(b"".join(q.encode() for q in questions), exchange)
        except BaseException:  # cancelled, too
            self._drop()
            raise
        return exchange.answers

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
