"""The outlook in the state: coming windows, moonset, and the correction of the coming hour.

`look_ahead` computes it. `keep_outlook` runs beside the daemon in real time, computes in a thread
and posts the result; the tracker never waits for it."""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass

import numpy as np

from moontrim.app.daemon import Daemon
from moontrim.clock.system import SystemClock
from moontrim.config.settings import Settings
from moontrim.errorbudget.budget import Budget
from moontrim.errors import MoontrimError
from moontrim.forecast.compute import coming_windows
from moontrim.forecast.sky.sun import sun_from
from moontrim.forecast.window import Window
from moontrim.outlook.budget import budget_now
from moontrim.outlook.windows import curves, left_of, next_good_utc_s, summed_up, values_now
from moontrim.path import Ephemeris, moon_from, solve_path
from moontrim.session.selection import selection_of
from moontrim.session.session import Session
from moontrim.state.snapshot import Outlook
from moontrim.tuning.correction import fractions_of

log = logging.getLogger(__name__)

AHEAD_STEP_S, AHEAD_STEPS = 60.0, 60  # chosen: a curve of one hour
WINDOWS = 4  # chosen: the present one and the next three
# The Moon rises and sets once in 25 hours; near the poles there may be neither.
MINUTE_S, EVENTS_S = 60.0, 2 * 86400.0
RENEW_S = 60.0  # chosen: the step of the curve
SEARCH_AGAIN_S = 1800.0  # chosen: windows hardly change in half an hour
POLL_S = 0.5  # chosen, in real time: how soon after a change of the session a new one is begun


@dataclass(frozen=True, slots=True)
class Coming:
    """Windows and events of the Moon, valid for longer than the correction. max_spread_hz: limit
    of a good stretch, if the config has one."""

    from_utc_s: float
    windows: tuple[Window, ...]
    sets_utc_s: tuple[float, ...]
    rises_utc_s: tuple[float, ...]
    max_spread_hz: float | None = None


def search(ephemeris: Ephemeris, settings: Settings, session: Session, utc_s: float) -> Coming:
    """Searches for windows as the forecast does, and for the Moon's rise and set at home, to the
    minute, of its centre at the horizon with refraction. Raises CoverageError."""
    home, partner = settings.home.site(), session.partner_site(settings)
    sked_hz = session.band_choices(settings).sked_hz
    question = settings.forecast_tables.question(home, partner, session.band, sked_hz, utc_s)
    windows = coming_windows(ephemeris, question, utc_s, WINDOWS)
    minutes_s = np.arange(utc_s, min(utc_s + EVENTS_S, ephemeris.last_utc_s), MINUTE_S)
    edges = np.diff((moon_from(ephemeris, home, minutes_s).elevation_deg > 0.0).astype(int))
    sets, rises = (minutes_s[np.flatnonzero(edges == sense) + 1] for sense in (-1, 1))
    return Coming(
        utc_s, windows, tuple(sets.tolist()), tuple(rises.tolist()), question.max_spread_hz
    )


def look_ahead(
    ephemeris: Ephemeris,
    settings: Settings,
    session: Session,
    utc_s: float,
    coming: Coming,
    budgets: tuple[Budget, Budget] | None = None,
) -> Outlook:
    """Returns the outlook at an instant. coming: a search not older than half an hour. Raises
    CoverageError."""
    ahead_s = utc_s + AHEAD_STEP_S * np.arange(AHEAD_STEPS + 1)
    ahead_s = ahead_s[ahead_s <= ephemeris.last_utc_s]
    legs = solve_path(
        ephemeris,
        settings.home.site(),
        session.partner_site(settings),
        ahead_s,
        settings.troposphere,
    ).legs
    now = selection_of(session, settings)
    ideal = now.on_air(fractions_of(lambda leg: legs[leg].fraction))
    rx_hz, tx_hz = (
        tuple(np.broadcast_to(np.asarray(hz) - uncorrected_hz, ahead_s.shape).tolist())
        for hz, uncorrected_hz in zip(ideal, now.uncorrected_hz, strict=True)
    )
    sun_azimuth_deg, sun_elevation_deg = sun_from(ephemeris, settings.home.site(), ahead_s)
    windows = left_of(coming.windows, utc_s)
    spread_hz, half_power_spread_hz, snr_db = values_now(windows, utc_s)
    return Outlook(
        at_utc_s=utc_s,
        moon_sets_utc_s=next((t for t in coming.sets_utc_s if t > utc_s), None),
        moon_rises_utc_s=next((t for t in coming.rises_utc_s if t > utc_s), None),
        windows=tuple(summed_up(window, utc_s) for window in windows),
        ahead_start_utc_s=utc_s,
        ahead_step_s=AHEAD_STEP_S,
        rx_correction_hz=rx_hz,
        tx_correction_hz=tx_hz,
        budgets=budgets,
        spread_hz=spread_hz,
        half_power_spread_hz=half_power_spread_hz,
        snr_db=snr_db,
        next_good_utc_s=next_good_utc_s(windows, coming.max_spread_hz, utc_s),
        tonight=curves(windows[0], coming.max_spread_hz) if windows else None,
        sun_azimuth_deg=tuple(sun_azimuth_deg.tolist()),
        sun_elevation_deg=tuple(sun_elevation_deg.tolist()),
    )


def _budgets(daemon: Daemon, session: Session, utc_s: float) -> tuple[Budget, Budget]:
    link = daemon.link.view
    return budget_now(
        daemon.settings,
        session,
        daemon.ephemeris,
        utc_s,
        daemon.clock_bound_s(),
        dial_resolution_hz=link.dial_resolution_hz,
        steps_per_s=link.steps_per_s,
    )


async def keep_outlook(daemon: Daemon) -> None:
    """Posts an outlook every minute of the daemon's clock, and soon after the session has changed;
    not during an over of ours, which is too short for an outlook to grow old."""
    wall = SystemClock()
    ephemeris = daemon.ephemeris
    coming: Coming | None = None
    searched_for: object = None
    made_for: object = None
    made_utc_s = 0.0
    while True:
        session, utc_s, settings = daemon.session, daemon.clock.utc_s(), daemon.settings
        if not settings.home_is_known or daemon.transmitting.keyer.view.who:
            # A thread that computes delays the event loop on a busy machine, and with it the beats
            # to the guard process of a keyed radio.
            await wall.sleep(POLL_S)
            continue
        choices = session.band_choices(settings)
        choice = (session.partner, session.band, session.agreement, choices, settings.home)
        if choice != made_for or not 0.0 <= utc_s - made_utc_s < RENEW_S:
            made_for, made_utc_s = choice, utc_s
            try:
                if (
                    coming is None
                    or searched_for != (session.partner, session.band, settings.home)
                    or not 0.0 <= utc_s - coming.from_utc_s < SEARCH_AGAIN_S
                ):
                    coming = await asyncio.to_thread(search, ephemeris, settings, session, utc_s)
                    searched_for = session.partner, session.band, settings.home
                outlook = await asyncio.to_thread(
                    look_ahead,
                    ephemeris,
                    settings,
                    session,
                    utc_s,
                    coming,
                    await asyncio.to_thread(_budgets, daemon, session, utc_s),
                )
                daemon.inbox.post(outlook)
            except MoontrimError as error:
                log.debug("forecast failed: %s", error)
            except Exception:
                log.exception("forecast failed; the radio is not affected")
        await wall.sleep(POLL_S)
