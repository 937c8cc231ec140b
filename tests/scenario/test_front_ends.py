"""Bands with and without a transverter share dial ranges: neither key nor power goes from one front
end to another before the operator has confirmed which is connected."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from moontrim.errors import InputError, NotNowError
from moontrim.keying.contacts import Contact
from moontrim.keying.outputs import SimulatedOutput
from moontrim.keying.ownership import KeyingRefused
from moontrim.path import Ephemeris
from moontrim.session.commands import AllowTransmit, Correct, SetBand
from moontrim.share.protocol import OK, REJECTED
from moontrim.share.sharedradio import RigAccess, SharedRadio
from moontrim.state.snapshot import Tracking
from moontrim_drivers.contract import RigState
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.scenario_keying import KEYING, moon_high
from support.stage import SKED_HZ, Stage, play

CEILING = 0.1
BAND = {"drive_ceiling": CEILING}
DIRECT = {
    "name": "144 MHz",
    "sked_hz": 144_120_000,
    "tx_low_hz": 144_000_000,
    "tx_high_hz": 146_000_000,
}
CROSS = BAND | {
    "name": "10 GHz split",
    "front_end": "10 GHz",
    "sked_hz": 10_450_100_000,
    "tx_sked_hz": 10_368_100_000,
    "tx_low_hz": 10_368_000_000,
    "tx_high_hz": 10_370_000_000,
    "transverter_offset_hz": 10_306_000_000,
    "tx_transverter_offset_hz": 10_224_000_000,
}
SETTLED_S = 3.0


def act(folder: Path, ephemeris: Ephemeris, scene: Any, **more: Any) -> Stage:
    more = {"band": BAND, "more_bands": (DIRECT, CROSS), "tables": {"keying": KEYING}} | more
    return play(folder, ephemeris, scene, moon_high(ephemeris), **more)


def program(s: Stage) -> SharedRadio:
    link = s.daemon.link
    access = RigAccess(link.details, link.set_mode, link.set_power)
    return SharedRadio(s.daemon, s.daemon.transmitting, access, s.clock)


async def connected(s: Stage, front_end: str) -> None:
    """The operator confirms what is plugged, once the radio is set up for the band."""
    await s.until(Tracking.ON_FREQUENCY, 5.0)
    await s.clock.sleep(SETTLED_S)
    await s.daemon.ask(AllowTransmit("phone", True, front_end))


def test_a_program_cannot_send_full_power_into_a_transverter(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """F 144120000, L RFPOWER 1.0, T 1."""

    async def scene(s: Stage) -> None:
        await connected(s, "10 GHz")
        radio = program(s)
        assert await radio.tune(144_120_000) == REJECTED
        assert await radio.set_power(1.0) == REJECTED
        assert s.daemon.session.band == "10 GHz"
        assert await radio.key("share 1", asyncio.Event()) == OK
        assert s.radio.transmitting and s.radio.power_fraction <= CEILING
        assert s.radio.tx_dial_hz is not None
        assert abs(s.radio.tx_dial_hz + 10_224_000_000 - SKED_HZ) < 50_000

    act(tmp_path, ephemeris, scene)


def test_a_program_changes_bands_of_one_front_end(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        await connected(s, "10 GHz")
        radio = program(s)
        assert await radio.tune(10_450_101_000) == OK
        assert s.daemon.session.band == "10 GHz split"
        assert s.daemon.session.tx_allowed
        await s.clock.sleep(SETTLED_S)
        assert await radio.set_power(CEILING) == OK

    act(tmp_path, ephemeris, scene)


def test_another_front_end_takes_a_permit_for_key_and_power(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Forth and back: on the way back, too, nobody knows what is connected."""

    async def scene(s: Stage) -> None:
        await connected(s, "10 GHz")
        radio = program(s)
        for band, front_end in (("144 MHz", "direct"), ("10 GHz", "10 GHz")):
            await s.daemon.ask(SetBand("phone", band))
            assert not s.daemon.session.tx_allowed
            await s.until(Tracking.ON_FREQUENCY, 5.0)
            await s.clock.sleep(SETTLED_S)
            for fraction in (0.05, 1.0):
                assert await radio.set_power(fraction) == REJECTED
            assert s.radio.power_fraction <= CEILING
            with pytest.raises(KeyingRefused, match="transmit is inhibited"):
                await s.daemon.transmitting.request("desk")
            s.daemon.transmitting.release("desk")
            await s.daemon.ask(AllowTransmit("phone", True, front_end))
            assert await radio.set_power(0.05) == OK
            await s.daemon.transmitting.request("desk")
            s.daemon.transmitting.release("desk")
            await s.clock.sleep(SETTLED_S)

    act(tmp_path, ephemeris, scene)


