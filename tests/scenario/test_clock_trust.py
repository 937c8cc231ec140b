"""The whole daemon and its clock: what is not trusted is not transmitted by, and home by a GPS
receiver."""

from collections.abc import Callable

import pytest

from moontrim.config.settings import settings_from
from moontrim.errors import InputError
from moontrim.gps.fix import Fix, Position
from moontrim.keying.ownership import KeyingRefused
from moontrim.path import Ephemeris, moon_from, solve_path
from moontrim.state.snapshot import Tracking
from moontrim.timekeeping.reading import ClockReading, unsynchronised
from scenario.test_transmitting import key, stage  # noqa: F401 (a fixture)
from support.scenario_keying import moon_high
from support.stage import Stage

HOME = Position(32.7313, -16.9540, 1400.0, 5.0, "3D")


def test_after_sleep_the_key_falls_and_the_clock_must_be_compared_again(
    stage: Callable[..., Stage],  # noqa: F811
) -> None:
    async def scene(s: Stage) -> None:
        await key(s)
        s.clock.suspend(1800.0)
        await s.clock.sleep(1.5)
        assert not s.radio.transmitting
        # Whoever looks first says it: the keyer, or the tracker.
        assert any(
            "suspended for" in one or "just resumed" in one for one in s.snapshot.keying.reasons
        )
        assert (
            s.snapshot.last_fault is not None and "suspended for 1800" in s.snapshot.last_fault.text
        )
        assert s.snapshot.missed_seconds == 0
        s.daemon.transmitting.release("test")
        with pytest.raises(KeyingRefused, match="suspended"):
            await key(s)
        await s.clock.sleep(20.0)
        await key(s)

    stage(scene)


def test_a_clock_that_nobody_vouches_for_receives_but_does_not_transmit(
    stage: Callable[..., Stage],  # noqa: F811
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)

        async def unsynced() -> ClockReading:
            return unsynchronised("virtual clock", "no source selected yet")

        s.daemon.clock_trust._readers = (unsynced,)
        await s.daemon.clock_trust.poll()
        with pytest.raises(KeyingRefused, match="clock not synchronised"):
            await s.daemon.transmitting.keyer.request("test")
        await s.steady(5)
        assert s.snapshot.clock is not None and "not synchronised" in s.snapshot.clock.doubt

    stage(scene)


def test_the_bound_of_the_clock_is_in_the_state(stage: Callable[..., Stage]) -> None:  # noqa: F811
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(1.0)

        async def rough() -> ClockReading:
            return ClockReading("virtual clock", True, 0.2, None, "roughly", 1.0)

        s.daemon.clock_trust._readers = (rough,)
        await s.daemon.clock_trust.poll()
        await s.clock.sleep(2.0)
        clock, rx = s.snapshot.clock, s.snapshot.rx
        assert clock is not None and rx is not None and clock.bound_ms is not None
        assert 200.0 <= clock.bound_ms < 201.0
        assert clock.cost_hz == pytest.approx(0.2 * abs(rx.rate_hz_per_s), rel=0.01)

    stage(scene)


def fixes(s: Stage, position: Position, count: int = 5) -> None:
    for _ in range(count):
        fix, transmitting = Fix(position, None, s.clock.utc_s()), s.daemon.transmitting
        s.daemon.whereabouts.located(fix, transmitting=transmitting.transmitting())


GPS = {"gps": {"source": "gpsd", "use_for_home": True}}


def test_home_by_the_receiver(stage: Callable[..., Stage], ephemeris: Ephemeris) -> None:  # noqa: F811
    """Left out of the config: nothing is set, nothing is keyed, until it is known."""

    async def scene(s: Stage) -> None:
        await s.clock.sleep(3.0)
        assert s.snapshot.tracking is Tracking.NO_DOPPLER and "GPS" in s.snapshot.reason
        assert s.radio.rx_dial_hz == 144_100_000
        with pytest.raises(KeyingRefused, match="home"):
            await s.daemon.transmitting.keyer.request("test")
        fixes(s, HOME)
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        partner = s.daemon.session.partner_site(s.daemon.settings)
        exact = solve_path(ephemeris, HOME.site(), partner, s.clock.utc_s())
        ideal_hz = 10_368_100_000 * (1.0 + float(exact.legs["moon_to_home"].fraction))
        assert s.daemon.planning.ideal(s.clock.utc_s()).rx_hz == pytest.approx(ideal_hz, abs=0.01)
        moon = moon_from(ephemeris, HOME.site(), s.clock.utc_s())
        assert s.snapshot.moon is not None
        assert s.snapshot.moon.elevation_deg == pytest.approx(float(moon.elevation_deg), abs=0.01)
        await key(s)
        # Carried away while keyed: unkeyed, and home does not move under RF.
        fixes(s, Position(32.8, -16.95, 1400.0, 5.0, "3D"))
        await s.clock.sleep(0.3)
        assert not s.radio.transmitting
        assert any("moved" in reason for reason in s.snapshot.keying.reasons)

    start_utc_s = moon_high(ephemeris)
    stage(scene, start_utc_s, tables={"home": None} | GPS)


def test_a_receiver_elsewhere_is_said(stage: Callable[..., Stage]) -> None:  # noqa: F811
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        fixes(s, Position(32.75, -17.0, 1400.0, 5.0, "3D"))
        await s.clock.sleep(2.0)
        assert any("km" in w or " m from home" in w for w in s.snapshot.warnings), (
            s.snapshot.warnings
        )
        await s.steady(3)

    stage(scene, tables={"gps": {"source": "gpsd"}})


def test_home_left_out_without_a_receiver_is_refused() -> None:
    band = {"name": "b", "sked_hz": 144_100_000, "tx_low_hz": 144_000_000}
    with pytest.raises(InputError, match="home"):
        settings_from({"bands": [band | {"tx_high_hz": 146_000_000}]}, "test")
