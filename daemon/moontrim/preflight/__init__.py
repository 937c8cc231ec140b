"""The pre-flight list: what an operator wants to know is right before a session. Each line says
what to do.

Owns the order of the list; each module asks one kind of question."""

from __future__ import annotations

from moontrim.app.whereabouts import home_at
from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.path import Ephemeris
from moontrim.preflight.bands import band_findings
from moontrim.preflight.clock import (
    ask_receiver,
    bound_s,
    clock_findings,
    clock_reading,
    receiver_findings,
)
from moontrim.preflight.finding import Finding
from moontrim.preflight.moon import moon_findings
from moontrim.preflight.outputs import output_findings
from moontrim.preflight.places import budget_findings, place_findings
from moontrim.preflight.radio import radio_findings
from moontrim.preflight.surroundings import broker_findings, disk_findings
from moontrim.preflight.tables import table_findings
from moontrim.session.sessionfile import load_session


async def check(
    settings: Settings, ephemeris: Ephemeris, clock: Clock, *, move_dials: bool = True
) -> list[Finding]:
    """Everything that can be said before a session, without a key being touched. move_dials: let
    the radio show on each band that it obeys; its dials are put back."""
    now_s = clock.utc_s()
    session = load_session(settings.state_path(), settings)
    told = await ask_receiver(settings, clock)
    if not settings.home_is_known:
        fix, why = told
        if fix is None:
            return [Finding("wrong", "home", f"left to the GPS receiver: {why}")]
        settings = settings.model_copy(update={"home": home_at(fix.position.site())})
    reading = await clock_reading(settings, clock)
    return [
        Finding("ok", "config", f"{len(settings.bands)} band(s), radio {settings.radio.driver}"),
        *band_findings(settings),
        *place_findings(settings),
        *receiver_findings(settings, session, ephemeris, now_s, told),
        *clock_findings(settings, session, ephemeris, now_s, reading),
        *table_findings(settings, session, ephemeris, now_s),
        *budget_findings(settings, session, ephemeris, now_s, bound_s(reading)),
        *moon_findings(settings, session, ephemeris, now_s),
        *await radio_findings(settings, clock, move_dials=move_dials),
        *output_findings(settings.keying),
        *await broker_findings(settings, clock),
        *disk_findings(settings),
    ]
