"""Change of band as one guarded transaction: no transmitting until drive, dials and mode of the new
band read back right, and whatever is wrong inhibits transmitting and says why."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from moontrim.config.band import BandSettings
from moontrim.errors import InputError
from moontrim.path import Ephemeris
from moontrim.session.commands import AllowTransmit, Correct, NudgeSked, SetBand
from moontrim.state.snapshot import Tracking
from moontrim_drivers.contract import RigRefused, RigState
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.stage import Stage, play

LOW = {
    "name": "144 MHz",
    "sked_hz": 144_120_000,
    "tx_low_hz": 144_000_000,
    "tx_high_hz": 146_000_000,
    "mode": "CW",
}
CEILING = 0.1


@pytest.fixture
def stage(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Stage]:
    """First 144 MHz, with full power; 10 GHz through a transverter that takes a tenth."""

    def run(scene: Any, commands: tuple[str, ...] = (), **changes: Any) -> Stage:
        async def on_144(s: Stage) -> None:
            s.daemon.inbox.post_command(SetBand("test", "144 MHz"))
            await s.clock.sleep(1.0)
            await s.until(Tracking.ON_FREQUENCY, 3.0)
            s.radio.set_power(1.0)
            await scene(s)

        if commands:  # the simulated radio takes none, so its config may have none
            entry = BandSettings.entry
            monkeypatch.setattr(
                BandSettings,
                "entry",
                lambda band: replace(
                    entry(band), commands=commands if band.name == "10 GHz" else ()
                ),
            )
        band = {"drive_ceiling": CEILING, "mode": "USB"}
        return play(tmp_path, ephemeris, on_144, band=band, more_bands=(LOW,), **changes)

    return partial(run)


async def to_10_ghz(s: Stage) -> None:
    s.daemon.inbox.post_command(SetBand("test", "10 GHz"))
    await s.clock.sleep(2.0)
    s.daemon.inbox.post_command(AllowTransmit("test", True))
    await s.clock.sleep(0.1)


def test_drive_mode_and_dials_are_the_new_bands(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        assert s.radio.mode == "CW"
        await to_10_ghz(s)
        assert s.radio.power_fraction <= CEILING + 0.005
        assert s.radio.mode == "USB"
        assert s.snapshot.link.interlock == ""
        await s.steady(5)
        s.radio.set_transmit(True)
        await s.clock.sleep(2.0)
        assert s.radio.transmitting, "released"
        assert not s.daemon.record.faults

    stage(scene)


class Noting(SimulatedDriver):
    """Writes down the order in which it is told things."""

    def __init__(self, options: Any, clock: Any) -> None:
        super().__init__(options, clock)
        self.told: list[str] = []
        self.radio.told = self.told  # type: ignore[attr-defined]

    async def set_power(self, fraction: float) -> None:
        self.told.append("power")
        await super().set_power(fraction)

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        self.told.append("dials")
        return await super().set_dials(rx_hz, tx_hz)

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        self.told.append("mode")
        await super().set_mode(mode, passband_hz)


def test_drive_comes_down_before_anything_else(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        told = s.radio.told  # type: ignore[attr-defined]
        told.clear()
        await to_10_ghz(s)
        assert told[:3] == ["power", "dials", "mode"]

    stage(scene, driver_class=Noting)


def test_transmitting_ends_before_the_change(stage: Any) -> None:
    """Keyed since the radio was last read: known, the change would be refused."""

    async def scene(s: Stage) -> None:
        keyed_dials: list[int | None] = []
        s.radio.set_transmit(True)
        before = s.radio.tx_dial_hz
        on_change = s.radio.on_change

        def watch(at_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
            if transmitting:
                keyed_dials.append(tx_hz)
            if on_change is not None:
                on_change(at_s, rx_hz, tx_hz, transmitting)

        s.radio.on_change = watch
        await to_10_ghz(s)
        assert not s.radio.transmitting
        assert all(hz == before for hz in keyed_dials), "no dial moved to the new band while keyed"
        assert s.snapshot.link.interlock == ""

    stage(scene)


def test_a_foot_on_the_switch_stops_the_change(stage: Any) -> None:
    """Keyed since the radio was last read: known, the change would be refused."""

    async def scene(s: Stage) -> None:
        s.radio.key(True)
        before = s.radio.tx_dial_hz, s.radio.power_fraction
        await to_10_ghz(s)
        await s.clock.sleep(5.0)
        assert (s.radio.tx_dial_hz, s.radio.power_fraction) == before
        assert "cannot be unkeyed" in s.snapshot.link.interlock
        s.radio.key(False)
        await s.clock.sleep(4.0)
        assert s.snapshot.link.interlock == ""
        assert s.radio.power_fraction <= CEILING + 0.005
        await s.steady(3)

    stage(scene, radio={"options": {"retunes_while_transmitting": False}})


@pytest.mark.parametrize("can_tell", [True, False])
def test_drive_that_cannot_be_lowered_inhibits(stage: Any, can_tell: bool) -> None:
    class Fixed(SimulatedDriver):
        async def details(self) -> Any:
            found = await super().details()
            return found if can_tell else type(found)(found.mode, found.passband_hz, None)

    async def scene(s: Stage) -> None:
        await to_10_ghz(s)
        await s.steady(3)  # receiving goes on
        assert ("reduce it by hand" if can_tell else "does not report") in s.snapshot.link.interlock
        assert "TX interlock" in s.daemon.record.faults[-1].text
        s.radio.set_transmit(True)
        await s.clock.sleep(1.0)
        assert not s.radio.transmitting, "unkeyed at once"
        if can_tell:
            s.radio.change(sets_power=True)
            s.radio.set_power(0.05)  # a hand on the power knob
            s.radio.change(sets_power=False)
            await s.clock.sleep(4.0)
            assert s.snapshot.link.interlock == ""

    async def prepared(s: Stage) -> None:
        s.radio.change(sets_power=False)
        await scene(s)

    stage(prepared, driver_class=Fixed)


def test_drive_turned_up_later_is_found(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await to_10_ghz(s)
        s.radio.set_power(0.8)
        s.radio.set_transmit(True)
        await s.clock.sleep(6.0)
        assert not s.radio.transmitting
        await s.clock.sleep(5.0)
        assert s.radio.power_fraction <= CEILING + 0.005, "brought down again once it receives"
        assert s.snapshot.link.interlock == ""

    stage(scene)


def test_a_refused_mode_inhibits(stage: Any) -> None:
    class Stubborn(SimulatedDriver):
        async def set_mode(self, mode: str, passband_hz: int) -> None:
            if mode == "USB":
                raise RigRefused("not that mode")
            await super().set_mode(mode, passband_hz)

    async def scene(s: Stage) -> None:
        await to_10_ghz(s)
        assert "not that mode" in s.snapshot.link.interlock
        s.daemon.inbox.post_command(SetBand("test", "144 MHz"))
        await s.clock.sleep(2.0)
        assert s.snapshot.link.interlock == ""

    stage(scene, driver_class=Stubborn)


def test_a_mode_that_moves_the_dials_is_made_good(stage: Any) -> None:
    class Shifting(SimulatedDriver):
        async def set_mode(self, mode: str, passband_hz: int) -> None:
            await super().set_mode(mode, passband_hz)
            self.radio.turn_dial(700)

    async def scene(s: Stage) -> None:
        before = s.snapshot.sked_hz
        await to_10_ghz(s)
        await s.steady(5)
        assert s.snapshot.link.interlock == ""
        s.daemon.inbox.post_command(SetBand("test", "144 MHz"))
        await s.clock.sleep(2.0)
        assert s.snapshot.sked_hz == before, "no hand turned that dial"

    stage(scene, driver_class=Shifting)


def test_a_mode_that_moves_the_dials_after_a_hand_on_them(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Turned just as the band changes, the dials are left alone; the mode moves them, and the
    transmit dial was put back to where the band before had it, outside what this one allows."""
    set_hz: list[int] = []

    class Shifting(SimulatedDriver):
        async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
            if tx_hz is not None:
                set_hz.append(tx_hz)
            return await super().set_dials(rx_hz, tx_hz)

        async def set_mode(self, mode: str, passband_hz: int) -> None:
            await super().set_mode(mode, passband_hz)
            self.radio.set_dials(None, self.radio.second_dial_hz + 700)

    other = {
        "name": "432 MHz",
        "sked_hz": 432_070_000,
        "tx_low_hz": 432_000_000,
        "tx_high_hz": 433_000_000,
        "mode": "USB",
    }

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        set_hz.clear()
        s.daemon.inbox.post_command(SetBand("test", "432 MHz"))
        s.radio.turn_dial(+50_000_000)
        await s.clock.sleep(5.0)
        assert s.snapshot.tracking is Tracking.OUTSIDE_BAND
        assert s.radio.mode == "USB" and s.snapshot.link.interlock
        assert [hz for hz in set_hz if not 432e6 <= hz <= 433e6] == []

    play(tmp_path, ephemeris, scene, more_bands=(other,), driver_class=Shifting)


