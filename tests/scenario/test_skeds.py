"""Skeds on the whole daemon: chosen in one step, undone, left with the dial, and never under RF or
across front ends without a permit."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from moontrim.clock.system import SystemClock
from moontrim.config.sked import Sked
from moontrim.errors import InputError, NotNowError
from moontrim.keying.ownership import KeyingRefused
from moontrim.path import Ephemeris, parse_site, solve_path
from moontrim.session.commands import AllowTransmit, Correct, SetBand, SetPartner, SetTrim
from moontrim.session.sessionfile import load_session
from moontrim.session.skeds import ChooseSked, RemoveSked, SaveSked, Undo
from moontrim.state.snapshot import Tracking
from moontrim.tracking.undo import UNDO_S
from support.scenario_keying import KEYING, moon_high
from support.stage import SKED_HZ, Stage, play

SETTLED_S = 3.0
NORTH = {"name": "North", "latitude_deg": 60.2, "longitude_deg": 25.1, "height_m": 900.0}
DIRECT = {
    "name": "144 MHz",
    "sked_hz": 144_120_000,
    "tx_low_hz": 144_000_000,
    "tx_high_hz": 146_000_000,
}
SKEDS = [
    {
        "name": "north",
        "band": "10 GHz",
        "sked_hz": SKED_HZ + 20_000,
        "tx_sked_hz": SKED_HZ + 50_000,
        "partner": "north",
        "agreement": "receiver",
        "over_s": 30.0,
    },
    {"name": "two metres", "band": "144 MHz", "sked_hz": 144_130_000, "partner": "north"},
]
TABLES = {"partners": [NORTH], "skeds": SKEDS, "keying": KEYING}
BAND = {"drive_ceiling": 0.2}


@pytest.fixture
def stage(tmp_path: Path, ephemeris: Ephemeris) -> Callable[..., Stage]:
    return partial(
        play,
        tmp_path,
        ephemeris,
        start_utc_s=moon_high(ephemeris),
        band=BAND,
        more_bands=(DIRECT,),
        tables=TABLES,
    )


async def permitted(s: Stage) -> None:
    await s.until(Tracking.ON_FREQUENCY, 5.0)
    await s.clock.sleep(SETTLED_S)
    await s.daemon.ask(AllowTransmit("phone", True, "10 GHz"))


def on_air_hz(s: Stage) -> tuple[float, float]:
    """What is received and transmitted."""
    assert s.radio.tx_dial_hz is not None
    return s.band.on_air_hz(s.radio.rx_dial_hz), s.band.on_air_hz(s.radio.tx_dial_hz)


def test_one_choice_brings_all_of_it_onto_the_dials(stage: Any, ephemeris: Ephemeris) -> None:
    """Among it the partner's height, of which a locator would know nothing."""

    async def scene(s: Stage) -> None:
        await permitted(s)
        await s.daemon.ask(SetTrim("phone", 100.0, 100.0))
        session = await s.daemon.ask(ChooseSked("phone", "NORTH"))
        assert session.sked == "north" and session.tx_allowed, "of the same front end"
        await s.clock.sleep(SETTLED_S)
        now = s.snapshot
        assert (now.sked, now.partner, now.agreement) == ("north", "North", "receiver")
        assert now.partner_place == "60.20000,25.10000,900"
        assert (now.sked_hz, now.tx_sked_hz, now.over_s) == (SKED_HZ + 20_000, SKED_HZ + 50_000, 30)
        assert now.last_change is not None and now.last_change.what == "sked NORTH"
        home = s.daemon.settings.home.site()
        partner = parse_site("60.2,25.1,900")
        legs = solve_path(ephemeris, home, partner, s.clock.utc_s()).legs
        received_hz = (SKED_HZ + 20_000) * (1.0 + float(legs["partner_to_home"].fraction))
        rx_hz, tx_hz = on_air_hz(s)
        assert rx_hz == pytest.approx(received_hz, abs=3.0)
        assert tx_hz == SKED_HZ + 50_000, "as agreed: both send on it"
        await s.steady(5)

    stage(scene)


