"""Allowing transmit from the command line, in two steps as from the phone.

The first step shows the state and issues a token for exactly this session; the second redeems it.
A change of anything that the operator has chosen, or inhibiting by any way, makes it void."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.errors import BusyError, InputError, NotNowError
from moontrim.formats import grouped
from moontrim.remote.commands.forbidding import ANSWER_S, Outcome
from moontrim.remote.commands.guards import SecondStep
from moontrim.session.commands import AllowTransmit, Command
from moontrim.session.session import Session
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Snapshot, trim_text
from moontrim.tuning.correction import descriptions

TOKEN_S = 60.0  # chosen: to read the state, look around at the antenna, and type

ALREADY = "transmit is allowed already"


class Permittable(Protocol):
    """The part of the daemon that permitting needs."""

    @property
    def hub(self) -> StateHub: ...
    @property
    def session(self) -> Session: ...
    @property
    def settings(self) -> Settings: ...
    async def ask(self, command: Command) -> Any: ...
    async def unsaved(self, clock: Clock) -> str: ...


@dataclass(frozen=True, slots=True)
class PermitQuestion:
    """The first step: what would be allowed. state: pairs of name and value, for a person. token:
    for the second step."""

    state: tuple[tuple[str, str], ...]
    token: str


class Permitting:
    """Allows transmit at the tracker of one daemon.

    second_step: of every way to allow transmit, so that inhibiting makes all tokens void."""

    def __init__(self, daemon: Permittable, real: Clock, second_step: SecondStep) -> None:
        self._daemon = daemon
        self._real = real
        self._second_step = second_step

    def question(self, by: str) -> PermitQuestion | Outcome:
        """Returns the state to be confirmed, with a token; an outcome where there is nothing to
        confirm. by: who asks."""
        session, now = self._daemon.session, self._daemon.hub.latest
        if session.tx_allowed:
            return Outcome(True, ALREADY)
        if now is None or now.band != session.band:
            return Outcome(False, "state not known yet; try again in a few seconds")
        token = self._second_step.token(by, self._exactly_this(), self._real.monotonic_s(), TOKEN_S)
        return PermitQuestion(state_rows(session, now, self._daemon.settings), token)

    async def permit(self, by: str, token: str) -> Outcome:
        """Allows transmit with a token of `question`, and waits until that is on disk. by: who
        did it, for log and journal."""
        now_s = self._real.monotonic_s()
        if not self._second_step.redeem(token, by, self._exactly_this(), now_s):
            return Outcome(
                False,
                "not allowed: state changed, transmit inhibited, or more than "
                f"{TOKEN_S:.0f} s passed since it was shown; run moontrim permit again",
            )
        try:
            async with self._real.timeout(ANSWER_S):
                front_end = self._daemon.session.present_front_end(self._daemon.settings)
                await self._daemon.ask(AllowTransmit(by, True, front_end))
        except (BusyError, InputError, NotNowError) as error:
            return Outcome(False, f"not allowed: {error}")
        except TimeoutError:
            return Outcome(
                False,
                "no answer from the tracker; to be certain that transmit is inhibited: "
                "moontrim forbid",
            )
        unsaved = await self._daemon.unsaved(self._real)
        if not self._daemon.session.tx_allowed:
            return Outcome(False, "transmit inhibited: inhibited again meanwhile")
        return Outcome(True, "transmit allowed" + f"; not saved: {unsaved}" * bool(unsaved))

    def _exactly_this(self) -> str:
        """Returns what a token is for: permitting while the session is as it is now."""
        return f"permit {self._daemon.session.model_dump_json()}"


def state_rows(session: Session, now: Snapshot, settings: Settings) -> tuple[tuple[str, str], ...]:
    """Returns what would be allowed: the antenna's direction, frequency, power, and what would be
    keyed. The choices are those of the session, which may be newer than the snapshot."""
    band, keying = settings.band(session.band), settings.keying
    choices, partner = session.band_choices(settings), session.partner_text(settings)
    trims = trim_text(choices.rx_trim_hz, choices.tx_trim_hz)
    corrects = descriptions(own_echo=partner == "self")[session.agreement]
    rows = [
        ("band", session.band),
        ("front end", f"{band.front_end_name} (is this what is connected to the radio?)"),
        (
            "sked",
            f"{grouped(choices.sked_hz)} Hz"
            + f" ({session.sked})" * bool(session.sked)
            + f", {trims}" * bool(trims),
        ),
        ("partner", "self (echoes)" if partner == "self" else partner),
        ("agreement", f"{session.agreement}: {corrects}"),
    ]
    if now.tx is not None:
        rows.append(("transmit", f"{grouped(now.tx.on_air_hz)} Hz on the air"))
    if now.moon is not None:
        rows.append(
            (
                "Moon",
                f"azimuth {now.moon.azimuth_deg:.1f}°, elevation {now.moon.elevation_deg:.1f}°",
            )
        )
    ceiling = "no ceiling configured"
    if band.drive_ceiling is not None:
        ceiling = f"at most {100 * band.drive_ceiling:g} % of the radio's power"
    through = "transverter" if band.goes_through_transverter else "no transverter"
    power_w = settings.equipment.on_band(band.name).power_w
    station = "" if power_w is None else f"; station power {power_w:g} W"
    rows.append(("power", f"{ceiling}, {through}{station}"))
    outputs = ", ".join(keying.outputs[index].name for index in sorted(keying.used(band.outputs)))
    rows.append(("keying", outputs if keying.enabled else "off: keyed by other means only"))
    rows.append(("radio", _radio(now)))
    rows.append(("tracking", now.verdict + f": {now.reason}" * bool(now.reason)))
    return (*rows, *(("warning", text) for text in now.warnings))


def _radio(now: Snapshot) -> str:
    """Returns whether the radio transmits, as far as is known."""
    if now.transmitting is None:
        return f"{now.link.state}, transmit state unknown"
    return f"{now.link.state}, " + ("TRANSMITTING" if now.transmitting else "receiving")