def test_outside_the_range_no_transmitting(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        s.radio.turn_dial(+5_000_000)
        await s.clock.sleep(2.0)
        assert s.snapshot.tracking is Tracking.OUTSIDE_BAND
        if s.radio.options.split:
            return
        assert "outside" in s.snapshot.link.interlock
        s.radio.set_transmit(True)
        await s.clock.sleep(1.0)
        assert not s.radio.transmitting
        s.radio.turn_dial(-5_000_000)
        await s.clock.sleep(2.0)
        assert s.snapshot.link.interlock == ""

    stage(scene, split=False)


def test_paused_the_radio_is_the_operators(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await to_10_ghz(s)
        s.daemon.inbox.post_command(Correct("test", False))
        await s.clock.sleep(1.0)
        s.radio.set_power(1.0)
        s.radio.turn_dial(-100_000_000)
        s.radio.set_transmit(True)
        await s.clock.sleep(20.0)
        assert s.radio.transmitting and s.radio.power_fraction == 1.0
        assert s.snapshot.link.interlock == ""
        s.radio.set_transmit(False)
        s.daemon.inbox.post_command(Correct("test", True))
        await s.clock.sleep(3.0)
        assert s.radio.power_fraction <= CEILING + 0.005
        await s.steady(3)

    stage(scene)


def test_connection_lost_in_the_middle(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        s.daemon.inbox.post_command(SetBand("test", "10 GHz"))
        await s.clock.sleep(0.02)
        s.radio.power_cycle()
        await s.clock.sleep(0.3)
        assert s.snapshot.link.interlock
        await s.clock.sleep(4.0)
        assert s.snapshot.link.interlock == ""
        assert s.radio.mode == "USB"
        await s.steady(3)

    stage(scene, unreachable_s=1.0)


def test_split_segments(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """We receive in one segment and transmit in another, each side correcting its half."""
    received_hz, offset_hz = 10_450_100_000, 10_306_000_000

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.steady(10)
        ideal = s.daemon.planning.ideal(s.clock.utc_s())
        assert (
            abs(ideal.rx_hz - received_hz) < 20_000 and abs(ideal.tx_hz - 10_368_100_000) < 20_000
        )
        assert s.radio.rx_dial_hz == pytest.approx(ideal.rx_hz - offset_hz, abs=0.8)
        assert s.radio.tx_dial_hz == pytest.approx(ideal.tx_hz - 10_224_000_000, abs=0.8)
        assert s.snapshot.tx is not None and abs(s.snapshot.tx.correction_hz) < 20_000
        assert s.snapshot.link.interlock == ""
        s.daemon.inbox.post_command(NudgeSked("test", 500.0))
        await s.clock.sleep(1.0)
        moved = s.daemon.planning.ideal(s.clock.utc_s())
        assert moved.tx_hz - ideal.tx_hz == pytest.approx(500.0, abs=5.0), "moves along"
        with pytest.raises(InputError, match="10 449 100 500 Hz"):
            await s.daemon.ask(NudgeSked("test", -1_000_000.0))
        await s.steady(5)

    band = {
        "sked_hz": received_hz,
        "tx_sked_hz": 10_368_100_000,
        "transverter_offset_hz": offset_hz,
        "tx_transverter_offset_hz": 10_224_000_000,
    }
    done = play(tmp_path, ephemeris, scene, band=band)
    assert (done.radio.rx_dial_hz, done.radio.tx_dial_hz) == (144_100_500, 144_100_500), "on exit"


def test_free_form_commands_go_out_once_after_the_drive(stage: Any) -> None:
    class Chatty(Noting):
        @classmethod
        def parse_command(cls, text: str) -> bytes:
            return text.encode()

        async def send_commands(self, commands: Any) -> None:
            self.told.append(f"commands {' '.join(commands)}")

    async def scene(s: Stage) -> None:
        told = s.radio.told  # type: ignore[attr-defined]
        told.clear()
        await to_10_ghz(s)
        await s.steady(5)
        assert told[:4] == ["power", "commands NB0; AG100;", "dials", "mode"]
        assert not [text for text in told[4:] if text.startswith("commands")]

    stage(scene, driver_class=Chatty, commands=("NB0;", "AG100;"))
