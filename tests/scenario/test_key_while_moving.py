"""A key request that comes while a dial is being set: the dial is put right first, and no over is
lost."""

import asyncio
from pathlib import Path

import pytest

from moontrim.keying.ownership import KeyingRefused
from moontrim.path import Ephemeris
from moontrim.state.snapshot import Tracking
from support.scenario_keying import KEYING, moon_high
from support.stage import Stage, play

BAND = {"drive_ceiling": 0.2, "while_transmitting": "hold"}
OVERS = 60


@pytest.mark.parametrize("latency_s", [0.05, 0.25])
@pytest.mark.parametrize("beside", ["nothing", "power", "power under way", "the over before"])
def test_no_over_is_lost_to_a_dial_that_moves(
    tmp_path: Path, ephemeris: Ephemeris, latency_s: float, beside: str
) -> None:
    """At 10 GHz, where a dial of 1 Hz steps every 0.1 to 1 s, and asked for at all moments."""
    off_hz: list[float] = []

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)

        def changed(at_s: float, rx_hz: int, tx_hz: int | None, on: bool) -> None:
            assert tx_hz is not None
            if on and not keyed:
                ideal_hz = s.daemon.planning.ideal(s.clock.utc_s()).tx_hz
                off_hz.append(abs(s.band.on_air_hz(tx_hz) - ideal_hz))
            keyed[:] = [on] if on else []

        keyed: list[bool] = []
        tasks: list[asyncio.Task[None]] = []
        s.radio.on_change = changed
        for n in range(OVERS):
            await s.clock.sleep(1.0 + 0.137 * (n % 9))
            if beside == "power":
                await s.daemon.link.set_power(0.1)
            elif beside == "power under way":
                tasks.append(asyncio.create_task(s.daemon.link.set_power(0.1)))
                await s.clock.sleep(0.01 * (n % 7))
            await s.daemon.transmitting.request("test")
            if beside == "the over before":
                await s.clock.sleep(20.0)
                s.daemon.transmitting.release("test")
                await s.daemon.transmitting.request("another")
                s.daemon.transmitting.release("another")
            s.daemon.transmitting.release("test")
            await s.clock.sleep(0.5)

    play(
        tmp_path,
        ephemeris,
        scene,
        moon_high(ephemeris),
        tables={"keying": KEYING},
        band=BAND,
        latency_s=latency_s,
    )
    assert len(off_hz) == OVERS * (2 if beside == "the over before" else 1)
    # Half a step, and what the Doppler shift changes while relays settle: 4 Hz/s at most.
    assert max(off_hz) <= 0.5 + 4.0 * 1.4


def test_a_dial_that_cannot_be_put_right_is_refused_with_the_reason(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        s.radio.change(refuse_every=1)
        s.radio.turn_dial(-700)
        await s.clock.sleep(0.6)
        with pytest.raises(KeyingRefused, match="not on frequency"):
            await s.daemon.transmitting.request("test")
        assert not s.radio.transmitting

    play(tmp_path, ephemeris, scene, moon_high(ephemeris), tables={"keying": KEYING}, band=BAND)
