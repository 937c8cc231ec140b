"""The whole daemon on a simulated radio and a virtual clock, when something goes wrong that touches
more than one part: while it keys, in the path, in a driver, in what only shows."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import moontrim.outlook.companion
from moontrim.app.daemon import Daemon
from moontrim.config.settings import settings_from
from moontrim.keying.ownership import KeyingRefused
from moontrim.keying.sequence import Phase
from moontrim.outlook.companion import keep_outlook
from moontrim.path import Ephemeris
from moontrim.state.snapshot import Tracking
from moontrim.tracking.planning import Planning
from moontrim.tuning.correction import Fractions
from moontrim_drivers.contract import Capabilities, RigState
from moontrim_drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from support.scenario_keying import KEYING, moon_at, moon_high
from support.stage import SKED_HZ, Stage, play

UNKEYED_S = 1.0


@pytest.fixture
def keying(tmp_path: Path, ephemeris: Ephemeris) -> Callable[..., Stage]:
    """Keyed by us for a second, the Moon high; then the scene."""

    def run(scene: Any, start_utc_s: float | None = None, **changes: Any) -> Stage:
        async def keyed(s: Stage) -> None:
            await s.until(Tracking.ON_FREQUENCY, 5.0)
            await s.daemon.transmitting.request("test")
            await s.clock.sleep(1.0)
            assert s.radio.transmitting
            await scene(s)

        return play(
            tmp_path,
            ephemeris,
            keyed,
            moon_high(ephemeris) if start_utc_s is None else start_utc_s,
            tables={"keying": KEYING} | changes.pop("tables", {}),
            **{"band": {"drive_ceiling": 0.5}, **changes},
        )

    return run


async def unkeyed(s: Stage, within_s: float = UNKEYED_S) -> float:
    began_s = s.clock.monotonic_s()
    while s.radio.transmitting:
        assert s.clock.monotonic_s() - began_s < within_s, s.snapshot
        await s.clock.sleep(0.01)
    return s.clock.monotonic_s() - began_s


# --- while it keys --------------------------------------------------------------------------------


def jump_transmit_dial(s: Stage, by_hz: int) -> None:
    """The radio does it by itself, or somebody at its knobs."""
    s.radio._tx_hz += by_hz
    s.radio._report_change()


@pytest.mark.parametrize("by_hz", [3_000_000, -3_000_000])
def test_a_transmit_dial_that_jumps_out_of_the_range_under_rf_ends_the_over(
    keying: Any, by_hz: int
) -> None:
    async def scene(s: Stage) -> None:
        jump_transmit_dial(s, by_hz)
        took_s = await unkeyed(s)
        print(f"unkeyed after {took_s:.2f} s")
        await s.clock.sleep(5.0)
        assert not s.radio.transmitting, "the key must be let go of first"

    keying(scene)


@pytest.mark.parametrize("policy", ["step", "hold", "mid_over"])
def test_a_transmit_dial_that_jumps_within_the_range_under_rf(keying: Any, policy: str) -> None:
    """Put back at once where it may be set under RF; else the over ends."""

    async def scene(s: Stage) -> None:
        jump_transmit_dial(s, 5000)
        began_s = s.clock.monotonic_s()
        while (
            s.radio.transmitting
            and abs((s.snapshot.tx.residual_hz or 0.0) if s.snapshot.tx else 0) > 50
        ):
            assert s.clock.monotonic_s() - began_s < UNKEYED_S, s.snapshot
            await s.clock.sleep(0.01)
        await s.clock.sleep(UNKEYED_S)
        wrong = abs(s.snapshot.tx.residual_hz or 0.0) > 50 if s.snapshot.tx else True
        assert not (s.radio.transmitting and wrong), (s.snapshot.tx, s.snapshot.keying)

    keying(
        scene,
        band={"drive_ceiling": 0.5, "while_transmitting": policy},
        retunes_while_transmitting=policy == "step",
    )


def test_the_moon_sinks_below_the_minimum_elevation_during_an_over(
    keying: Any, ephemeris: Ephemeris
) -> None:
    """5 degrees unless the config says otherwise."""
    start_utc_s = moon_at(ephemeris, lambda deg, change: deg < 5.2 and change < 0.0)

    async def scene(s: Stage) -> None:
        for _ in range(80):
            assert s.snapshot.moon is not None
            if s.snapshot.moon.elevation_deg < 5.0:
                break
            assert s.radio.transmitting, s.snapshot.keying.reasons
            await s.clock.sleep(1.0)
        await unkeyed(s)
        await s.clock.sleep(0.5)
        assert s.snapshot.keying.state is Phase.RELEASED
        assert any("RF exposure" in reason for reason in s.snapshot.keying.reasons)
        await s.steady(5)

    keying(scene, start_utc_s - 3.0, tables={"partner": "self"})


def test_the_machine_sleeps_during_an_over(keying: Any) -> None:
    """It comes round keyed, if the radio let it: unkeyed at once, and not by itself again."""

    async def scene(s: Stage) -> None:
        s.clock.suspend(300.0)
        await unkeyed(s)
        s.daemon.transmitting.release("test")
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.clock.sleep(20.0)
        assert not s.radio.transmitting

    keying(scene)


def test_a_leap_second_by_a_clock_that_repeats_one(keying: Any) -> None:
    """23:59:59 twice: the clock goes back by a second. Unkeyed, as at any step; no second is made
    up for, and the dials are where the new time wants them."""

    async def scene(s: Stage) -> None:
        ticks = s.daemon.record.ticks
        s.clock.step_utc(-1.0)
        await unkeyed(s)
        s.daemon.transmitting.release("test")
        await s.clock.sleep(1.0)
        assert s.daemon.record.ticks - ticks <= 4, "no burst"
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.steady(5)
        assert s.snapshot.missed_seconds == 0

    keying(scene)


def test_a_relay_on_the_network_without_a_broker_is_not_keyed_over(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Nor does a broker that goes keep the radio keyed: it is unkeyed, and a relay that nobody can
    tell to fall is named until someone can; nobody may key meanwhile."""
    relay = {
        "kind": "mqtt", "name": "far relay", "topic": "shack/relay",
        "settle_ms": 100, "release_ms": 20,
    }  # fmt: skip
    outputs = {"enabled": True, "outputs": [relay, {"kind": "radio", "release_ms": 20}]}
    heard: list[str] = []

    async def there(topic: str, payload: str) -> None:
        heard.append(payload)

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        transmitting = s.daemon.transmitting
        with pytest.raises(KeyingRefused, match="not connected to a broker"):
            await transmitting.request("test")
        assert not s.radio.transmitting
        transmitting.relays.attach(there)
        await s.clock.sleep(3.0)
        await transmitting.request("test")
        assert s.radio.transmitting and heard[-1] == "on"
        transmitting.relays.detach()
        transmitting.release("test")
        await s.clock.sleep(2.0)
        assert not s.radio.transmitting
        assert any("far relay" in text for text in s.snapshot.keying.stuck), s.snapshot.keying
        with pytest.raises(KeyingRefused, match="far relay"):
            await transmitting.request("test")
        transmitting.relays.attach(there)
        await s.clock.sleep(2.0)
        assert heard[-1] == "off" and s.snapshot.keying.state is Phase.RELEASED
        await transmitting.request("test")

    play(
        tmp_path,
        ephemeris,
        scene,
        moon_high(ephemeris),
        tables={"keying": outputs},
        band={"drive_ceiling": 0.5},
    )