def test_full_power_is_down_before_the_other_front_end_can_be_confirmed(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    async def scene(s: Stage) -> None:
        await connected(s, "direct")
        assert await program(s).set_power(1.0) == OK
        await s.daemon.ask(SetBand("phone", "10 GHz"))
        with pytest.raises(NotNowError, match="not set up for 10 GHz"):
            await s.daemon.ask(AllowTransmit("phone", True, "10 GHz"))
        assert s.radio.power_fraction == 1.0, "or this shows nothing"
        await s.clock.sleep(SETTLED_S)
        assert s.radio.power_fraction <= CEILING
        await s.daemon.ask(AllowTransmit("phone", True, "10 GHz"))

    act(tmp_path, ephemeris, scene, tables=ON_144)


def test_no_front_end_is_confirmed_while_the_radio_is_left_alone(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Paused, nobody turns the drive down."""

    async def scene(s: Stage) -> None:
        await connected(s, "direct")
        assert await program(s).set_power(1.0) == OK
        await s.daemon.ask(Correct("phone", False))
        await s.daemon.ask(SetBand("phone", "10 GHz"))
        await s.clock.sleep(SETTLED_S)
        with pytest.raises(NotNowError, match="correction paused"):
            await s.daemon.ask(AllowTransmit("phone", True))
        await s.daemon.ask(Correct("phone", True))
        await s.clock.sleep(SETTLED_S)
        await s.daemon.ask(AllowTransmit("phone", True))
        assert s.radio.power_fraction <= CEILING

    act(tmp_path, ephemeris, scene, tables=ON_144)


def test_a_permit_is_for_the_front_end_that_was_asked_for(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(SETTLED_S)
        with pytest.raises(InputError, match="direct"):
            await s.daemon.ask(AllowTransmit("phone", True, "direct"))
        assert not s.daemon.session.tx_allowed

    act(tmp_path, ephemeris, scene)


def test_the_front_end_outlives_an_orderly_end_only(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def first(s: Stage) -> None:
        assert not s.daemon.session.tx_allowed, "nobody has said what is connected"
        await connected(s, "10 GHz")

    async def after_an_orderly_end(s: Stage) -> None:
        assert s.daemon.session.tx_allowed
        assert s.daemon.session.front_end == "10 GHz"

    async def after_a_kill(s: Stage) -> None:
        assert not s.daemon.session.tx_allowed
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(SETTLED_S)
        assert await program(s).set_power(CEILING) == REJECTED

    act(tmp_path, ephemeris, first)
    act(tmp_path, ephemeris, after_an_orderly_end)
    (tmp_path / "ended-in-order").unlink()
    act(tmp_path, ephemeris, after_a_kill)


def test_a_changed_config_confirms_nothing(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def first(s: Stage) -> None:
        await connected(s, "10 GHz")

    async def second(s: Stage) -> None:
        assert not s.daemon.session.tx_allowed

    act(tmp_path, ephemeris, first)
    act(tmp_path, ephemeris, second, band=BAND | {"front_end": "other transverter"})
    act(tmp_path, ephemeris, first)
    # The saved band is gone altogether, and the first one takes its place.
    renamed = BAND | {"name": "10.5 GHz"}
    act(tmp_path, ephemeris, second, band=renamed, more_bands=())


ON_144 = {"keying": KEYING, "defaults": {"band": "144 MHz"}}


# --- what differs by band, and what a contact proves ---


class Plug(Contact):
    """A switch in the plug of the transverter."""

    is_closed = True

    async def open(self) -> None: ...

    async def closed(self) -> bool:
        return self.is_closed

    def close(self) -> None: ...


def test_a_contact_that_shows_another_front_end_ends_the_over(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    plug = Plug()
    monkeypatch.setattr("moontrim.app.transmitting.make_contact", lambda *given: plug)
    contact = {"kind": "cts", "name": "plug", "port": "/dev/ttyUSB0"}
    proof = {"keying": KEYING, "front_ends": [{"name": "10 GHz", "contact": contact}]}

    async def scene(s: Stage) -> None:
        await connected(s, "10 GHz")
        await s.daemon.transmitting.request("desk")
        await s.clock.sleep(1.0)
        assert s.radio.transmitting
        plug.is_closed = False
        await s.clock.sleep(0.2)
        assert not s.radio.transmitting
        await s.clock.sleep(2.0)
        s.daemon.transmitting.release("desk")
        with pytest.raises(KeyingRefused, match="10 GHz not connected"):
            await s.daemon.transmitting.request("desk")
        s.daemon.transmitting.release("desk")
        assert any("10 GHz not connected" in text for text in s.snapshot.warnings)
        await s.daemon.ask(SetBand("phone", "144 MHz"))
        await connected(s, "direct")
        await s.daemon.transmitting.request("desk")
        s.daemon.transmitting.release("desk")
        await s.clock.sleep(2.0)
        plug.is_closed = True
        await s.clock.sleep(0.2)
        with pytest.raises(KeyingRefused, match=r"10 GHz connected .* uses front end direct"):
            await s.daemon.transmitting.request("desk")

    act(tmp_path, ephemeris, scene, tables=proof)


def test_a_band_switches_its_outputs_only(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        keyer = s.daemon.transmitting.keyer
        switch, sequencer = keyer._switching._outputs[:2]
        assert isinstance(switch, SimulatedOutput) and isinstance(sequencer, SimulatedOutput)
        for front_end, switched in (("10 GHz", True), ("direct", False)):
            await connected(s, front_end)
            await s.daemon.transmitting.request("desk")
            await s.clock.sleep(0.1)
            assert s.radio.transmitting
            assert (switch.is_on, sequencer.is_on) == (switched, True)
            s.daemon.transmitting.release("desk")
            await s.clock.sleep(2.0)
            assert not (s.radio.transmitting or switch.is_on or sequencer.is_on)
            await s.daemon.ask(SetBand("phone", "144 MHz"))

    direct = DIRECT | {"outputs": ["sequencer"]}
    act(tmp_path, ephemeris, scene, more_bands=(direct,))


def test_the_minimum_elevation_of_a_band(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        await connected(s, "10 GHz")
        with pytest.raises(KeyingRefused, match="below the minimum of 89"):
            await s.daemon.transmitting.request("desk")
        s.daemon.transmitting.release("desk")
        await s.daemon.ask(SetBand("phone", "144 MHz"))
        await connected(s, "direct")
        await s.daemon.transmitting.request("desk")

    act(tmp_path, ephemeris, scene, band=BAND | {"min_tx_elevation_deg": 89.0})


class RecallingDriver(SimulatedDriver):
    """Its radio remembers the power of each of its bands, and sets it when a dial goes there."""

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        before_hz = self.radio.rx_dial_hz
        state = await super().set_dials(rx_hz, tx_hz)
        if abs(self.radio.rx_dial_hz - before_hz) > 100_000_000:
            self.radio.set_power(1.0)
        return state


def test_a_power_that_the_radio_recalls_with_the_dial_is_turned_down_first(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    direct = DIRECT | {"name": "432 MHz", "sked_hz": 432_070_000}
    direct |= {"tx_low_hz": 432_000_000, "tx_high_hz": 433_000_000}
    ready_at: list[float] = []

    async def scene(s: Stage) -> None:
        await connected(s, "direct")
        await s.daemon.ask(SetBand("phone", "10 GHz"))
        while not s.daemon.link.view.entered:
            await s.clock.sleep(0.01)
        ready_at.append(s.radio.power_fraction)

    tables = {"keying": KEYING, "defaults": {"band": "432 MHz"}}
    act(
        tmp_path,
        ephemeris,
        scene,
        tables=tables,
        more_bands=(direct,),
        driver_class=RecallingDriver,
        latency_s=0.01,
    )
    assert ready_at[0] <= CEILING
