"""One daemon on a simulated radio and a virtual clock, for tests of what it does hour by hour.
Nothing waits in real time."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from copy import deepcopy
from pathlib import Path
from typing import Any

from moontrim.app.daemon import Daemon
from moontrim.clock.virtual import VirtualClock
from moontrim.config.settings import settings_from
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.state.snapshot import Snapshot, Tracking
from moontrim_drivers.simulated.driver import SimulatedDriver

# 2026-11-18T16:40Z, within a second on purpose. The Moon is up at both ends, an hour either way.
T0 = 1_795_020_000.25
SKED_HZ = 10_368_100_000


class Stage:
    """One daemon, its radio and clock, and a check after every second that nothing forbidden was
    done."""

    def __init__(self, daemon: Daemon, driver: SimulatedDriver, clock: VirtualClock) -> None:
        self.daemon = daemon
        self.driver = driver
        self.radio = driver.radio
        self.clock = clock
        self.band = daemon.settings.bands[0].band()
        self.transmit_dials: list[int] = []
        self.sets_by_daemon = 0
        self.radio.on_change = self._changed

    def _changed(self, at_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
        dial_hz = rx_hz if tx_hz is None else tx_hz
        self.transmit_dials.append(dial_hz)

    @property
    def snapshot(self) -> Snapshot:
        assert self.daemon.hub.latest is not None
        return self.daemon.hub.latest

    async def until(self, tracking: Tracking, within_s: float) -> float:
        """Waits for a tracking state; returns how long it took."""
        began_s = self.clock.monotonic_s()
        while self.snapshot.tracking is not tracking:
            took_s = self.clock.monotonic_s() - began_s
            assert took_s < within_s, (self.snapshot.tracking, self.snapshot.reason)
            await self.clock.sleep(0.1)
        return self.clock.monotonic_s() - began_s

    async def steady(self, duration_s: float) -> None:
        """On frequency in every second of that time."""
        for _ in range(round(duration_s)):
            await self.clock.sleep(1.0)
            assert self.snapshot.tracking is Tracking.ON_FREQUENCY, self.snapshot.reason


Scene = Callable[[Stage], Coroutine[Any, Any, None]]


def play(
    folder: Path,
    ephemeris: Ephemeris,
    scene: Scene,
    start_utc_s: float = T0,
    *,
    band: dict[str, Any] | None = None,
    more_bands: tuple[dict[str, Any], ...] = (),
    radio: dict[str, Any] | None = None,
    tables: dict[str, Any] | None = None,
    driver_class: type[SimulatedDriver] = SimulatedDriver,
    **habits: Any,
) -> Stage:
    """Runs a scene from one second after the start. band, radio, tables: changes to the embedded
    scenario (None removes a table); habits: of the simulated radio. The session is saved in the
    folder."""
    raw = deepcopy(EMBEDDED)
    raw |= {"state_dir": str(folder)} | (tables or {})
    raw = {key: value for key, value in raw.items() if value is not None}
    raw["bands"][0] |= band or {}
    raw["bands"] += more_bands
    raw["radio"] |= radio or {}
    raw["radio"]["options"] |= habits
    settings = settings_from(raw, "test")
    clock = VirtualClock(start_utc_s)

    async def main() -> Stage:
        driver = driver_class(settings.radio.driver_options(), clock)
        daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
        made = Stage(daemon, driver, clock)
        failure: list[BaseException] = []

        async def act(daemon: Daemon) -> None:
            try:
                await clock.sleep(1.0)
                await scene(made)
            except AssertionError as error:
                failure.append(error)
            finally:
                daemon.stop.set()

        await daemon.run(act)
        if failure:
            raise failure[0]
        return made

    return clock.run(main())
