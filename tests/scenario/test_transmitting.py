"""The whole daemon transmits: relays first, the dial still meanwhile, and nothing on the air that
an interlock forbids."""

import asyncio
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from moontrim.errors import NotNowError
from moontrim.keying.outputs import SimulatedOutput
from moontrim.keying.ownership import KeyingRefused
from moontrim.keying.sequence import Phase
from moontrim.path import Ephemeris, Site, moon_from
from moontrim.session.commands import (
    AllowTransmit,
    Correct,
    NudgeSked,
    SetAgreement,
    SetBand,
    SetPartner,
    SetSked,
    SetTrim,
)
from moontrim.share.protocol import REJECTED
from moontrim.share.sharedradio import RigAccess, SharedRadio
from moontrim.share.sked import TuneTo
from moontrim.state.snapshot import Tracking
from support.scenario_keying import KEYING, SETTLES_S, moon_at, moon_high
from support.stage import SKED_HZ, Stage, play


@pytest.fixture
def stage(tmp_path: Path, ephemeris: Ephemeris) -> Callable[..., Stage]:
    """With the Moon high at home."""

    def run(
        scene: Any,
        start_utc_s: float | None = None,
        equipment: dict[str, Any] | None = None,
        **changes: Any,
    ) -> Stage:
        if start_utc_s is None:
            start_utc_s = moon_high(ephemeris)
        tables = {"keying": KEYING | changes.pop("keying", {}), "equipment": equipment or {}}
        tables |= changes.pop("tables", {})
        band = {"drive_ceiling": 0.2} | changes.pop("band", {})
        return play(tmp_path, ephemeris, scene, start_utc_s, tables=tables, band=band, **changes)

    return partial(run)


def relays(s: Stage) -> list[SimulatedOutput]:
    switching = s.daemon.transmitting.keyer._switching
    return [output for output in switching._outputs if isinstance(output, SimulatedOutput)]


async def key(s: Stage) -> None:
    await s.until(Tracking.ON_FREQUENCY, 5.0)
    await s.daemon.transmitting.keyer.request("test")


