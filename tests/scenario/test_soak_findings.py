"""What the soak has found, each made as small as it can be."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any, ClassVar

import pytest

from moontrim.config.keying import KeyingSettings
from moontrim.keying.interlocks import Conditions
from moontrim.keying.keyer import Keyer
from moontrim.keying.outputs import SimulatedOutput
from moontrim.keying.ownership import KeyingRefused
from moontrim.keying.sequence import Phase
from moontrim.path import Ephemeris
from moontrim.rig.view import LinkState, Updated
from moontrim.session.commands import SetBand, SetTrim
from moontrim.state.snapshot import Tracking
from moontrim_drivers.contract import RigRefused, RigState
from moontrim_drivers.simulated.driver import SimulatedDriver
from soak.station import SoakClock
from support.stage import Scene, Stage, play


def test_news_just_after_a_step_out_of_the_tables(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """Whatever arrives between a step of the clock and the next second has the state published at
    an instant of which nothing is known; that ended the daemon."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        s.clock.step_utc(3.0e9)
        s.daemon.inbox.post(Updated(on_request=True))
        await s.clock.sleep(0.01)
        assert s.snapshot.moon is None
        await s.until(Tracking.NO_DOPPLER, 2.0)
        s.clock.step_utc(-3.0e9)
        await s.until(Tracking.ON_FREQUENCY, 3.0)

    # A dial about to move would have kept the state from being published.
    play(tmp_path, ephemeris, scene, tables={"defaults": {"agreement": "partner"}})


