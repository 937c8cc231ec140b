"""The order of the pre-flight list."""

from __future__ import annotations

from pathlib import Path

from moontrim.app.whereabouts import home_at
from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.formats import count
from moontrim.path import Ephemeris
from moontrim.preflight.bands import band_findings
from moontrim.preflight.clock import clock_finding, clock_reading, error_bound_s
from moontrim.preflight.finding import Finding
from moontrim.preflight.frontends import front_end_findings
from moontrim.preflight.moon import moon_findings
from moontrim.preflight.outputs import output_findings
from moontrim.preflight.permission import permission_findings
from moontrim.preflight.places import budget_findings, place_findings
from moontrim.preflight.ports import port_findings
from moontrim.preflight.radio import radio_findings
from moontrim.preflight.receiver import first_fix, receiver_findings
from moontrim.preflight.running import running_daemon
from moontrim.preflight.skeds import sked_findings
from moontrim.preflight.surroundings import broker_findings, disk_findings
from moontrim.preflight.tables import table_findings
from moontrim.session.sessionfile import stored_session


async def check(
    settings: Settings,
    ephemeris: Ephemeris,
    clock: Clock,
    *,
    move_dials: bool = True,
    state_folders: tuple[Path, ...] = (),
) -> list[Finding]:
    """Returns the whole list, without keying anything.

    move_dials: move the radio's dials on each band to see whether it follows; they are restored.
    state_folders: of daemons that use this config, besides the one that the config names. While one
    of them runs, the radio and a receiver on a serial port are left alone."""
    now_s = clock.utc_s()
    running = running_daemon((*state_folders, settings.state_path()))
    session, _ = stored_session(settings.state_path(), settings)
    fix, why_none = await first_fix(settings, clock, running)
    if not settings.home_is_known:
        if fix is None:
            return [Finding("fail", "home", f"unknown, left to the GPS receiver: {why_none}")]
        settings = settings.model_copy(update={"home": home_at(fix.position.site())})
    reading = await clock_reading(settings, clock, fix)
    bands = count(len(settings.bands), "band")
    return [
        Finding("ok", "config", f"{bands}, driver {settings.radio.driver}"),
        *band_findings(settings),
        *front_end_findings(settings),
        *place_findings(settings),
        *sked_findings(settings, session),
        *receiver_findings(settings, session, ephemeris, now_s, fix, why_none),
        clock_finding(settings, session, ephemeris, now_s, reading),
        *table_findings(settings, session, ephemeris, now_s),
        *budget_findings(settings, session, ephemeris, now_s, error_bound_s(reading)),
        *moon_findings(settings, session, ephemeris, now_s),
        *(
            [Finding("note", "radio", f"not touched: {running}; the daemon reports its state")]
            if running
            else await radio_findings(settings, clock, move_dials=move_dials)
        ),
        *output_findings(settings),
        *permission_findings(settings, (*state_folders, settings.state_path())),
        *await broker_findings(settings, clock),
        *port_findings(settings, daemon_runs=bool(running)),
        *disk_findings(settings),
    ]
