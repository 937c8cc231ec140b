"""A rehearsal of the whole daemon on a simulated radio and its own clock, through one window."""

from __future__ import annotations

import math
from typing import Any

from moontrim.app.daemon import Companion, Daemon
from moontrim.clock.virtual import VirtualClock
from moontrim.config.keyingports import AnyOutput, RadioOutput, SimulatedOutputSettings
from moontrim.config.settings import Settings, settings_from
from moontrim.errors import InputError
from moontrim.forecast.compute import coming_windows
from moontrim.path import Ephemeris
from moontrim.rehearsal.dialrecord import DialRecord
from moontrim.rehearsal.judgement import Result, judge
from moontrim.session.commands import AllowTransmit
from moontrim.session.session import first_session, place_text
from moontrim.session.sessionfile import first_start, make_mark, save_session
from moontrim_drivers.simulated.driver import SimulatedDriver, SimulatedOptions

REAL_DURATION_S = 60.0  # chosen: real time for a whole window, at the usual pace
OVER_S, KEYED_S = 60.0, 51.0  # common practice: a rhythm of digital modes

# Chosen: a portable 10 GHz station on Madeira and a partner in southern Finland.
EMBEDDED: dict[str, Any] = {
    "home": {"locator": "IM12MR55MM", "height_m": 1400.0},
    "partner": {"locator": "KP20NF11AA", "height_m": 60.0},
    "bands": [
        {
            "name": "10 GHz",
            "sked_hz": 10_368_100_000,
            "tx_low_hz": 10_368_000_000,
            "tx_high_hz": 10_370_000_000,
            "transverter_offset_hz": 10_224_000_000,
            "while_transmitting": "step",
        }
    ],
    "radio": {"driver": "simulated", "options": {"retunes_while_transmitting": True}},
}


# A transmit sequence, for the faults that happen while keyed.
KEYING: dict[str, Any] = {
    "enabled": True,
    "outputs": [
        {"kind": "simulated", "name": "waveguide switch", "settle_ms": 300, "release_ms": 50},
        {"kind": "simulated", "name": "amplifier", "settle_ms": 100, "release_ms": 50},
        {"kind": "radio", "release_ms": 20},
    ],
}


def next_window(ephemeris: Ephemeris, settings: Settings, from_utc_s: float) -> tuple[float, float]:
    """Returns start and end, whole seconds, of the next window of home and the config's partner
    that begins after an instant and is known whole. Raises InputError if there is none,
    CoverageError beyond the tables."""
    band = settings.bands[0]
    place = settings.partner_place()
    partner = None if place is None else place.site()
    question = settings.forecast_tables.question(
        settings.home.site(), partner, band.name, float(band.sked_hz), from_utc_s
    )
    for window in coming_windows(ephemeris, question, from_utc_s):
        whole = window.rise_limited_by is not None and window.set_limited_by is not None
        if whole and window.start_utc_s > from_utc_s:
            return float(round(window.start_utc_s)), float(round(window.end_utc_s))
    raise InputError(
        "partner", place_text(partner), problem="no common window before the tables end"
    )


def embedded_settings(*, keying: bool = False) -> Settings:
    """Returns the settings that `rehearse` uses without a config. keying: with a sequence."""
    if not keying:
        return settings_from(EMBEDDED, "embedded scenario")
    bands = [EMBEDDED["bands"][0] | {"drive_ceiling": 0.2}]
    return settings_from(EMBEDDED | {"bands": bands, "keying": KEYING}, "embedded scenario")


def with_simulated_radio(settings: Settings, **habits: Any) -> Settings:
    """Returns the settings with a simulated radio and simulated relays in place of the station's
    own, so that a rehearsal opens neither a port nor a line. habits: options of that radio."""
    configured = dict(settings.radio.options) if settings.radio.driver == "simulated" else {}
    options = {"retunes_while_transmitting": True} | configured | habits
    radio = settings.radio.model_copy(update={"driver": "simulated", "options": options})
    keying = settings.keying.model_copy(
        update={"outputs": _simulated(settings.keying.outputs), "inputs": ()}
    )
    return settings.model_copy(update={"radio": radio, "keying": keying, "front_ends": ()})


