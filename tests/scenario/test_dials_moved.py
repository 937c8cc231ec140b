"""What moves the dials besides the daemon: a hand on the receive dial, A and B exchanged, another
program. The sked frequency follows only the first."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from functools import partial
from pathlib import Path
from statistics import mean
from typing import Any

import pytest

from moontrim.app.daemon import Daemon
from moontrim.config.settings import settings_from
from moontrim.keying.ownership import KeyingRefused
from moontrim.path import Ephemeris
from moontrim.rig.moveddials import CONFIRM_S
from moontrim.session.commands import Correct, SetSked
from moontrim.share.protocol import OK, REJECTED
from moontrim.share.sharedradio import RigAccess, SharedRadio
from moontrim.state.snapshot import Tracking
from moontrim.tracking.otherprogram import LAST_S, SAME_S
from moontrim_drivers.contract import RigState
from moontrim_drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from support.scenario_keying import KEYING, moon_high
from support.stage import SKED_HZ, Stage, play

AGREEMENTS = ("halves", "receiver", "transmitter", "home", "partner")
RESTORED_S = 1.5  # the next look, and a set


@pytest.fixture
def stage(tmp_path: Path, ephemeris: Ephemeris) -> Callable[..., Stage]:
    return partial(play, tmp_path, ephemeris, start_utc_s=moon_high(ephemeris))


def sked_hz(daemon: Daemon) -> float:
    return daemon.session.band_choices(daemon.settings).sked_hz


def tracking(daemon: Daemon) -> Tracking | None:
    return None if daemon.hub.latest is None else daemon.hub.latest.tracking


async def green_is_true(s: Stage, duration_s: float) -> None:
    """Whenever it says on frequency, both dials have been near their ideal within the last poll."""
    near_s = s.clock.monotonic_s()
    for _ in range(round(duration_s / 0.02)):
        await s.clock.sleep(0.02)
        now_s, ideal = s.clock.monotonic_s(), s.daemon.planning.ideal(s.clock.utc_s())
        assert s.radio.tx_dial_hz is not None
        off_hz = max(
            abs(s.radio.rx_dial_hz - s.band.dial_hz(ideal.rx_hz)),
            abs(s.radio.tx_dial_hz - s.band.dial_hz(ideal.tx_hz)),
        )
        near_s = now_s if off_hz < 3.0 else near_s
        if s.snapshot.tracking is Tracking.ON_FREQUENCY:
            assert now_s - near_s < 0.7, (off_hz, s.snapshot)


# --- a hand ---------------------------------------------------------------------------------------


def test_a_turned_dial_counts_after_about_a_second(stage: Any) -> None:
    """The next look, and another that agrees."""
    took_s: list[float] = []

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        for n in range(40):
            await s.clock.sleep(3.0 + 0.037 * n)
            before_hz, began_s = s.snapshot.sked_hz, s.clock.monotonic_s()
            s.radio.turn_dial(+200)
            while s.snapshot.sked_hz == before_hz:
                await s.clock.sleep(0.01)
                assert s.clock.monotonic_s() - began_s < 2.0
            took_s.append(s.clock.monotonic_s() - began_s)
            assert s.snapshot.sked_hz == pytest.approx(before_hz + 200, abs=2.0)

    stage(scene)
    print(f"followed after {min(took_s):.2f} to {max(took_s):.2f} s, mean {mean(took_s):.2f} s")
    assert min(took_s) >= CONFIRM_S and max(took_s) < 1.3 and mean(took_s) < 1.0


def test_turned_back_before_the_second_look_nothing_has_happened(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        for _ in range(10):
            await s.clock.sleep(3.3)
            s.radio.turn_dial(+200)
            await s.clock.sleep(0.5)
            s.radio.turn_dial(-200)
        await s.clock.sleep(2.0)
        assert sked_hz(s.daemon) == SKED_HZ and s.daemon.record.last_change is None
        await s.steady(3)

    stage(scene)


def test_a_sked_frequency_chosen_meanwhile_counts(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(3.3)
        s.radio.turn_dial(+5000)
        await s.clock.sleep(0.6)  # looked at once
        await s.daemon.ask(SetSked("test", SKED_HZ + 700.0))
        await s.clock.sleep(3.0)
        assert sked_hz(s.daemon) == SKED_HZ + 700
        await s.steady(3)
        # A step that something takes before the dial is set to the new one.
        s.daemon.inbox.post_command(SetSked("test", SKED_HZ + 9000.0))
        s.radio.turn_dial(+1)
        await s.clock.sleep(3.0)
        assert sked_hz(s.daemon) == SKED_HZ + 9000
        await s.steady(3)

    stage(scene)


# --- A and B exchanged ----------------------------------------------------------------------------


@pytest.mark.parametrize("on_manual_tuning", ["follow", "restore"])
@pytest.mark.parametrize("agreement", AGREEMENTS)
def test_exchanged_dials_are_restored_and_named(
    stage: Any, agreement: str, on_manual_tuning: str
) -> None:
    """At any moment of the second, also while a set is under way, and exchanged back by hand."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        apart_hz = abs((s.radio.tx_dial_hz or 0) - s.radio.rx_dial_hz)
        for n in range(24):
            await s.clock.sleep(11.0 + n / 24 - s.clock.utc_s() % 1.0)
            s.radio.exchange_dials()
            if n % 6 == 5:
                await s.clock.sleep(0.25)
                s.radio.exchange_dials()
            await green_is_true(s, RESTORED_S)
            assert sked_hz(s.daemon) == SKED_HZ
            assert s.snapshot.tracking is Tracking.ON_FREQUENCY, s.snapshot.reason
        named = [f for f in s.daemon.record.faults if "A and B were exchanged" in f.text]
        assert not s.daemon.record.last_change
        assert len(named) >= 18 if apart_hz > 10 else not named

    stage(
        scene,
        radio={"on_manual_tuning": on_manual_tuning},
        tables={"defaults": {"agreement": agreement}},
        retunes_while_transmitting=False,
    )