def test_no_step_of_before_is_taken_when_the_clock_is_back_in_the_tables(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """The last steps before it went out were still waiting for their instants, and were taken
    afterwards, for a band that had been left meanwhile."""
    dials_hz: list[int] = []

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(0.5)
        s.clock.step_utc(-3.0e9)
        await s.until(Tracking.NO_DOPPLER, 2.0)
        s.daemon.inbox.post_command(SetBand("test", "432 MHz"))
        await s.clock.sleep(20.0)
        s.radio.on_change = lambda at_s, rx_hz, *_: dials_hz.append(rx_hz)
        s.clock.step_utc(3.0e9)
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        assert dials_hz and min(dials_hz) > 432_000_000

    play(tmp_path, ephemeris, scene, more_bands=(AT_432,))


AT_432: dict[str, Any] = {
    "name": "432 MHz",
    "sked_hz": 432_070_000,
    "tx_low_hz": 432_000_000,
    "tx_high_hz": 433_000_000,
}
AT_144: dict[str, Any] = {
    "name": "144 MHz",
    "sked_hz": 144_120_000,
    "tx_low_hz": 144_000_000,
    "tx_high_hz": 146_000_000,
    "transverter_offset_hz": 0,
}


class LyingDriver(SimulatedDriver):
    """Shows the receive dial elsewhere while `off_hz` is set."""

    off_hz = 0

    async def read(self) -> RigState:
        return self._shown(await super().read())

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        return self._shown(await super().set_dials(rx_hz, tx_hz))

    def _shown(self, state: RigState) -> RigState:
        return RigState(state.rx_dial_hz + self.off_hz, state.tx_dial_hz, state.transmitting)


def test_a_radio_that_follows_again_is_no_longer_said_to_disagree(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """The dial was right all the time, so that nothing had to be set; where it moves seldom,
    "readback mismatch" stayed for minutes, and no transmitting with it."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        LyingDriver.off_hz = 1000
        try:
            await s.until(Tracking.READBACK_MISMATCH, 10.0)
        finally:
            LyingDriver.off_hz = 0
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        assert s.snapshot.link.state is LinkState.READY

    play(
        tmp_path,
        ephemeris,
        scene,
        band=AT_144,
        radio={"on_manual_tuning": "restore"},
        tables={"defaults": {"agreement": "partner"}},  # whose dial never moves at all
        driver_class=LyingDriver,
    )


def test_where_nothing_is_to_be_set_no_radio_disagrees(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """It disagreed once, and then the one dial was to go where it must not transmit: so it was not
    set, and "readback mismatch" stayed for good instead of what was wrong."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        LyingDriver.off_hz = 1000
        try:
            await s.until(Tracking.READBACK_MISMATCH, 10.0)
            await s.daemon.ask(SetTrim("test", 500.0, 500.0))
        finally:
            LyingDriver.off_hz = 0
        await s.until(Tracking.OUTSIDE_BAND, 5.0)
        await s.daemon.ask(SetTrim("test", 0.0, 0.0))
        await s.until(Tracking.ON_FREQUENCY, 5.0)

    play(
        tmp_path,
        ephemeris,
        scene,
        band=AT_144 | {"sked_hz": 145_999_900},
        radio={"on_manual_tuning": "restore"},
        tables={"defaults": {"agreement": "partner"}},
        driver_class=LyingDriver,
        split=False,
    )


UP_UTC_S = 1_795_040_000.25  # the Moon is up

KEYING = {
    "enabled": True,
    "outputs": [
        {"kind": "simulated", "name": "relay", "settle_ms": 50, "release_ms": 500},
        {"kind": "radio", "release_ms": 500},
    ],
}


def play_keying(
    folder: Path,
    ephemeris: Ephemeris,
    scene: Scene,
    *,
    band: dict[str, Any] | None = None,
    **more: Any,
) -> Stage:
    """With the Moon up, on a band that leaves the dial alone under RF."""
    return play(
        folder,
        ephemeris,
        scene,
        UP_UTC_S,
        band=(band or {}) | {"while_transmitting": "hold", "drive_ceiling": 0.2, "mode": "USB"},
        tables={"keying": KEYING},
        **more,
    )


def test_no_dial_moves_while_relays_fall_at_the_end(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """Stopped while keyed, the dial that was held under RF was put right as soon as the radio was
    unkeyed, with the relays still up."""
    dials_at: list[tuple[float, int]] = []
    unkeyed_at: list[float] = []

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.transmitting.request("test")
        await s.clock.sleep(30.0)

        def changed(at_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
            if not transmitting:
                unkeyed_at.append(at_s)
                dials_at.append((at_s, rx_hz))

        s.radio.on_change = changed

    done = play_keying(tmp_path, ephemeris, scene)
    assert not done.radio.transmitting
    fallen_s = unkeyed_at[0] + 0.5
    early = [rx_hz for at_s, rx_hz in dials_at if at_s < fallen_s]
    assert len(set(early)) == 1, dials_at


@pytest.mark.parametrize("contact", [False, True])
def test_a_radio_that_cannot_tell_is_known_to_transmit_when_we_have_keyed_it(
    tmp_path: Path, ephemeris: Ephemeris, contact: bool
) -> None:
    """Keyed by a command, it said nothing of it, and the dial moved under RF on a band that holds
    it. Nor does a foot switch say anything that is not pressed."""
    dials_hz: set[tuple[int, int | None]] = set()

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.transmitting.request("test")
        if contact:
            s.daemon.transmitting._keyed_outside(False)
        s.radio.on_change = lambda at_s, rx_hz, tx_hz, _: dials_hz.add((rx_hz, tx_hz))
        await s.daemon.ask(SetTrim("test", rx_hz=900.0, tx_hz=900.0))
        await s.clock.sleep(10.0)
        assert s.radio.transmitting and not dials_hz
        s.daemon.transmitting.release("test")
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        assert s.snapshot.transmitting is (False if contact else None) and dials_hz

    play_keying(tmp_path, ephemeris, scene, reports_transmit=False)


def test_no_relay_moves_under_the_rf_of_a_foot_switch(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """A radio that transmits already was on frequency, and nothing else was asked."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(3.0)
        s.radio.key(True)
        await s.until(Tracking.HELD_KEYED, 5.0)
        with pytest.raises(KeyingRefused, match="already transmitting"):
            await s.daemon.transmitting.request("test")
        s.radio.key(False)
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.transmitting.request("test")
        s.daemon.transmitting.release("test")
        await s.daemon.transmitting.request("test")  # at once after an over of our own

    play_keying(tmp_path, ephemeris, scene)


def test_a_change_of_band_ends_the_over_however_fast_the_radio(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Were it not refused. Between two looks of the keyer the radio was inhibited, unkeyed, set up
    for the new band and ready again; the relays stayed up, and the one dial was kept where it would
    transmit."""
    monkeypatch.setattr("moontrim.tracking.refusals.Refusals.check", lambda *given: None)

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.transmitting.request("test")
        await s.clock.sleep(1.0)
        assert s.radio.transmitting
        await s.daemon.ask(SetBand("test", "432 MHz"))
        await s.clock.sleep(2.0)
        assert s.snapshot.keying.state is Phase.RELEASED

    behind = {"front_end": "10 GHz", "transverter_offset_hz": 288_000_000, "drive_ceiling": 0.2}
    bands = (AT_432 | behind,)
    play_keying(tmp_path, ephemeris, scene, more_bands=bands, split=False, latency_s=0.0)


class Noting(SimulatedDriver):
    """Writes down what it was told, and whether the radio transmitted then."""

    told: ClassVar[list[tuple[str, bool]]] = []

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        self.told.append((mode, self.radio.transmitting))
        await super().set_mode(mode, passband_hz)

    async def set_power(self, fraction: float) -> None:
        self.told.append(("power", self.radio.transmitting))
        await super().set_power(fraction)

    async def set_transmit(self, on: bool) -> None:
        self.told.append((f"transmit {on}", self.radio.transmitting))
        await super().set_transmit(on)


@pytest.mark.parametrize("reports_transmit", [True, False])
def test_a_radio_lost_while_keyed_is_unkeyed_before_anything_else(
    tmp_path: Path, ephemeris: Ephemeris, reports_transmit: bool
) -> None:
    """Back again and still keyed, it was asked all that a band wants and had its mode set, under
    RF and for a fifth of a second, before its turn to be unkeyed came."""
    Noting.told = told = []

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.transmitting.request("test")
        await s.clock.sleep(1.0)
        told.clear()
        s.radio.drop()
        await s.until(Tracking.NO_CONTACT, 2.0)
        await s.until(Tracking.ON_FREQUENCY, 15.0)
        assert told[0] == ("transmit False", True)
        assert ("USB", False) in told and ("USB", True) not in told
        assert not s.radio.transmitting
        await s.clock.sleep(2.0)
        assert s.snapshot.keying.state is Phase.RELEASED and not s.radio.transmitting

    play_keying(
        tmp_path,
        ephemeris,
        scene,
        driver_class=Noting,
        unreachable_s=8.0,
        reports_transmit=reports_transmit,
    )


@pytest.mark.parametrize("latency_s", [0.0, 0.03])
def test_a_radio_left_keyed_by_a_daemon_before_is_unkeyed_before_anything_else(
    tmp_path: Path, ephemeris: Ephemeris, latency_s: float
) -> None:
    """The order to unkey was given before there was a connection and again half a second later,
    or when every output had been opened."""
    Noting.told = told = []

    class LeftKeyed(Noting):
        def __init__(self, options: Any, clock: Any) -> None:
            super().__init__(options, clock)
            self.radio.set_transmit(True)

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        assert told[0] == ("transmit False", True)
        assert ("USB", False) in told and ("USB", True) not in told

    play_keying(tmp_path, ephemeris, scene, driver_class=LeftKeyed, latency_s=latency_s)


def test_a_radio_that_changes_no_split_under_rf_is_unkeyed_all_the_same(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Split pressed off in mid-over and the connection lost: split was to be set before anything
    else, which the radio refused as long as it transmitted; so it did until somebody came."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.transmitting.request("test")
        await s.clock.sleep(1.0)
        s.radio.press_split(False)
        s.radio.drop()
        await s.clock.sleep(2.0)
        assert not s.radio.transmitting
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        assert s.radio.split

    play_keying(tmp_path, ephemeris, scene, retunes_while_transmitting=False)


def test_back_again_it_is_not_keyed_before_its_drive_has_been_looked_at(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Turned up while the radio was away; whoever asked for the key in the moment before the look
    had it, and no look is taken while relays move."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(3.0)
        transmitted: list[float] = []
        s.radio.on_change = lambda *seen: transmitted.append(seen[0]) if seen[3] else None
        s.radio.power_fraction = 1.0
        s.radio.drop()
        lowered_s = refused = 0
        while not lowered_s or s.clock.monotonic_s() < lowered_s + 1.0:
            try:
                await s.daemon.transmitting.request("test")
            except KeyingRefused as error:
                refused += "drive" in str(error)
            s.daemon.transmitting.release("test")
            await s.clock.sleep(0.005)
            if s.radio.power_fraction < 0.5 and not lowered_s:
                lowered_s = s.clock.monotonic_s()
                assert not transmitted and refused
        assert transmitted

    play_keying(tmp_path, ephemeris, scene, band=AT_144)


def test_no_mode_and_no_power_are_set_under_rf(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """A foot switch held through a loss of the radio: the band's mode waits for the end of the
    over. A program's mode or power is refused."""
    Noting.told = told = []

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        s.radio.key(True)
        await s.until(Tracking.HELD_KEYED, 5.0)
        for ask in (s.daemon.link.set_mode("CW", 0), s.daemon.link.set_power(0.1)):
            with pytest.raises(RigRefused, match="transmits"):
                await ask
        told.clear()
        s.radio.drop()
        await s.until(Tracking.NO_CONTACT, 2.0)
        await s.until(Tracking.HELD_KEYED, 5.0)
        await s.clock.sleep(5.0)
        assert not told and not s.snapshot.link.interlock, "nor is somebody else's over cut short"
        s.radio.power_fraction = 0.5  # by hand
        await s.clock.sleep(6.0)
        assert s.snapshot.link.interlock, "but the drive is watched"
        s.radio.key(False)
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(2.5)
        assert ("USB", False) in told and not s.snapshot.link.interlock

    play_keying(tmp_path, ephemeris, scene, driver_class=Noting)


def test_the_longest_over_ends_whatever_the_rounding() -> None:
    """The sum of an instant and a length, less the instant, may be a hair less than the length: the
    end of the over was waited for without end, and time stood still. `SoakClock` raises Hung."""
    clock, longest_s = SoakClock(UP_UTC_S), 1.1
    output = {"kind": "simulated", "name": "radio", "keys_radio": True, "settle_ms": 0}
    settings = KeyingSettings.model_validate(
        {"enabled": True, "outputs": [output], "longest_over_s": longest_s}
    )
    good = Conditions(
        *(180.0, 30.0, 5.0, 0.0, True, "", True, None, True, True, False, "", "", "", 0.0, "", "")
    )
    overs_s: list[tuple[float, float]] = []

    async def main() -> None:
        radio = SimulatedOutput("radio", clock)
        keyer = Keyer(settings, (radio,), clock, lambda: good, lambda on: None)
        running = asyncio.create_task(keyer.run())
        for _ in range(50):
            await clock.sleep(2.0 + 0.1 / 7)
            began_s = clock.monotonic_s()
            await keyer.request("test")
            while radio.is_on:
                await clock.sleep(0.01)
            overs_s.append((began_s, clock.monotonic_s()))
            keyer.release("test")
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    clock.run(main())
    assert any(began_s + longest_s - began_s < longest_s for began_s, _ in overs_s)
    assert all(longest_s <= ended_s - began_s < longest_s + 0.1 for began_s, ended_s in overs_s)
