"""The pre-flight list: what an operator wants to know is right before a session. Each line says
what to do.

Owns the order of the list; each module asks one kind of question."""

from __future__ import annotations

from moontrim.clock import Clock
from moontrim.path import Ephemeris
from moontrim.preflight.bands import band_findings
from moontrim.preflight.finding import Finding
from moontrim.preflight.outputs import output_findings
from moontrim.preflight.places import budget_findings, place_findings
from moontrim.preflight.radio import radio_findings
from moontrim.preflight.surroundings import broker_findings, disk_findings
from moontrim.preflight.tables import table_findings
from moontrim.preflight.windows import window_findings
from moontrim.settings import Settings
from moontrim.store import load_session


async def check(
    settings: Settings, ephemeris: Ephemeris, clock: Clock, *, move_dials: bool = True
) -> list[Finding]:
    """Everything that can be said before a session, without a key being touched. move_dials: let
    the radio show on each band that it obeys; its dials are put back."""
    now_s = clock.utc_s()
    session = load_session(settings.state_path(), settings)
    return [
        Finding("ok", "config", f"{len(settings.bands)} band(s), radio {settings.radio.driver}"),
        *band_findings(settings),
        *place_findings(settings),
        *table_findings(settings, session, ephemeris, now_s),
        *budget_findings(settings, session, ephemeris, now_s, None),
        *window_findings(settings, session, ephemeris, now_s),
        *await radio_findings(settings, clock, move_dials=move_dials),
        *output_findings(settings.keying),
        *await broker_findings(settings, clock),
        *disk_findings(settings),
    ]
