"""What a person does at the radio while relays settle, or at the drive during an over: nothing of
it reaches the air."""

import asyncio
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from moontrim.keying.ownership import KeyingRefused
from moontrim.keying.sequence import Phase
from moontrim.path import Ephemeris
from moontrim.session.commands import AllowTransmit
from moontrim.state.snapshot import Tracking
from moontrim_drivers.simulated.radio import SimulatedRadio
from support.scenario_keying import KEYING, SETTLES_S, moon_high
from support.stage import Stage, play

BY_LINE = KEYING | {
    "outputs": [
        *KEYING["outputs"][:2],
        {
            "kind": "simulated",
            "name": "key line",
            "settle_ms": 0,
            "release_ms": 20,
            "keys_radio": True,
        },
    ]
}
BAND = {"drive_ceiling": 0.2, "while_transmitting": "hold"}
RF_ENDS_S = 0.5  # after an excess of drive


def tx_dial_elsewhere(radio: SimulatedRadio) -> None:
    radio._tx_hz += 3_000_000


def rx_dial_elsewhere(radio: SimulatedRadio) -> None:
    radio.turn_dial(700)


def full_drive(radio: SimulatedRadio) -> None:
    radio.power_fraction = 1.0


def split_off(radio: SimulatedRadio) -> None:
    radio.press_split(False)


@pytest.fixture
def stage(tmp_path: Path, ephemeris: Ephemeris) -> Callable[..., Stage]:
    return partial(play, tmp_path, ephemeris, start_utc_s=moon_high(ephemeris))


@pytest.mark.parametrize(
    ("touch", "reason"),
    [
        (tx_dial_elsewhere, "dial"),
        (rx_dial_elsewhere, "dial"),
        (full_drive, "drive"),
        (split_off, "split"),
    ],
)
@pytest.mark.parametrize("by", ["radio", "line"])
@pytest.mark.parametrize("after_s", [0.02, 0.5, SETTLES_S - 0.02])
def test_touched_while_relays_settle_it_is_not_keyed(
    stage: Any, touch: Callable[[SimulatedRadio], None], reason: str, by: str, after_s: float
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        keyed: list[bool] = []
        s.radio.on_change = lambda at_s, rx_hz, tx_hz, on: keyed.append(on)
        key_line: Any = s.daemon.transmitting.keyer._switching._outputs[-1]
        request = asyncio.create_task(s.daemon.transmitting.request("test"))
        await s.clock.sleep(after_s)
        assert s.snapshot.keying.state is Phase.KEYING
        touch(s.radio)
        with pytest.raises(KeyingRefused, match=reason):
            await request
        await s.clock.sleep(1.0)
        assert not any(keyed)
        assert s.snapshot.keying.state is Phase.RELEASED
        if by == "line":
            assert not key_line.output.changes, "the line never went up"

    stage(scene, tables={"keying": KEYING if by == "radio" else BY_LINE}, band=BAND)


@pytest.mark.parametrize("after_s", [0.0, 0.3, 4.0, 7.1])
@pytest.mark.parametrize("settle_ms", [0, 2000])
def test_drive_turned_up_under_rf_ends_it_at_once(
    stage: Any, after_s: float, settle_ms: int
) -> None:
    """Also before the last output has settled, which is when an over begins for the others."""
    outputs = [*KEYING["outputs"][:2], KEYING["outputs"][2] | {"settle_ms": settle_ms}]

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        request = asyncio.create_task(s.daemon.transmitting.request("test"))
        while not s.radio.transmitting:
            await s.clock.sleep(0.01)
        await s.clock.sleep(after_s)
        full_drive(s.radio)
        began_s = s.clock.monotonic_s()
        while s.radio.transmitting:
            await s.clock.sleep(0.01)
        assert s.clock.monotonic_s() - began_s <= RF_ENDS_S
        await asyncio.gather(request, return_exceptions=True)
        await s.clock.sleep(1.0)
        assert any("drive" in text for text in s.snapshot.keying.reasons)

    stage(scene, tables={"keying": KEYING | {"outputs": outputs}}, band=BAND)


@pytest.mark.parametrize("ends", ["released", "forbidden"])
@pytest.mark.parametrize("after_s", [SETTLES_S + 0.01, SETTLES_S + 0.04, SETTLES_S + 0.065])
def test_given_up_during_the_last_look_no_key_follows(
    stage: Any, ends: str, after_s: float
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        keyed: list[bool] = []
        s.radio.on_change = lambda at_s, rx_hz, tx_hz, on: keyed.append(on)
        request = asyncio.create_task(s.daemon.transmitting.request("test"))
        await s.clock.sleep(after_s)
        assert not any(keyed)
        if ends == "released":
            s.daemon.transmitting.release("test")
        else:
            await s.daemon.ask(AllowTransmit("phone", False))
        await asyncio.gather(request, return_exceptions=True)
        await s.clock.sleep(1.0)
        assert not any(keyed)

    stage(scene, tables={"keying": KEYING}, band=BAND, latency_s=0.05)