def _simulated(outputs: tuple[AnyOutput, ...]) -> tuple[AnyOutput, ...]:
    """Returns outputs with the same times, all simulated but the last, which is the radio."""

    def times(output: AnyOutput) -> dict[str, Any]:
        return {key: getattr(output, key) for key in ("name", "settle_ms", "release_ms")}

    relays = [SimulatedOutputSettings(kind="simulated", **times(one)) for one in outputs[:-1]]
    return (*relays, *(RadioOutput(kind="radio", **times(last)) for last in outputs[-1:]))


def confirm_front_end(settings: Settings) -> None:
    """Makes the first start begin with the front end confirmed: a simulated radio has no plug."""
    folder = settings.state_path()
    if first_start(folder):
        permit = AllowTransmit("rehearsal", True)
        save_session(folder, permit.apply(first_session(settings), settings))
        make_mark(folder)


def rehearse(
    settings: Settings,
    ephemeris: Ephemeris,
    start_utc_s: float,
    end_utc_s: float,
    *,
    pace: float,
    companions: tuple[Companion, ...] = (),
) -> Result:
    """Runs the daemon from start to end at `pace` virtual seconds per second and judges what its
    radio did. A simulated operator keys the radio in every other minute."""
    clock = VirtualClock(start_utc_s, pace)
    return clock.run(_rehearse(settings, ephemeris, clock, end_utc_s, companions))


async def _rehearse(
    settings: Settings,
    ephemeris: Ephemeris,
    clock: VirtualClock,
    end_utc_s: float,
    companions: tuple[Companion, ...],
) -> Result:
    """Runs the daemon on the simulated radio, records its dials, and judges them."""
    options = SimulatedOptions.model_validate(settings.radio.options)
    driver = SimulatedDriver(options, clock)
    record = DialRecord()

    def changed(monotonic_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
        record.add(clock.utc_s() - clock.monotonic_s() + monotonic_s, rx_hz, tx_hz, transmitting)

    driver.radio.on_change = changed
    # The dials before anything moves; one that is right from the start never moves at all.
    changed(clock.monotonic_s(), driver.radio.rx_dial_hz, driver.radio.tx_dial_hz, False)
    confirm_front_end(settings)
    daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
    daemon.stop_on_signals()
    begun_utc_s = clock.utc_s()

    async def until_the_end(daemon: Daemon) -> None:
        await clock.sleep_until_utc(end_utc_s)
        daemon.stop.set()

    async def operator(daemon: Daemon) -> None:
        while True:
            next_over_s = math.floor(clock.utc_s() / (2 * OVER_S) + 1) * 2 * OVER_S
            await clock.sleep_until_utc(next_over_s)
            driver.radio.key(True)
            try:
                await clock.sleep(KEYED_S)
            finally:
                driver.radio.key(False)

    await daemon.run(*companions, until_the_end, operator)
    last = daemon.hub.latest
    ended_utc_s = min(end_utc_s, last.utc_s if last else begun_utc_s)
    # After a change by the phone page or the dial, only the time since then can be judged.
    changed_utc_s = last.last_change.at_utc_s if last and last.last_change else begun_utc_s
    return judge(
        settings,
        ephemeris,
        daemon.session,
        record,
        changed_utc_s + 1.0,
        ended_utc_s,
        ticks=daemon.record.ticks,
        missed_seconds=daemon.record.missed_seconds,
        faults=daemon.record.faults,
    )


def real_time_pace(start_utc_s: float, end_utc_s: float) -> float:
    """Returns the pace at which the window lasts REAL_DURATION_S."""
    return max(1.0, (end_utc_s - start_utc_s) / REAL_DURATION_S)