@pytest.mark.parametrize("name", ["north", "two metres"])
def test_undone_within_five_seconds(stage: Any, name: str) -> None:
    async def scene(s: Stage) -> None:
        await permitted(s)
        await s.daemon.ask(SetTrim("phone", 30.0, 30.0))
        before = s.daemon.session
        assert s.snapshot.undo_until_utc_s is None
        await s.daemon.ask(ChooseSked("phone", name))
        await s.clock.sleep(UNDO_S - 1.0)
        until_utc_s = s.snapshot.undo_until_utc_s
        assert until_utc_s is not None and 0.0 < until_utc_s - s.clock.utc_s() <= 1.0
        session = await s.daemon.ask(Undo("phone"))
        same = name == "north"
        assert session.differs(before, but={"tx_allowed", "front_end"}) is False
        assert session.tx_allowed is same, "of another front end it stays withdrawn"
        await s.clock.sleep(SETTLED_S)
        assert s.snapshot.tracking is Tracking.ON_FREQUENCY
        assert s.snapshot.sked_hz == SKED_HZ and s.snapshot.rx_trim_hz == 30.0
        assert s.snapshot.undo_until_utc_s is None
        with pytest.raises(NotNowError, match="nothing to undo"):
            await s.daemon.ask(Undo("phone"))
        await s.daemon.ask(ChooseSked("phone", name))
        await s.clock.sleep(UNDO_S + 0.1)
        with pytest.raises(NotNowError, match="nothing to undo"):
            await s.daemon.ask(Undo("phone"))

    stage(scene)


@pytest.mark.parametrize("by", ["the daemon", "a foot switch"])
def test_under_rf_it_is_neither_chosen_nor_undone(stage: Any, by: str) -> None:
    async def scene(s: Stage) -> None:
        await permitted(s)
        await s.daemon.ask(ChooseSked("phone", "north"))
        if by == "the daemon":
            await s.until(Tracking.ON_FREQUENCY, 3.0)
            await s.daemon.transmitting.request("desk")
        else:
            s.radio.key(True)
            await s.clock.sleep(s.daemon.settings.radio.poll_s + 1.0)
        before, dials = s.daemon.session, (s.radio.rx_dial_hz, s.radio.tx_dial_hz)
        other = Sked(name="other", band="10 GHz", sked_hz=SKED_HZ)
        await s.daemon.ask(SaveSked("phone", other))  # which moves nothing
        for command in (
            Undo("phone"),
            ChooseSked("phone", "other"),
            ChooseSked("phone", "two metres"),
        ):
            with pytest.raises(NotNowError, match="transmitting: unkey first"):
                await s.daemon.ask(command)
        assert s.radio.transmitting, "the over goes on"
        assert dials[1] == s.radio.tx_dial_hz or by != "the daemon"
        assert s.daemon.session == before.model_copy(update={"skeds": (other,)})
        if by == "the daemon":
            s.daemon.transmitting.release("desk")
        else:
            s.radio.key(False)
        await s.clock.sleep(s.daemon.settings.radio.poll_s + 1.0)
        assert (await s.daemon.ask(ChooseSked("phone", "other"))).sked == "other"

    stage(scene, band=BAND | {"while_transmitting": "hold"})


