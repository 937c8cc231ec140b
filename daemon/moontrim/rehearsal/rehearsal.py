"""The whole daemon on a simulated radio and its own clock, through one window. See `judgement` for
how what it did is judged."""

from __future__ import annotations

import math
from typing import Any

from moontrim.app.daemon import Companion, Daemon
from moontrim.clock.virtual import VirtualClock
from moontrim.config.keyingports import AnyOutput, RadioOutput, SimulatedOutputSettings
from moontrim.config.settings import Settings, settings_from
from moontrim.path import Ephemeris
from moontrim.rehearsal.judgement import DialRecord, Result, judge
from moontrim_drivers.simulated.driver import SimulatedDriver, SimulatedOptions

REAL_DURATION_S = 60.0  # how long a whole window takes to watch
OVER_S, KEYED_S = 60.0, 51.0  # a usual digital-mode rhythm (common practice)

# A scenario of our own: a portable 10 GHz station on Madeira and a partner in southern Finland.
EMBEDDED: dict[str, Any] = {
    "home": {"locator": "IM12MR55MM", "height_m": 1400.0},
    "partner": {"locator": "KP20NF11AA", "height_m": 60.0},
    "bands": [
        {
            "name": "10 GHz",
            "sked_hz": 10_368_100_000,
            "allowed_low_hz": 10_368_000_000,
            "allowed_high_hz": 10_370_000_000,
            "transverter_offset_hz": 10_224_000_000,
            "while_transmitting": "step",
        }
    ],
    "radio": {"driver": "simulated", "options": {"retunes_while_transmitting": True}},
}


# With a transmit sequence, for the faults that come while keyed.
KEYING: dict[str, Any] = {
    "enabled": True,
    "outputs": [
        {"kind": "simulated", "name": "waveguide switch", "settle_ms": 300, "release_ms": 50},
        {"kind": "simulated", "name": "amplifier", "settle_ms": 100, "release_ms": 50},
        {"kind": "radio", "release_ms": 20},
    ],
}


def embedded_settings(*, keying: bool = False) -> Settings:
    """What `rehearse` runs on when it is given no config."""
    if not keying:
        return settings_from(EMBEDDED, "embedded scenario")
    bands = [EMBEDDED["bands"][0] | {"drive_ceiling": 0.2}]
    return settings_from(EMBEDDED | {"bands": bands, "keying": KEYING}, "embedded scenario")


def with_simulated_radio(settings: Settings, **habits: Any) -> Settings:
    """The same station with a simulated radio and simulated relays in place of its own: a rehearsal
    touches neither a port nor a line. habits: of that radio."""
    own = dict(settings.radio.options) if settings.radio.driver == "simulated" else {}
    options = {"retunes_while_transmitting": True} | own | habits
    radio = settings.radio.model_copy(update={"driver": "simulated", "options": options})
    keying = settings.keying.model_copy(
        update={"outputs": _simulated(settings.keying.outputs), "inputs": ()}
    )
    return settings.model_copy(update={"radio": radio, "keying": keying})


def _simulated(outputs: tuple[AnyOutput, ...]) -> tuple[AnyOutput, ...]:
    def times(output: AnyOutput) -> dict[str, Any]:
        return {key: getattr(output, key) for key in ("name", "settle_ms", "release_ms")}

    relays = [SimulatedOutputSettings(kind="simulated", **times(one)) for one in outputs[:-1]]
    return (*relays, *(RadioOutput(kind="radio", **times(last)) for last in outputs[-1:]))


def rehearse(
    settings: Settings,
    ephemeris: Ephemeris,
    start_utc_s: float,
    end_utc_s: float,
    *,
    pace: float,
    companions: tuple[Companion, ...] = (),
) -> Result:
    """Run the daemon from start to end at `pace` virtual seconds per second and judge what its
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
    options = SimulatedOptions.model_validate(settings.radio.options)
    driver = SimulatedDriver(options, clock)
    record = DialRecord()

    def changed(monotonic_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
        record.add(clock.utc_s() - clock.monotonic_s() + monotonic_s, rx_hz, tx_hz, transmitting)

    driver.radio.on_change = changed
    # Where it stands before anything moves; a dial that is right from the start never moves at all.
    changed(clock.monotonic_s(), driver.radio.rx_dial_hz, driver.radio.tx_dial_hz, False)
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
    # Somebody tried the phone or the dial: what can be judged is the time since the last change.
    changed_utc_s = last.last_change.at_utc_s if last and last.last_change else begun_utc_s
    return judge(
        settings,
        ephemeris,
        daemon.tracker.session,
        record,
        changed_utc_s + 1.0,
        ended_utc_s,
        ticks=daemon.tracker.ticks,
        missed_seconds=daemon.tracker.missed_seconds,
        faults=daemon.tracker.faults,
    )


def real_time_pace(start_utc_s: float, end_utc_s: float) -> float:
    """The pace at which the window lasts REAL_DURATION_S."""
    return max(1.0, (end_utc_s - start_utc_s) / REAL_DURATION_S)