# --- numbers that are none ------------------------------------------------------------------------


@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf, -0.5, 0.001])
def test_a_shift_that_cannot_be_never_reaches_the_radio(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch, wrong: float
) -> None:
    """Held, said, and over as soon as the path gives numbers again. No path is faster than 3.5e-6;
    0.001 would be a speed of 300 km/s."""
    real = Planning._fractions
    now_wrong = False

    def fractions(self: Planning, utc_s: float) -> Fractions:
        if now_wrong:
            return Fractions(wrong, wrong, wrong, wrong)
        return real(self, utc_s)

    monkeypatch.setattr(Planning, "_fractions", fractions)

    async def scene(s: Stage) -> None:
        nonlocal now_wrong
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        now_wrong = True
        await s.clock.sleep(1.2)  # what was planned before is still carried out
        stood = s.radio.rx_dial_hz, s.radio.tx_dial_hz
        await s.clock.sleep(5.0)
        assert (s.radio.rx_dial_hz, s.radio.tx_dial_hz) == stood
        assert s.snapshot.tracking is Tracking.NO_DOPPLER, s.snapshot.reason
        now_wrong = False
        await s.until(Tracking.ON_FREQUENCY, 3.0)

    play(tmp_path, ephemeris, scene)


class Coarse(SimulatedDriver):
    """A radio with steps of 10 Hz that are not in the config."""

    @property
    def capabilities(self) -> Capabilities:
        return replace(super().capabilities, dial_resolution_hz=1)