def test_relays_then_radio_and_the_dial_is_still(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        began_s = s.clock.monotonic_s()
        changes: list[tuple[float, int, int | None, bool]] = []
        s.radio.on_change = lambda *change: changes.append(change)
        await key(s)
        assert s.radio.transmitting
        (rf_s,) = [at_s for at_s, _, _, transmitting in changes if transmitting][:1]
        assert SETTLES_S <= rf_s - began_s <= SETTLES_S + 0.12, (
            "30 ms each: drive, settings, dials, key"
        )
        dials = {(rx, tx) for _, rx, tx, _ in changes}
        assert len(dials) == 1, "no dial moved while relays settled"
        await s.clock.sleep(10.0)
        assert s.snapshot.keying.state is Phase.KEYED and s.snapshot.keying.who == "test"
        assert len({tx for _, _, tx, _ in changes}) > 1, "keyed and settled, the dial steps on"
        s.daemon.transmitting.keyer.release("test")
        await s.clock.sleep(0.5)
        assert not s.radio.transmitting and s.snapshot.keying.state is Phase.RELEASED
        await s.until(Tracking.ON_FREQUENCY, 1.0)
        await s.steady(5)

    stage(scene)


def test_low_moon_is_refused_with_the_reason(stage: Any, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        with pytest.raises(KeyingRefused, match="RF exposure"):
            await key(s)
        assert not s.radio.transmitting

    low_s = moon_at(ephemeris, lambda deg, _: 2.0 < deg < 4.0)
    stage(scene, low_s, tables={"partner": "self"})


def test_a_hill_in_the_way_is_refused(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.MOON_TOO_LOW, 5.0)
        with pytest.raises(KeyingRefused, match="behind an obstruction"):
            await s.daemon.transmitting.keyer.request("test")
        assert not s.radio.transmitting

    stage(scene, equipment={"horizon": [[0, 10], [90, 80], [180, 10]]})


def setting_for(ephemeris: Ephemeris, utc_s: float) -> str:
    """Returns a place, east of home on the equator, where the Moon sets at this instant."""

    def elevation_deg(longitude_deg: float) -> float:
        site = Site(0.0, (longitude_deg + 180.0) % 360.0 - 180.0, 0.0)
        return float(moon_from(ephemeris, site, [utc_s]).elevation_deg[0])

    highest_deg = max(range(-180, 180, 5), key=elevation_deg)
    up_deg, down_deg = float(highest_deg), highest_deg + 120.0
    for _ in range(40):
        middle_deg = (up_deg + down_deg) / 2
        if elevation_deg(middle_deg) > 0.0:
            up_deg = middle_deg
        else:
            down_deg = middle_deg
    return f"0.0,{(up_deg + 180.0) % 360.0 - 180.0:.6f},0"


def test_the_moon_sets_at_the_partner_during_an_over(stage: Any, ephemeris: Ephemeris) -> None:
    start_s = moon_high(ephemeris)
    sets_s = start_s + 12.0

    async def scene(s: Stage) -> None:
        await s.daemon.ask(SetPartner("test", setting_for(ephemeris, sets_s)))
        await key(s)
        await s.clock.sleep(2.0)
        assert s.radio.transmitting and s.clock.utc_s() < sets_s
        while s.clock.utc_s() < sets_s + 1.5:
            await s.clock.sleep(0.1)
        assert not s.radio.transmitting
        assert s.snapshot.tracking is Tracking.MOON_TOO_LOW
        assert "at the partner, below the horizon" in s.snapshot.reason
        s.daemon.transmitting.keyer.release("test")
        await s.clock.sleep(2.0)
        # The dials are kept where they belong all the same.
        assert s.snapshot.rx is not None and s.snapshot.rx.residual_hz is not None
        assert abs(s.snapshot.rx.residual_hz) <= 0.6
        with pytest.raises(KeyingRefused, match="Moon too low, Moon at -"):
            await s.daemon.transmitting.keyer.request("test")

    stage(scene, start_s, band={"while_transmitting": "step"})


@pytest.mark.parametrize(
    ("command", "reason"),
    [(AllowTransmit("phone", False), "transmit is inhibited"), (Correct("phone", False), "paused")],
)
def test_the_phone_stops_it(stage: Any, command: Any, reason: str) -> None:
    async def scene(s: Stage) -> None:
        await key(s)
        await s.clock.sleep(2.0)
        await s.daemon.ask(command)
        await s.clock.sleep(0.3)
        assert not s.radio.transmitting
        await s.clock.sleep(0.5)
        assert s.snapshot.keying.state is Phase.RELEASED
        assert any(reason in text for text in s.snapshot.keying.reasons), s.snapshot.keying.reasons
        s.daemon.transmitting.keyer.release("test")
        with pytest.raises(KeyingRefused, match=reason):
            await s.daemon.transmitting.keyer.request("test")

    stage(scene)


OTHER = {  # behind the same transverter
    "name": "144 MHz",
    "front_end": "10 GHz",
    "sked_hz": 144_120_000,
    "tx_low_hz": 144_000_000,
    "tx_high_hz": 146_000_000,
    "transverter_offset_hz": 116_000_000,
    "drive_ceiling": 0.2,
}
RETUNING = (
    SetSked("phone", SKED_HZ + 100.0),
    NudgeSked("phone", 10.0),
    SetPartner("phone", "KP20NF"),
    SetAgreement("phone", "receiver"),
    TuneTo("share", SKED_HZ + 100),
    TuneTo("share", 144_120_000),
    SetBand("phone", "144 MHz"),
)


@pytest.mark.parametrize("by", ["the daemon", "a foot switch"])
def test_keyed_by_anyone_the_sked_stays(stage: Any, by: str) -> None:
    async def scene(s: Stage) -> None:
        if by == "the daemon":
            await key(s)
        else:
            s.radio.key(True)
            await s.clock.sleep(s.daemon.settings.radio.poll_s + 1.0)
        before = s.daemon.session
        for command in RETUNING:
            with pytest.raises(NotNowError, match="transmitting: unkey first"):
                await s.daemon.ask(command)
        shared = SharedRadio(s.daemon, s.daemon.transmitting, RigAccess(), s.clock)
        for hz in (SKED_HZ + 100, 144_120_000):
            assert await shared.tune(hz) == REJECTED
        assert s.daemon.session == before
        assert s.radio.transmitting, "the over goes on"
        await s.daemon.ask(SetTrim("phone", rx_hz=10.0))
        await s.daemon.ask(SetBand("phone", before.band))  # changes nothing
        assert s.radio.transmitting
        if by == "the daemon":
            await s.daemon.ask(AllowTransmit("phone", False))
        else:
            s.radio.key(False)
        await s.clock.sleep(s.daemon.settings.radio.poll_s + 1.0)
        assert not s.radio.transmitting
        for command in RETUNING:
            await s.daemon.ask(command)

    stage(scene, more_bands=(OTHER,))


def test_while_relays_move_the_band_stays(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        keying = asyncio.create_task(s.daemon.transmitting.request("test"))
        while s.daemon.transmitting.keyer.view.state is not Phase.KEYING:
            await s.clock.sleep(0.01)
        assert not s.radio.transmitting
        with pytest.raises(NotNowError):
            await s.daemon.ask(SetBand("phone", "144 MHz"))
        await keying
        assert s.radio.transmitting
        s.daemon.transmitting.release("test")

    stage(scene, more_bands=(OTHER,))


def test_a_change_of_band_drops_it(stage: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Were it not refused."""
    monkeypatch.setattr("moontrim.tracking.refusals.Refusals.check", lambda *given: None)

    async def scene(s: Stage) -> None:
        await key(s)
        s.daemon.inbox.post_command(SetBand("phone", "144 MHz"))
        await s.clock.sleep(3.0)
        assert not s.radio.transmitting
        assert s.snapshot.band == "144 MHz"
        await s.until(Tracking.ON_FREQUENCY, 3.0)

    stage(scene, more_bands=(OTHER,))


def test_drive_above_the_ceiling_drops_it(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await key(s)
        s.radio.power_fraction = 0.9  # a hand on the power knob
        await s.clock.sleep(6.0)
        assert not s.radio.transmitting

    stage(scene)


def test_a_step_of_the_clock_drops_it(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await key(s)
        s.clock.step_utc(0.5)
        await s.clock.sleep(1.5)
        assert not s.radio.transmitting
        assert any("clock" in text for text in s.snapshot.keying.reasons)

    stage(scene)


def test_a_lost_radio_lets_the_relays_fall(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await key(s)
        s.radio.power_cycle()
        await s.clock.sleep(3.0)
        assert not any(relay.is_on for relay in relays(s))
        assert not s.radio.transmitting

    stage(scene, unreachable_s=30.0)


def test_an_over_has_an_end(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await key(s)
        await s.clock.sleep(9.0)
        assert s.radio.transmitting
        await s.clock.sleep(1.5)
        assert not s.radio.transmitting

    stage(scene, keying={"longest_over_s": 10.0})


def test_leaving_unkeys(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await key(s)

    done = stage(scene)
    assert not done.radio.transmitting
    assert not any(relay.is_on for relay in relays(done))
    assert done.radio.rx_dial_hz == 144_100_000, "unkeyed first, then the dial went back"


def test_asking_while_relays_settle_and_leaving_again(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        asking = asyncio.create_task(s.daemon.transmitting.keyer.request("test"))
        await s.clock.sleep(0.5)
        assert s.snapshot.keying.state is Phase.KEYING
        asking.cancel()
        await s.clock.sleep(2.0)
        assert not s.radio.transmitting and s.snapshot.keying.state is Phase.RELEASED

    done = stage(scene)
    assert not any(relay.is_on for relay in relays(done))


def test_keying_through_a_transverter_needs_a_ceiling(stage: Any) -> None:
    from moontrim.errors import InputError

    async def scene(s: Stage) -> None: ...

    with pytest.raises(InputError, match="drive_ceiling"):
        stage(scene, band={"drive_ceiling": None})


@pytest.mark.parametrize("policy", ["hold", "step"])
def test_without_split_the_one_dial_goes_where_it_transmits_first(
    stage: Any, ephemeris: Ephemeris, policy: str
) -> None:
    """10 GHz between distant places: receive and transmit are kilohertz apart."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        seen: list[tuple[float, int, bool]] = []
        s.radio.on_change = lambda at_s, rx_hz, tx_hz, on: seen.append((at_s, rx_hz, on))
        await s.daemon.transmitting.request("test")
        ideal = s.daemon.planning.ideal(s.clock.utc_s())
        apart_hz = abs(ideal.rx_hz - ideal.tx_hz)
        assert apart_hz > 1000.0
        keyed = [dial_hz for _, dial_hz, on in seen if on]
        assert abs(s.band.on_air_hz(keyed[0]) - ideal.tx_hz) < 2.0, "a second of relays"
        (rf_s,) = [at_s for at_s, _, on in seen if on][:1]
        moved_s = max(at_s for at_s, dial_hz, on in seen if not on)
        assert rf_s - moved_s >= SETTLES_S, "still while the relays settled"
        await s.clock.sleep(10.0)
        while_keyed = {dial_hz for _, dial_hz, on in seen if on}
        assert (len(while_keyed) > 1) == (policy == "step")
        s.daemon.transmitting.release("test")
        await s.clock.sleep(0.5)
        await s.until(Tracking.ON_FREQUENCY, 1.0)
        residual_hz = (
            s.band.on_air_hz(s.radio.rx_dial_hz) - s.daemon.planning.ideal(s.clock.utc_s()).rx_hz
        )
        assert abs(residual_hz) < 1.5
        await s.steady(5)

    stage(scene, band={"while_transmitting": policy}, split=False)


def test_without_split_a_dial_that_does_not_arrive_is_not_keyed(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        s.radio.change(refuse_every=1)
        with pytest.raises(KeyingRefused):
            await s.daemon.transmitting.request("test")
        assert not s.radio.transmitting and not any(relay.is_on for relay in relays(s))

    stage(scene, split=False)
