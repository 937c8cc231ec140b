"""What else is asked of the radio goes into the gaps between steps: no step waits for it."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, ClassVar

import pytest

from moontrim.path import Ephemeris
from moontrim.state.snapshot import Tracking
from moontrim_drivers.contract import RigDetails
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.scenario_keying import KEYING, moon_high
from support.stage import Stage, play

QUESTIONS = 6
LATE_HZ = 0.01  # at 1 to 2 Hz/s some milliseconds


class Curious(SimulatedDriver):
    """Asks one thing after the other for its details, as a driver on a wire does."""

    asked_s: ClassVar[list[float]] = []

    async def details_in_parts(self) -> AsyncIterator[RigDetails | None]:
        self.asked_s.append(self.clock.monotonic_s())
        for _ in range(QUESTIONS - 1):
            await super().details()
            yield None
        yield await super().details()

    async def power_fraction(self) -> float | None:
        return (await super().details()).power_fraction


FAST = {
    "name": "24 GHz",
    "sked_hz": 24_048_100_000,
    "tx_low_hz": 24_048_000_000,
    "tx_high_hz": 24_050_000_000,
    "transverter_offset_hz": 23_904_000_000,
    "drive_ceiling": 0.2,
}
STEP = {"drive_ceiling": 0.2, "while_transmitting": "step"}


@pytest.mark.parametrize(
    ("latency_s", "keyed", "tables", "band"),
    [
        (0.03, False, {}, {}),
        (0.1, False, {}, {}),
        (0.03, False, {}, {"drive_ceiling": 0.2}),
        (0.1, False, {}, {"drive_ceiling": 0.2}),
        (0.03, False, {}, FAST),
        # Under RF a slow radio's drive is seen in time rather than a step set in time.
        (0.03, True, {"keying": KEYING}, STEP),
    ],
)
def test_no_step_waits_for_a_check_of_drive_or_panel(
    tmp_path: Path,
    ephemeris: Ephemeris,
    latency_s: float,
    keyed: bool,
    tables: dict[str, Any],
    band: dict[str, Any],
) -> None:
    """Each step is seen where the ideal dial passes the middle between two values."""
    off_hz: list[float] = []

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(10.0)  # until the durations are known
        stood_hz = 0

        def changed(at_s: float, rx_hz: int, tx_hz: int | None, on: bool) -> None:
            nonlocal stood_hz
            if rx_hz != stood_hz:
                ideal_hz = s.daemon.planning.ideal(s.clock.utc_s()).rx_hz
                off_hz.append(abs(s.band.dial_hz(ideal_hz) - (rx_hz + stood_hz) / 2))
            stood_hz = rx_hz

        if keyed:
            await s.daemon.transmitting.request("test")
            await s.clock.sleep(5.0)
        stood_hz, asked = s.radio.rx_dial_hz, len(Curious.asked_s)
        before, s.radio.on_change = s.radio.on_change, changed
        await s.clock.sleep(60.0)
        s.radio.on_change = before
        assert 9 <= len(Curious.asked_s) - asked <= 12, "it is still checked every five seconds"

    play(
        tmp_path,
        ephemeris,
        scene,
        moon_high(ephemeris),
        tables=tables,
        band=band,
        driver_class=Curious,
        latency_s=latency_s,
        retunes_while_transmitting=True,
    )
    assert len(off_hz) > 20
    assert max(off_hz) <= LATE_HZ