def test_a_radio_with_coarser_steps_than_the_config_says(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Its rounding is no hand on the dial: the sked stays."""

    async def scene(s: Stage) -> None:
        await s.clock.sleep(124.0)  # an instant at which both ideals are amid two of its steps
        sked_hz = s.daemon.session.band_choices(s.daemon.settings).sked_hz
        assert sked_hz == SKED_HZ, (sked_hz, s.snapshot.tracking, s.snapshot.reason)
        assert s.snapshot.tracking is Tracking.READBACK_MISMATCH
        assert "dial_resolution_hz" in s.snapshot.reason
        for dial in (s.snapshot.rx, s.snapshot.tx):
            assert dial is not None and abs(dial.residual_hz or 0.0) < 10.0, "as near as it can be"

    play(tmp_path, ephemeris, scene, driver_class=Coarse, dial_resolution_hz=10)


# --- others on the same radio ---------------------------------------------------------------------


def test_two_daemons_on_one_radio_do_not_fight(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """With different sked frequencies, which they keep. Each takes the other for another program;
    they must have settled after ten seconds, and no ping-pong comes in the minute after that."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        raw = s.daemon.settings.model_dump(mode="json", exclude_none=True)
        raw["state_dir"] = str(tmp_path / "other")
        raw["bands"][0]["sked_hz"] += 20_000
        settings = settings_from(raw, "other")
        driver = SimulatedDriver(SimulatedOptions.model_validate(settings.radio.options), s.clock)
        driver.radio = s.radio
        other = Daemon(settings, s.clock, ephemeris, driver, seed=2)

        async def act(_: Daemon) -> None:
            try:
                await s.clock.sleep(10.0)
                large: list[int] = []
                last = s.radio.rx_dial_hz

                def changed(at_s: float, rx_hz: int, tx_hz: int | None, keyed: bool) -> None:
                    nonlocal last
                    if abs(rx_hz - last) > 1000:
                        large.append(rx_hz)
                    last = rx_hz

                s.radio.on_change = changed
                await s.clock.sleep(60.0)
                assert len(large) <= 3, large
                skeds = [d.session.band_choices(d.settings).sked_hz for d in (s.daemon, other)]
                assert skeds == [SKED_HZ, SKED_HZ + 20_000], skeds
                states = [d.hub.latest.tracking for d in (s.daemon, other) if d.hub.latest]
                assert Tracking.OTHER_PROGRAM in states, states
            finally:
                other.stop.set()

        await other.run(act)

    play(tmp_path, ephemeris, scene)


# --- mistakes of our own and of others' drivers ---------------------------------------------------


def test_a_mistake_in_what_only_shows_does_not_end_the_daemon(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(moontrim.outlook.companion, "search", broken)

    async def scene(s: Stage) -> None:
        task = asyncio.create_task(keep_outlook(s.daemon))
        try:
            await s.steady(5)
            await asyncio.sleep(0.5)
            assert not task.done(), task.exception()
        finally:
            task.cancel()

    play(tmp_path, ephemeris, scene)


class Breaks(SimulatedDriver):
    """Breaks its contract, by which nothing but RigError comes out."""

    broken = False

    async def read(self) -> RigState:
        if Breaks.broken:
            raise KeyError("dial")
        return await super().read()


def test_a_driver_that_breaks_its_contract_is_a_radio_lost_and_unkeyed(
    keying: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The link must outlive that: it is what tells the radio to receive."""

    async def scene(s: Stage) -> None:
        monkeypatch.setattr(Breaks, "broken", True)
        await s.until(Tracking.NO_CONTACT, 1.0)
        assert "mistake" in s.snapshot.reason and "KeyError" in s.snapshot.reason
        await s.clock.sleep(20.0)
        assert caplog.text.count("Traceback") == 1, "said once"
        monkeypatch.setattr(Breaks, "broken", False)
        await unkeyed(s, 3.0)
        await s.until(Tracking.ON_FREQUENCY, 3.0)

    keying(scene, driver_class=Breaks)


def test_a_mistake_in_the_tracker_ends_the_daemon_unkeyed(
    keying: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing can be on frequency without it. In the usual order, since a link that was cancelled
    first could not tell the radio to receive; the service manager starts all of it again."""
    stages: list[Stage] = []

    async def scene(s: Stage) -> None:
        stages.append(s)
        monkeypatch.setattr(s.daemon.tracker, "_tick", lambda second: 1 // 0)
        await s.clock.sleep(60.0)
        raise AssertionError("it went on")

    with pytest.raises(ExceptionGroup) as caught:
        keying(scene)
    assert [type(error) for error in caught.value.exceptions] == [ZeroDivisionError]
    (s,) = stages
    assert not s.radio.transmitting
    assert s.radio.rx_dial_hz == 144_100_000, "and the dial went back"
