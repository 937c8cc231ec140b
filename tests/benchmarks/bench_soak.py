"""How many simulated hours of the whole daemon one second of processor time buys, by band.

    python tests/benchmarks/bench_soak.py [hours]

Of that, what the daemon alone takes, left in peace, and what the misfortunes and the rules add."""

from __future__ import annotations

import logging
import resource
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from moontrim.path import Ephemeris
from soak.plan import BANDS
from soak.play import play
from support.stage import Stage
from support.stage import play as play_stage


def processor_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def left_in_peace(ephemeris: Ephemeris, band: dict[str, Any], poll_s: float, hours: float) -> float:
    """Processor seconds for so many hours."""

    async def scene(stage: Stage) -> None:
        await stage.clock.sleep(3600.0 * hours)

    began_s = processor_s()
    with tempfile.TemporaryDirectory() as folder:
        play_stage(Path(folder), ephemeris, scene, band=band, radio={"poll_s": poll_s})
    return processor_s() - began_s


def main() -> None:
    logging.disable(logging.CRITICAL)
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    ephemeris = Ephemeris.load()
    for name, band in BANDS.items():
        for poll_s in (0.5, 5.0):
            whole = {"name": name, "transverter_offset_hz": 0} | band
            took_s = left_in_peace(ephemeris, whole, poll_s, hours)
            print(
                f"{name:9s} in peace, look every {poll_s:g} s: {3600 * hours / took_s:6.0f} times "
                f"real time, {1e6 * took_s / 3600 / hours:5.0f} us a simulated second"
            )
    began_s = processor_s()
    for seed in range(1, 6):
        play(seed, 3600.0 * hours, ephemeris)
    took_s = processor_s() - began_s
    print(f"five runs of the soak: {5 * 3600 * hours / took_s:.0f} times real time")


if __name__ == "__main__":
    main()