def test_another_front_end_is_not_keyed_before_it_is_confirmed(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await permitted(s)
        await s.daemon.ask(ChooseSked("agenda", "two metres"))
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(SETTLED_S)
        assert not s.snapshot.tx_allowed and not s.snapshot.front_end_confirmed
        with pytest.raises(KeyingRefused, match="transmit is inhibited"):
            await s.daemon.transmitting.request("desk")
        s.daemon.transmitting.release("desk")
        await s.daemon.ask(ChooseSked("agenda", "north"))
        await s.clock.sleep(SETTLED_S)
        assert not s.snapshot.tx_allowed, "nor on the way back"
        assert not s.radio.transmitting

    stage(scene)


def test_the_name_goes_with_what_it_stood_for(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await permitted(s)
        for leave in (SetPartner("phone", "self"), SetBand("phone", "144 MHz")):
            await s.daemon.ask(ChooseSked("phone", "north"))
            for stay in (
                SetTrim("phone", 20.0),
                Correct("phone", True),
                SetBand("phone", "10 GHz"),
                SetPartner("phone", " NORTH "),
                AllowTransmit("phone", False),
            ):
                assert (await s.daemon.ask(stay)).sked == "north", stay
            assert (await s.daemon.ask(leave)).sked == "", leave
        await s.daemon.ask(ChooseSked("phone", "north"))
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(3.3)
        s.radio.turn_dial(+200)
        await s.clock.sleep(3.0)
        assert s.snapshot.sked_hz == pytest.approx(SKED_HZ + 20_200, abs=2.0), "followed"
        assert s.snapshot.sked == "" and s.snapshot.undo_until_utc_s is None
        assert s.snapshot.tx_sked_hz == s.snapshot.sked_hz + 30_000, "both move together"

    stage(scene)


def test_what_is_made_is_kept_and_shown(stage: Any, tmp_path: Path) -> None:
    made = Sked(name="made", band="10 GHz", sked_hz=SKED_HZ + 7000, partner="KP20NF")

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.ask(SaveSked("phone", made))
        assert await s.daemon.unsaved(SystemClock()) == ""
        assert load_session(tmp_path, s.daemon.settings).skeds == (made,)
        await s.clock.sleep(1.0)
        assert [sked.name for sked in s.snapshot.skeds] == ["north", "two metres", "made"]
        assert s.snapshot.made == {"made"}
        await s.daemon.ask(ChooseSked("phone", "made"))
        with pytest.raises(InputError, match="expected made"):
            await s.daemon.ask(RemoveSked("phone", "north"))
        await s.daemon.ask(RemoveSked("phone", "made"))
        await s.clock.sleep(1.0)
        assert s.snapshot.sked == "" and s.snapshot.sked_hz == SKED_HZ + 7000
        assert s.snapshot.made == frozenset()

    stage(scene)


def test_a_list_kept_does_not_move_a_dial_in_use(stage: Any) -> None:
    """The operator turns the dial again and again to listen elsewhere."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        for _ in range(4):
            s.radio.turn_dial(+300)
            await s.clock.sleep(1.6)
        assert s.snapshot.tracking is Tracking.DIAL_IN_USE
        made = Sked(name="made", band="10 GHz", sked_hz=SKED_HZ)
        await s.daemon.ask(SaveSked("agenda", made))
        await s.clock.sleep(1.0)
        assert s.snapshot.tracking is Tracking.DIAL_IN_USE
        await s.daemon.ask(SetTrim("phone", 0.0))
        await s.until(Tracking.ON_FREQUENCY, 3.0)

    stage(scene, radio={"on_manual_tuning": "restore"})


def test_the_length_of_an_over_sets_the_dial_for_its_middle(
    stage: Any, ephemeris: Ephemeris
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        long = Sked(name="long", band="10 GHz", sked_hz=SKED_HZ, partner="north", over_s=600.0)
        await s.daemon.ask(SaveSked("phone", long))
        await s.daemon.ask(ChooseSked("phone", "long"))
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(SETTLED_S)
        utc_s = s.clock.utc_s() + np.array([0.0, 300.0])
        home, partner = s.daemon.settings.home.site(), parse_site("60.2,25.1,900")
        up = solve_path(ephemeris, home, partner, utc_s).legs["home_to_moon"].fraction
        now_hz, middle_hz = SKED_HZ / (1.0 + up)
        assert abs(middle_hz - now_hz) > 20.0, "or this shows nothing"
        assert on_air_hz(s)[1] == pytest.approx(middle_hz, abs=3.0)

    stage(scene, band=BAND | {"while_transmitting": "mid_over"})
