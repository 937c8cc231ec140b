"""What stands against transmitting is in every snapshot, before anyone tries; looking changes
nothing."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from moontrim.app.standing import NOT_SET_UP
from moontrim.keying.ownership import KeyingRefused
from moontrim.keying.sequence import Phase
from moontrim.path import Ephemeris
from moontrim.session.commands import AllowTransmit, Correct, SetBand, SetPartner
from moontrim.state.snapshot import Tracking
from support.scenario_keying import KEYING, moon_at, moon_high
from support.stage import Stage, play

PARTNER_BELOW = "-41.0,163.0,0"  # its Moon is down while that of home is high
OTHER = {  # behind a front end of its own
    "name": "144 MHz",
    "sked_hz": 144_120_000,
    "tx_low_hz": 144_000_000,
    "tx_high_hz": 146_000_000,
}


@pytest.fixture
def stage(tmp_path: Path, ephemeris: Ephemeris) -> Callable[..., Stage]:
    """With the Moon high at home."""

    def run(scene: Any, start_utc_s: float | None = None, **tables: Any) -> Stage:
        start_utc_s = moon_high(ephemeris) if start_utc_s is None else start_utc_s
        more_bands = tables.pop("more_bands", ())
        tables = {"keying": KEYING | tables.pop("keying", {})} | tables
        band = {"drive_ceiling": 0.2}
        return play(
            tmp_path, ephemeris, scene, start_utc_s, tables=tables, band=band, more_bands=more_bands
        )

    return run


async def seconds(s: Stage, count: float) -> None:
    await s.clock.sleep(count)


def standing(s: Stage, reason: str) -> bool:
    return any(reason in text for text in s.snapshot.interlocks)


def test_nothing_stands_against_it_and_then_the_operator_does(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await seconds(s, 1.0)
        for _ in range(5):
            await seconds(s, 1.0)
            assert s.snapshot.interlocks == () and s.snapshot.keying_enabled
        await s.daemon.ask(AllowTransmit("phone", False))
        await seconds(s, 1.1)
        assert s.snapshot.interlocks == ("transmit is inhibited",)
        assert s.snapshot.keying.reasons == (), "nobody has tried"
        await s.daemon.ask(AllowTransmit("phone", True))
        await seconds(s, 1.1)
        assert s.snapshot.interlocks == ()
        await s.daemon.ask(Correct("phone", False))
        await seconds(s, 1.1)
        assert standing(s, "not on frequency: paused")

    stage(scene)


def test_the_moon_of_the_partner_is_down(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.ask(SetPartner("phone", PARTNER_BELOW))
        await seconds(s, 2.0)
        assert s.snapshot.tracking is Tracking.MOON_TOO_LOW
        assert standing(s, "at the partner, below the horizon"), s.snapshot.interlocks

    stage(scene)


def test_the_moon_is_low(stage: Any, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        await seconds(s, 3.0)
        assert standing(s, "RF exposure"), s.snapshot.interlocks

    stage(scene, moon_at(ephemeris, lambda deg, _: 2.0 < deg < 4.0), partner="self")


@pytest.mark.parametrize(
    "trouble", ["none", "inhibited", "paused", "power", "clock", "other front end"]
)
def test_it_stands_exactly_where_an_attempt_is_refused(stage: Any, trouble: str) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.ask(AllowTransmit("phone", True))
        await seconds(s, 3.0)  # with the drive turned down
        match trouble:
            case "inhibited":
                await s.daemon.ask(AllowTransmit("phone", False))
            case "paused":
                await s.daemon.ask(Correct("phone", False))
            case "power":
                s.radio.power_cycle()
            case "clock":
                s.clock.step_utc(0.5)
            case "other front end":
                await s.daemon.ask(SetBand("phone", "144 MHz"))
        for _ in range(12):
            await seconds(s, 1.0)
            now = s.daemon.transmitting.standing.at(s.snapshot).interlocks
            try:
                await s.daemon.transmitting.keyer.request("test")
            except KeyingRefused as refused:
                assert now == refused.reasons
            else:
                assert now == ()
                await seconds(s, 1.0)
                assert s.snapshot.interlocks == (), "nor does our own over stand against it"
            s.daemon.transmitting.keyer.release("test")
            await seconds(s, 1.5)

    stage(scene, more_bands=(OTHER,) if trouble == "other front end" else ())


def test_the_time_that_an_over_has_left(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        assert s.snapshot.over_left_s is None
        await s.daemon.transmitting.keyer.request("test")
        lefts = []
        for _ in range(8):
            await seconds(s, 1.0)
            assert s.snapshot.over_left_s is not None
            lefts.append(s.snapshot.over_left_s)
        steps = [before - after for before, after in pairwise(lefts)]
        assert 8.0 < lefts[0] <= 10.0 and all(0.0 <= step <= 2.0 for step in steps)
        assert sum(steps) == pytest.approx(7.0, abs=1.0)
        await seconds(s, 3.0)
        assert not s.radio.transmitting
        assert s.snapshot.over_left_s is None

    stage(scene, keying={"longest_over_s": 10.0})


def test_a_foot_switch_stands_against_it(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await seconds(s, 2.0)
        s.radio.key(True)
        await seconds(s, s.daemon.settings.radio.poll_s + 1.5)
        assert s.snapshot.transmitting and s.snapshot.over_left_s is None
        assert standing(s, "already transmitting, keyed by something else")

    stage(scene)


def test_where_no_keyer_is_set_up(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        assert s.snapshot.interlocks == (NOT_SET_UP,)
        assert not s.snapshot.keying_enabled and s.snapshot.over_left_s is None

    play(tmp_path, ephemeris, scene)


def test_looking_changes_nothing_of_a_sequence(stage: Any) -> None:
    """The sequence remembers its band and dial; one who looks meanwhile must not."""

    async def scene(s: Stage) -> None:
        transmitting = s.daemon.transmitting
        station, view = transmitting._station, transmitting.standing
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.ask(AllowTransmit("phone", True))
        await seconds(s, 3.0)  # with the drive turned down
        other_band = s.snapshot._replace(band="144 MHz", tracking=Tracking.HELD_KEYED)
        for phase in (Phase.RELEASED, Phase.KEYED):
            if phase is Phase.KEYED:
                await transmitting.keyer.request("test")
                await seconds(s, 1.0)
            assert transmitting.keyer.view.state is phase
            transmitting.keyer._hindrances()  # as its task has just done
            remembered = dict(vars(station))
            for now in (s.snapshot, other_band):
                view.at(now)
            assert vars(station) == remembered
            assert transmitting.keyer.view.state is phase
        transmitting.guard._doubt = "no answer"
        assert "no answer" in view.at(s.snapshot).interlocks
        transmitting.keyer.release("test")

    stage(scene, more_bands=(OTHER,))


def test_what_goes_wrong_in_it_is_a_reason_and_no_error(
    stage: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        ticks = s.snapshot.ticks

        def broken(now: Any) -> Any:
            raise ZeroDivisionError("of a test")

        monkeypatch.setattr(s.daemon.transmitting.standing, "_conditions", broken)
        await seconds(s, 5.0)
        assert standing(s, "interlocks cannot be evaluated")
        assert s.snapshot.ticks >= ticks + 4 and s.snapshot.tracking is Tracking.ON_FREQUENCY

    stage(scene)
    assert sum("of a test" in (record.exc_text or "") for record in caplog.records) == 1


def test_a_stuck_output_stands_against_it(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        keyer = s.daemon.transmitting.keyer
        keyer.view = replace(keyer.view, stuck=("amplifier: no answer",))
        assert "amplifier: no answer" in s.daemon.transmitting.standing.at(s.snapshot).interlocks

    stage(scene)
