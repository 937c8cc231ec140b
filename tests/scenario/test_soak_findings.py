"""What the soak has found, each made as small as it can be."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from moontrim.linkview import LinkState, Updated
from moontrim.path import Ephemeris
from moontrim.state import Tracking
from moontrim_drivers.contract import RigState
from moontrim_drivers.simulated import SimulatedDriver
from stage import Stage, play


def test_news_just_after_a_step_out_of_the_tables(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """Whatever arrives between a step of the clock and the next second has the state published at
    an instant of which nothing is known; that ended the daemon."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        s.clock.step_utc(3.0e9)
        s.daemon.inbox.post(Updated(asked=True))
        await s.clock.sleep(0.01)
        assert s.seen.moon is None
        await s.until(Tracking.NO_PREDICTION, 2.0)
        s.clock.step_utc(-3.0e9)
        await s.until(Tracking.ON_FREQUENCY, 3.0)

    # A dial about to move would have kept the state from being published.
    play(tmp_path, ephemeris, scene, tables={"session": {"agreement": "partner"}})


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
    "disagrees" stayed for minutes, and no transmitting with it."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        LyingDriver.off_hz = 1000
        try:
            await s.until(Tracking.RADIO_DISAGREES, 10.0)
        finally:
            LyingDriver.off_hz = 0
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        assert s.seen.link.state is LinkState.READY

    band: dict[str, Any] = {
        "name": "144 MHz",
        "sked_hz": 144_120_000,
        "allowed_low_hz": 144_000_000,
        "allowed_high_hz": 146_000_000,
        "transverter_offset_hz": 0,
    }
    play(
        tmp_path,
        ephemeris,
        scene,
        band=band,
        radio={"when_turned": "put_back"},
        tables={"session": {"agreement": "partner"}},  # whose dial never moves at all
        driver_class=LyingDriver,
    )


KEYING = {
    "enabled": True,
    "outputs": [
        {"kind": "simulated", "name": "relay", "settle_ms": 50, "release_ms": 500},
        {"kind": "radio", "release_ms": 500},
    ],
}


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

    done = play(
        tmp_path,
        ephemeris,
        scene,
        1_795_040_000.25,
        band={"while_transmitting": "hold", "drive_ceiling": 0.2},
        tables={"keying": KEYING},
    )
    assert not done.radio.transmitting
    fallen_s = unkeyed_at[0] + 0.5
    early = [rx_hz for at_s, rx_hz in dials_at if at_s < fallen_s]
    assert len(set(early)) == 1, dials_at
