"""The whole daemon on a simulated radio and a virtual clock: what it does hour by hour, and when
things go wrong. Nothing here waits in real time."""

import asyncio
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from moontrim.path import Ephemeris
from moontrim.rig.view import LinkState
from moontrim.session.commands import (
    AllowTransmit,
    Correct,
    ReadBack,
    SetAgreement,
    SetBand,
    SetPartner,
    SetSked,
    SetTrim,
)
from moontrim.state.snapshot import Tracking
from moontrim.tracking.tracker import Tracker
from moontrim_drivers.contract import RigNotSuitable
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.stage import SKED_HZ, T0, Stage, play


@pytest.fixture
def stage(tmp_path: Path, ephemeris: Ephemeris) -> Callable[..., Stage]:
    return partial(play, tmp_path, ephemeris)


def test_on_frequency_two_seconds_after_start(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        assert await s.until(Tracking.ON_FREQUENCY, 2.0) < 2.0
        await s.steady(60)
        assert s.snapshot.missed_seconds == 0
        assert s.snapshot.sked_hz == SKED_HZ

    stage(scene)


def test_transmit_frequency_outside_the_range_is_never_set(stage: Any) -> None:
    """The sked is inside, but correcting the transmit half would leave the range; the radio's own
    dial, inside, must stay."""

    async def scene(s: Stage) -> None:
        await s.clock.sleep(2.0)
        correction_hz = s.snapshot.tx.correction_hz if s.snapshot.tx else 0.0
        edge_hz = 10_368_000_100 if correction_hz < -200 else 10_369_999_900
        assert abs(correction_hz) > 200, "the scenario needs a correction that crosses the edge"
        s.daemon.inbox.post_command(SetSked("test", edge_hz))
        await s.clock.sleep(0.1)
        before = s.radio.tx_dial_hz
        for _ in range(60):
            await s.clock.sleep(1.0)
            assert s.snapshot.tracking is Tracking.OUTSIDE_BAND
            assert "outside 10 368 000 000 to 10 370 000 000" in s.snapshot.reason
            assert s.radio.tx_dial_hz == before
            assert s.snapshot.rx is not None and abs(s.snapshot.rx.residual_hz or 9) < 1.5, (
                "receive goes on"
            )

    done = stage(scene)
    assert all(done.band.allows(done.band.on_air_hz(hz)) for hz in done.transmit_dials[2:])


def test_commands_take_effect_at_once(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        for command in (
            SetSked("phone", SKED_HZ + 12_345),
            SetAgreement("phone", "receiver"),
            SetTrim("phone", rx_hz=7.0, tx_hz=-3.0),
            SetPartner("phone", "self"),
            SetPartner("phone", "JN88DD"),
            SetBand("phone", "10 GHz"),
        ):
            assert s.daemon.inbox.post_command(command)
            await s.clock.sleep(0.15)
            assert s.snapshot.last_change is not None and s.snapshot.last_change.by == "phone"
            now = s.clock.utc_s()
            ideal = s.daemon.planning.ideal(now)
            assert s.radio.rx_dial_hz == pytest.approx(s.band.dial_hz(ideal.rx_hz), abs=0.8)
            assert s.radio.tx_dial_hz == pytest.approx(s.band.dial_hz(ideal.tx_hz), abs=0.8)
            await s.steady(3)
        s.daemon.inbox.post_command(SetSked("phone", 1.0))
        await s.steady(3)
        assert s.snapshot.sked_hz == SKED_HZ + 12_345, "a refused command changes nothing"

    stage(scene)


@pytest.mark.parametrize("partner", ["JN88DD", "self"])
def test_the_trim_stands_apart_from_the_correction(stage: Any, partner: str) -> None:
    """What is on the air moves by the trim, the correction does not; own echoes also bring back the
    trim of the transmitter."""

    async def scene(s: Stage) -> None:
        await s.daemon.ask(SetPartner("phone", partner))
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.steady(2)
        before = s.snapshot
        await s.daemon.ask(SetTrim("phone", rx_hz=50.0, tx_hz=-20.0))
        await s.steady(2)
        now = s.snapshot
        assert now.verdict == "on frequency, trim +50 Hz receive, -20 Hz transmit"
        rx_trim_hz = 30.0 if partner == "self" else 50.0
        for dial, trim_hz in (("rx", rx_trim_hz), ("tx", -20.0)):
            was, is_now = getattr(before, dial), getattr(now, dial)
            drift_hz = was.rate_hz_per_s * (now.utc_s - before.utc_s)
            assert abs(was.rate_hz_per_s) > 0.01 and abs(was.correction_hz) > 200.0
            assert is_now.correction_hz - was.correction_hz == pytest.approx(drift_hz, abs=0.01)
            moved_hz = is_now.on_air_hz - was.on_air_hz
            assert moved_hz == pytest.approx(drift_hz + trim_hz, abs=0.01)
            assert abs(is_now.residual_hz) < 1.0

    stage(scene)


def test_choices_survive_a_restart(stage: Any) -> None:
    async def first(s: Stage) -> None:
        s.daemon.inbox.post_command(SetSked("phone", SKED_HZ + 777))
        s.daemon.inbox.post_command(SetAgreement("phone", "home"))
        await s.clock.sleep(1.0)

    async def second(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        assert (s.snapshot.sked_hz, s.snapshot.agreement) == (SKED_HZ + 777, "home")

    stage(first)
    stage(second, T0 + 60)


@pytest.mark.parametrize(("on_exit", "goes_back"), [("sked", True), ("leave", False)])
def test_on_exit_the_dial_is_restored_or_left(stage: Any, on_exit: str, goes_back: bool) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        assert s.radio.rx_dial_hz != 144_100_000

    done = stage(scene, radio={"on_exit": on_exit})
    at_sked = (done.radio.rx_dial_hz, done.radio.tx_dial_hz) == (144_100_000, 144_100_000)
    assert at_sked is goes_back


def test_paused_leaves_the_radio_alone(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.daemon.ask(Correct("phone", False))
        await s.clock.sleep(0.1)  # a set under way may still end
        assert s.snapshot.tracking is Tracking.PAUSED
        before = (s.radio.rx_dial_hz, s.radio.tx_dial_hz)
        await s.clock.sleep(30.0)
        assert (s.radio.rx_dial_hz, s.radio.tx_dial_hz) == before
        s.radio.turn_dial(5000)
        await s.clock.sleep(5.0)
        assert s.radio.rx_dial_hz == before[0] + 5000
        assert s.snapshot.sked_hz == SKED_HZ, "turned while paused: no wish about the sked"
        s.daemon.inbox.post_command(Correct("phone", True))
        await s.until(Tracking.ON_FREQUENCY, 2.0)
        await s.steady(5)

    stage(scene)


# --- a hand on the dial ---


def test_a_turned_dial_moves_the_sked(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.clock.sleep(10.0)
        for turn_hz in (+1500, -400, +10, +10, +10, -3000):
            s.radio.turn_dial(turn_hz)
            await s.clock.sleep(0.37)
        await s.clock.sleep(2.0)
        # Each read-back while turning may round the wish by half a dial step.
        assert s.snapshot.sked_hz == pytest.approx(SKED_HZ - 1870, abs=3.0)
        assert s.snapshot.last_change is not None and s.snapshot.last_change.by == "dial"
        await s.steady(10)

    stage(scene)


def test_turning_is_never_fought_while_it_lasts(stage: Any) -> None:
    """Ten detents a second for five seconds: the daemon must not pull the dial back even once."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.clock.sleep(5.0)
        before = s.radio.rx_dial_hz
        for n in range(1, 51):
            s.radio.turn_dial(+20)
            await s.clock.sleep(0.1)
            assert s.radio.rx_dial_hz >= before + 20 * n - 25, "pulled back"
        await s.clock.sleep(2.0)
        assert s.snapshot.sked_hz == pytest.approx(SKED_HZ + 1000, abs=30)
        await s.steady(5)

    stage(scene)


def test_put_back_but_no_fight(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        s.radio.turn_dial(+300)
        await s.clock.sleep(2.0)
        await s.steady(5)
        assert s.snapshot.sked_hz == SKED_HZ
        before = len(s.daemon.record.faults)
        for _ in range(8):
            s.radio.turn_dial(+300)
            await s.clock.sleep(0.9)
        assert s.snapshot.tracking is Tracking.DIAL_IN_USE
        assert any("left alone" in fault.text for fault in s.daemon.record.faults[before:])
        await s.until(Tracking.ON_FREQUENCY, 13.0)

    stage(scene, radio={"on_manual_tuning": "restore"})


def test_turned_out_of_the_band_is_left_there_until_it_comes_back(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.clock.sleep(3.4)  # not in the very moment of a set, which would win
        away_hz = 5_000_000
        s.radio.turn_dial(away_hz)
        await s.clock.sleep(2.0)
        assert s.snapshot.tracking is Tracking.OUTSIDE_BAND
        dial_hz = s.radio.rx_dial_hz
        await s.clock.sleep(120.0)
        assert s.radio.rx_dial_hz == dial_hz, "never pulled back"
        assert s.snapshot.sked_hz == SKED_HZ
        s.radio.turn_dial(-away_hz)
        await s.clock.sleep(1.5)
        await s.steady(5)
        assert s.snapshot.sked_hz == pytest.approx(SKED_HZ, abs=400)

    stage(scene)


# --- transmitting ---


def test_hold_leaves_the_dial_and_catches_up(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.clock.sleep(3.0)
        s.radio.key(True)
        before = (s.radio.rx_dial_hz, s.radio.tx_dial_hz)
        await s.clock.sleep(50.0)
        assert (s.radio.rx_dial_hz, s.radio.tx_dial_hz) == before
        assert s.snapshot.tracking is Tracking.HELD_KEYED
        s.radio.key(False)
        await s.until(Tracking.ON_FREQUENCY, 2.0)
        await s.steady(5)

    stage(scene, band={"while_transmitting": "hold"})


def test_mid_over_is_right_in_the_middle(stage: Any) -> None:
    """Keyed for one over, the transmit residual runs from minus to plus the same, and is
    nothing halfway."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.clock.sleep(5.0)
        s.radio.key(True)
        residuals = []
        for _ in range(3):
            ideal = s.daemon.planning.ideal(s.clock.utc_s())
            residuals.append(s.radio.tx_dial_hz - s.band.dial_hz(ideal.tx_hz))
            await s.clock.sleep(30.0)
        assert abs(residuals[0]) > 3.0, "the scenario needs some drift"
        assert residuals[1] == pytest.approx(0.0, abs=0.7)
        assert residuals[0] == pytest.approx(-residuals[2], abs=1.0)
        s.radio.key(False)

    stage(scene, band={"while_transmitting": "mid_over", "over_s": 60.0})


def test_step_goes_on_while_keyed(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        s.radio.key(True)
        await s.clock.sleep(1.0)
        await s.steady(60)
        assert s.snapshot.transmitting

    stage(scene)


def test_step_on_a_radio_that_cannot_holds_instead(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        s.radio.key(True)
        before = s.radio.tx_dial_hz
        await s.clock.sleep(20.0)
        assert s.radio.tx_dial_hz == before
        assert s.snapshot.link.failures == 0, "it was not even asked"

    stage(scene, retunes_while_transmitting=False)


def test_one_dial_follows_the_key(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        for keyed in (True, False, True, False):
            s.radio.key(keyed)
            await s.clock.sleep(1.0)
            ideal = s.daemon.planning.ideal(s.clock.utc_s())
            wanted_hz = ideal.tx_hz if keyed else ideal.rx_hz
            assert s.radio.rx_dial_hz == pytest.approx(s.band.dial_hz(wanted_hz), abs=0.8)

    stage(scene, split=False)


def test_without_permission_the_radio_is_unkeyed(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        s.radio.set_transmit(True)
        await s.clock.sleep(1.0)
        assert s.radio.transmitting, "with permission nobody interferes"
        await s.daemon.ask(AllowTransmit("phone", False))
        await s.clock.sleep(0.2)
        assert not s.radio.transmitting
        assert not s.snapshot.tx_allowed
        s.radio.set_transmit(True)
        await s.clock.sleep(0.7)
        assert not s.radio.transmitting, "found keyed at the next look"
        await s.steady(3)

    async def restarted(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        s.radio.set_transmit(True)
        await s.clock.sleep(0.7)
        assert not s.radio.transmitting, "forbidden outlives a restart"
        await s.daemon.ask(AllowTransmit("phone", True))
        s.radio.set_transmit(True)
        await s.clock.sleep(2.0)
        assert s.radio.transmitting

    stage(scene)
    stage(restarted, T0 + 60)


def test_a_foot_switch_we_cannot_release_is_said(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.daemon.ask(AllowTransmit("phone", False))
        s.radio.key(True)
        await s.clock.sleep(5.0)
        assert s.radio.transmitting
        assert s.snapshot.last_fault is not None
        assert "transmits although not allowed, cannot be unkeyed" in s.snapshot.last_fault.text
        assert len(s.daemon.record.faults) == 1, "said once"

    stage(scene)


# --- faults ---


class Fickle(SimulatedDriver):
    """Unfit until it is made fit."""

    fit = False

    async def open(self, *, unkey: bool = False) -> None:
        if not self.fit:
            raise RigNotSuitable("this radio does not set split operation")
        await super().open(unkey=unkey)


def test_an_unfit_radio_is_named_and_tried_again_slowly(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.RADIO_NOT_SUITABLE, 2.0)
        assert "split operation" in s.snapshot.reason
        await s.clock.sleep(60.0)
        assert s.snapshot.tracking is Tracking.RADIO_NOT_SUITABLE
        assert s.snapshot.missed_seconds == 0
        assert 3 <= s.snapshot.link.failures <= 6, "every 15 s or so"
        assert len(s.daemon.record.faults) == 1, "said once"
        Fickle.fit = True
        await s.until(Tracking.ON_FREQUENCY, 20.0)
        await s.steady(3)

    Fickle.fit = False
    stage(scene, driver_class=Fickle)


@pytest.mark.parametrize("away_s", [0.0, 1.0, 30.0])
def test_radio_lost_and_back(stage: Any, away_s: float) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        s.radio.power_cycle()
        if away_s > 2:
            await s.clock.sleep(away_s - 1.0)
            assert s.snapshot.tracking is Tracking.NO_CONTACT
            assert s.snapshot.missed_seconds == 0
        await s.until(Tracking.NO_CONTACT, 2.0)
        while s.daemon.link.view.state is not LinkState.READY:
            await s.clock.sleep(0.05)
        await s.until(Tracking.ON_FREQUENCY, 0.3)
        await s.steady(5)
        assert s.snapshot.sked_hz == SKED_HZ, "its power-up dial was no wish of the operator"
        assert s.snapshot.last_fault is not None and "radio" in s.snapshot.last_fault.text

    stage(scene, unreachable_s=away_s)


def test_a_clock_set_back_is_noticed_whoever_keeps_asking(stage: Any) -> None:
    """Each request began the waiting for the next second anew, which was seconds away."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        ticks = s.daemon.record.ticks
        s.clock.step_utc(-60.0)
        for _ in range(10):
            s.daemon.inbox.post_command(ReadBack("test"))
            await s.clock.sleep(0.4)
        assert s.daemon.record.ticks >= ticks + 4
        assert any("stepped by -60" in fault.text for fault in s.daemon.record.faults)

    stage(scene)


@pytest.mark.parametrize("step_s", [-3600.0, -2.0, -0.2, 0.2, 2.0, 3600.0])
def test_the_clock_steps(stage: Any, step_s: float) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.clock.sleep(3.3)
        s.clock.step_utc(step_s)
        await s.clock.sleep(2.0)
        await s.steady(10)
        assert s.snapshot.last_fault is not None
        assert f"clock stepped by {step_s:+.3f} s" in s.snapshot.last_fault.text
        assert s.snapshot.missed_seconds == 0, "a step is not a missed second"

    stage(scene)


def test_a_stalled_machine_misses_seconds_and_says_so(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        ticks = s.snapshot.ticks
        s.clock._now_s += 7.0  # nothing ran for seven seconds
        await s.clock.sleep(2.0)
        await s.steady(5)
        assert 6 <= s.snapshot.missed_seconds <= 7
        assert s.snapshot.ticks <= ticks + 9, (
            "missed seconds are skipped, not made up for in a burst"
        )

    stage(scene)


def test_ticks_that_take_longer_than_a_second_let_everything_else_run(
    stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    tick, turns, counts = Tracker._tick, 0, [0]

    async def others() -> None:
        nonlocal turns
        while len(counts) < 10:
            turns += 1
            await asyncio.sleep(0)

    def slow(tracker: Tracker, second: int) -> None:
        tick(tracker, second)
        if len(counts) == 1:
            asyncio.get_running_loop().create_task(others())
        if len(counts) < 10:
            tracker._clock._now_s += 1.1  # type: ignore[attr-defined]
            counts.append(turns)

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        monkeypatch.setattr(Tracker, "_tick", slow)
        await s.clock.sleep(20.0)
        assert counts[2:] == sorted(set(counts[2:])), "ticks alone have run"

    stage(scene)


def test_end_of_the_tables_is_a_state_not_a_crash(stage: Any, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.clock.sleep(900.0)
        assert s.snapshot.tracking is Tracking.NO_DOPPLER
        assert "Earth" in s.snapshot.reason
        before = s.radio.rx_dial_hz
        await s.clock.sleep(60.0)
        assert s.radio.rx_dial_hz == before
        assert s.snapshot.link.state is LinkState.READY
        assert len(s.daemon.record.faults) <= 2, "said once"

    stage(scene, ephemeris.last_utc_s - 700.0)


@pytest.mark.parametrize("seed", range(6))
def test_bad_moods_all_at_once(stage: Any, seed: int) -> None:
    """Refusals, drops and a slow radio for ten minutes: no exception, no transmit dial outside the
    range, and on frequency soon after the moods pass."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 30.0)
        await s.clock.sleep(600.0)
        assert s.snapshot.missed_seconds == 0
        s.radio.change(refuse_probability=0.0, drop_every=0, latency_s=0.03)
        await s.clock.sleep(0.5)  # a set under way was refused already
        await s.until(Tracking.ON_FREQUENCY, 5.5)
        await s.steady(10)

    done = stage(
        scene, seed=seed, refuse_probability=0.2, drop_every=37, unreachable_s=0.7, latency_s=0.12
    )
    assert all(done.band.allows(done.band.on_air_hz(hz)) for hz in done.transmit_dials[2:])