@pytest.mark.parametrize("first", ["rx", "tx"])
@pytest.mark.parametrize("apart_s", [0.02, 0.3, 0.55])
def test_exchanged_in_two_sets_it_is_no_hand_either(stage: Any, first: str, apart_s: float) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        for n in range(8):
            await s.clock.sleep(11.0 + n / 8)
            rx_hz, tx_hz = s.radio.rx_dial_hz, s.radio.tx_dial_hz
            sets = [(tx_hz, None), (None, rx_hz)]
            for rx, tx in sets if first == "rx" else reversed(sets):
                s.radio.set_dials(rx, tx)
                await s.clock.sleep(apart_s)
            await green_is_true(s, 2.5)
            assert sked_hz(s.daemon) == SKED_HZ
            await s.until(Tracking.ON_FREQUENCY, 1.0)

    stage(scene)


def test_one_dial_copied_to_the_other_is_no_hand(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        for which in ("rx", "tx") * 3:
            await s.clock.sleep(11.3)
            rx_hz, tx_hz = s.radio.rx_dial_hz, s.radio.tx_dial_hz
            s.radio.set_dials(*((tx_hz, None) if which == "rx" else (None, rx_hz)))
            await green_is_true(s, 2.5)
            assert sked_hz(s.daemon) == SKED_HZ
            await s.until(Tracking.ON_FREQUENCY, 1.0)

    stage(scene)


@pytest.mark.parametrize("policy", ["step", "hold", "mid_over"])
def test_exchanged_under_rf_the_over_ends_before_a_dial_is_set(stage: Any, policy: str) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.transmitting.request("test")
        await s.clock.sleep(1.0)
        assert s.radio.transmitting
        s.radio.exchange_dials()
        exchanged = s.radio.rx_dial_hz, s.radio.tx_dial_hz
        under_rf: list[object] = []
        s.radio.on_change = lambda _, rx_hz, tx_hz, keyed: (
            under_rf.append((rx_hz, tx_hz)) if keyed else None
        )
        began_s = s.clock.monotonic_s()
        while s.radio.transmitting:
            await s.clock.sleep(0.01)
            assert s.clock.monotonic_s() - began_s < 1.0, s.snapshot
        assert "A and B were exchanged" in s.snapshot.reason
        assert set(under_rf) <= {exchanged}
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        assert sked_hz(s.daemon) == SKED_HZ

    stage(
        scene,
        tables={"keying": KEYING},
        band={"drive_ceiling": 0.5, "while_transmitting": policy},
        retunes_while_transmitting=policy == "step",
    )


def test_exchanged_again_and_again_it_is_left_alone_for_a_while(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        for _ in range(4):
            s.radio.exchange_dials()
            await s.clock.sleep(1.5)
        assert s.snapshot.tracking is Tracking.DIAL_IN_USE
        await s.until(Tracking.ON_FREQUENCY, 13.0)
        assert sked_hz(s.daemon) == SKED_HZ

    stage(scene)


def test_the_band_keys_of_the_radio_are_not_fought(stage: Any) -> None:
    """Both dials go to where nothing may be followed, and come back."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        for _ in range(3):
            await s.clock.sleep(3.4)
            rx_hz, tx_hz = s.radio.rx_dial_hz, s.radio.second_dial_hz
            s.radio.set_dials(432_100_000, 432_200_000)
            await s.clock.sleep(3.0)
            assert s.snapshot.tracking is Tracking.OUTSIDE_BAND
            await s.clock.sleep(3.0)
            assert (s.radio.rx_dial_hz, s.radio.tx_dial_hz) == (432_100_000, 432_200_000)
            s.radio.set_dials(rx_hz, tx_hz)
            await s.until(Tracking.ON_FREQUENCY, 2.0)
            assert sked_hz(s.daemon) == SKED_HZ

    stage(scene)


# --- another program ------------------------------------------------------------------------------

Act = Callable[[Daemon], Coroutine[Any, Any, None]]


def test_a_receive_dial_moved_soon_after_the_transmit_dial_is_restored(stage: Any) -> None:
    """As by another program that sets its dials a last time; later it is a hand again."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(5.0)
        assert s.radio.tx_dial_hz is not None
        s.radio.set_dials(s.radio.rx_dial_hz, s.radio.tx_dial_hz + 4850)
        await s.clock.sleep(4.0)
        s.radio.turn_dial(-4850)
        await s.clock.sleep(6.0)
        assert sked_hz(s.daemon) == SKED_HZ
        await s.until(Tracking.ON_FREQUENCY, 2.0)
        await s.clock.sleep(SAME_S)
        s.radio.turn_dial(-4850)
        await s.clock.sleep(3.0)
        assert sked_hz(s.daemon) != SKED_HZ

    stage(scene)


async def beside(s: Stage, folder: Path, ephemeris: Ephemeris, act: Act, **changes: Any) -> None:
    """Runs another daemon on the same radio. changes: to its config, by table."""
    raw = s.daemon.settings.model_dump(mode="json", exclude_none=True)
    raw["state_dir"] = str(folder / "other")
    for table, values in changes.items():
        raw[table] = raw.get(table, {}) | values
    raw["bands"][0]["sked_hz"] += raw.pop("apart", {"hz": 0})["hz"]
    settings = settings_from(raw, "other")
    driver = SimulatedDriver(SimulatedOptions.model_validate(settings.radio.options), s.clock)
    driver.radio = s.radio
    other = Daemon(settings, s.clock, ephemeris, driver, seed=2)

    async def acting(_: Daemon) -> None:
        try:
            await act(other)
        finally:
            other.stop.set()

    await other.run(acting)


ELSEWHERE = {"partner": {"locator": "JN88"}}
SECOND: list[dict[str, Any]] = [
    {"apart": {"hz": 20_000}},
    {"defaults": {"agreement": "receiver"}} | ELSEWHERE,
    {"defaults": {"agreement": "transmitter"}},
    {"defaults": {"agreement": "home"}},
]


@pytest.mark.parametrize("on_manual_tuning", ["follow", "restore"])
@pytest.mark.parametrize("changes", SECOND)
@pytest.mark.parametrize("agreement", ["halves", "receiver"])
def test_two_daemons_know_each_other_and_keep_their_skeds(
    stage: Any,
    tmp_path: Path,
    ephemeris: Ephemeris,
    agreement: str,
    changes: dict[str, Any],
    on_manual_tuning: str,
) -> None:
    """They name each other and leave the radio alone; nothing is keyed. One never disturbed
    may go on, then alone and on frequency. It lasts until the operator pauses and resumes."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)

        async def act(other: Daemon) -> None:
            both = (s.daemon, other)
            await s.clock.sleep(30.0)
            named = [d for d in both if tracking(d) is Tracking.OTHER_PROGRAM]
            alone = [d for d in both if d not in named]
            assert named
            for d in named:
                assert d.hub.latest is not None
                assert "another program moves this radio's dials" in d.hub.latest.reason
                with pytest.raises(KeyingRefused, match="another program"):
                    await d.transmitting.request("test")
            stood = s.radio.rx_dial_hz, s.radio.tx_dial_hz
            for _ in range(60):
                await s.clock.sleep(1.0)
                assert [sked_hz(d) for d in both] == [d.settings.bands[0].sked_hz for d in both]
                for d in alone:
                    assert tracking(d) is Tracking.ON_FREQUENCY
                    ideal = d.planning.ideal(s.clock.utc_s())
                    assert abs(s.radio.rx_dial_hz - s.band.dial_hz(ideal.rx_hz)) < 3.0
            assert alone or (s.radio.rx_dial_hz, s.radio.tx_dial_hz) == stood, "left alone"
            undisturbed.extend(alone)

        undisturbed: list[Daemon] = []
        await beside(s, tmp_path, ephemeris, act, **changes)
        if s.daemon in undisturbed:  # the other one gave way before it had moved a dial
            await s.steady(20)
            return
        left_at = s.radio.rx_dial_hz, s.radio.tx_dial_hz
        await s.clock.sleep(5.0)
        assert s.snapshot.tracking is Tracking.OTHER_PROGRAM
        assert (s.radio.rx_dial_hz, s.radio.tx_dial_hz) == left_at
        await s.daemon.ask(Correct("test", False))
        await s.daemon.ask(Correct("test", True))
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.steady(20)

    stage(
        scene,
        radio={"on_manual_tuning": on_manual_tuning},
        tables={"keying": KEYING, "defaults": {"agreement": agreement}},
        band={"drive_ceiling": 0.5},
    )


def test_two_daemons_that_do_the_same_move_no_sked(
    stage: Any, tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Each sees the other's steps where its own would have come; on frequency they are all the
    while."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)

        async def act(other: Daemon) -> None:
            for _ in range(120):
                await s.clock.sleep(1.0)
                assert sked_hz(s.daemon) == sked_hz(other) == SKED_HZ
                ideal = s.daemon.planning.ideal(s.clock.utc_s())
                assert abs(s.radio.rx_dial_hz - s.band.dial_hz(ideal.rx_hz)) < 3.0

        await beside(s, tmp_path, ephemeris, act)

    stage(scene)


@pytest.mark.parametrize("split", [True, False])
@pytest.mark.parametrize("every_s", [0.2, 0.4, 0.55, 0.6, 0.65, 0.7, 0.8, 1.0, 1.3, 2.0])
@pytest.mark.parametrize("rate_hz_per_s", [-2.3, 1.4])
def test_a_program_that_corrects_the_receive_dial_moves_no_sked(
    stage: Any, split: bool, every_s: float, rate_hz_per_s: float
) -> None:
    """It sets its own values blindly, and only the receive dial."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        began_s, start_hz = s.clock.monotonic_s(), s.radio.rx_dial_hz + 2500
        while (past_s := s.clock.monotonic_s() - began_s) < 30.0:
            s.radio.set_dials(round(start_hz + rate_hz_per_s * past_s), None)
            await s.clock.sleep(every_s)
        assert sked_hz(s.daemon) == SKED_HZ
        assert s.snapshot.tracking is not Tracking.ON_FREQUENCY
        assert s.snapshot.tracking is Tracking.OTHER_PROGRAM

    stage(scene, split=split)


def test_leaving_it_leaves_the_dials_to_the_other_program(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        for _ in range(3):
            s.radio.set_dials(144_500_000, 144_600_000)
            await s.clock.sleep(2.0)
        await s.clock.sleep(LAST_S)
        assert s.snapshot.tracking is Tracking.OTHER_PROGRAM
        s.radio.set_dials(144_500_000, 144_600_000)

    done = stage(scene, radio={"on_exit": "sked"})
    assert (done.radio.rx_dial_hz, done.radio.tx_dial_hz) == (144_500_000, 144_600_000)


def test_a_program_on_the_share_that_corrects_as_well_moves_no_sked(stage: Any) -> None:
    """Its steps are refused, with a warning, until it stops; the sked is as before."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        shared = SharedRadio(s.daemon, None, RigAccess(), s.clock)
        assert await shared.tune(SKED_HZ - 3000) == OK
        codes = []
        for n in range(40):
            await s.clock.sleep(1.0)
            codes.append(await shared.tune(SKED_HZ - 3000 - 2 * (n + 1)))
        assert codes == [OK] * 9 + [REJECTED] * 31
        assert "corrects for Doppler as well" in shared.warning
        assert sked_hz(s.daemon) == SKED_HZ
        await s.until(Tracking.ON_FREQUENCY, 1.0)
        await s.clock.sleep(31.0)
        assert shared.warning == ""
        assert await shared.tune(SKED_HZ + 5000) == OK
        assert sked_hz(s.daemon) == SKED_HZ + 5000

    stage(scene)


class Cached(SimulatedDriver):
    """Answers from a cache, as some rig-control servers do."""

    age_s = 0.0
    cached: tuple[float, RigState] | None = None

    async def read(self) -> RigState:
        return self._from_cache(await super().read())

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        return self._from_cache(await super().set_dials(rx_hz, tx_hz))

    def _from_cache(self, rig: RigState) -> RigState:
        now_s = self.clock.monotonic_s()
        if self.cached is None or now_s - self.cached[0] > self.age_s:
            self.cached = now_s, rig
        return self.cached[1]


@pytest.mark.parametrize("age_s", [0.1, 0.3, 0.6])
def test_a_radio_that_answers_from_a_cache_is_turned_by_nobody(
    stage: Any, monkeypatch: pytest.MonkeyPatch, age_s: float
) -> None:
    monkeypatch.setattr(Cached, "age_s", age_s)

    async def scene(s: Stage) -> None:
        for _ in range(120):
            await s.clock.sleep(1.0)
            assert sked_hz(s.daemon) == SKED_HZ
            assert s.snapshot.tracking in (
                Tracking.ON_FREQUENCY,
                Tracking.OFF_FREQUENCY,
                Tracking.READBACK_MISMATCH,
            )

    stage(scene, driver_class=Cached)


def test_a_person_who_searches_is_no_program(stage: Any) -> None:
    """Larger steps one way, small ones to and fro, each left to rest."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        turns_hz = [20] * 12 + [3, -2, 1, 2, -1, -3, 1, 1, 1, -1, 2] * 2 + [100, -100] * 5
        for turn_hz in turns_hz:
            s.radio.turn_dial(turn_hz)
            await s.clock.sleep(1.9)
            assert s.snapshot.tracking is not Tracking.OTHER_PROGRAM
        await s.clock.sleep(2.0)
        assert s.snapshot.sked_hz == pytest.approx(SKED_HZ + sum(turns_hz), abs=60.0)

    stage(scene)
