"""How soon a frequency that is set reaches the radio, on a line that takes its time, in real time.

The bytes of a set need so long at 19200 baud and no less; what the driver and this machine add is
measured at the radio's side, less what the machine gave to other programs. The median counts, or
the first quartile where several waits add up: a machine that is busy elsewhere is late at times.
"""

from __future__ import annotations

import asyncio
import selectors
import time
from statistics import median, quantiles

import pytest

from support.processor import unloaded_s
from support.serial_bench import driver_for, serial_radio

pytestmark = pytest.mark.alone

BAUD = 19200
SET_BYTES = {"civ": 12, "asciicat": 14}
ALLOWED = 1.3


def measured(bus: str, rx: bool, tx: bool) -> tuple[float, list[float], list[float], float]:
    """Seconds from each call to when the last dial moved (the shortest on the wall, and all), and
    to its return; and the share of the latter that the driver tells."""
    wall_s, moved_s, returned_s = [], [], []

    async def main() -> float:
        async with serial_radio(bus, latency_s=0.0, line={"baud": BAUD}) as line:
            driver = driver_for(bus, line.path, baud=BAUD)
            await driver.open()
            at_s: list[tuple[float, float]] = []
            line.radio.on_change = lambda *_: at_s.append((time.monotonic(), unloaded_s()))
            for n in range(20):
                at_s.clear()
                began_wall_s, began_s = time.monotonic(), unloaded_s()
                await driver.set_dials(
                    144_100_001 + n if rx else None, 144_200_001 + n if tx else None
                )
                returned_s.append(unloaded_s() - began_s)
                wall_s.append(at_s[-1][0] - began_wall_s)
                moved_s.append(at_s[-1][1] - began_s)
            fraction = driver.capabilities.effect_fraction
            await driver.close()
            return fraction

    # the usual selector rounds to milliseconds, which is as much as is to be measured
    loop = asyncio.SelectorEventLoop(selectors.SelectSelector())
    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        fraction = runner.run(main())
    return min(wall_s), moved_s, returned_s, fraction


def first_quartile(values: list[float]) -> float:
    return quantiles(values, n=4)[0]


@pytest.mark.parametrize("bus", SET_BYTES)
@pytest.mark.parametrize("which", ["rx", "tx"])
def test_a_set_reaches_the_radio_in_its_own_time(bus: str, which: str) -> None:
    least_s, moved_s, returned_s, fraction = measured(bus, which == "rx", which == "tx")
    wire_s = SET_BYTES[bus] * 10 / BAUD
    print(
        f"{bus} {which}: {median(moved_s) / wire_s:.3f} of the wire time, "
        f"worst {max(moved_s) / wire_s:.3f}; whole call {1000 * median(returned_s):.1f} ms"
    )
    assert least_s >= wire_s, "else the line is not paced"
    assert median(moved_s) <= ALLOWED * wire_s
    told_s = fraction * median(returned_s)
    assert told_s == pytest.approx(median(moved_s), abs=0.003), "the share that the link reckons by"


def test_both_dials_in_one_write_on_the_semicolon_bus() -> None:
    _, moved_s, _, _ = measured("asciicat", True, True)
    assert first_quartile(moved_s) <= ALLOWED * 2 * SET_BYTES["asciicat"] * 10 / BAUD


def test_both_dials_on_the_binary_bus() -> None:
    """The second waits for the answer to the first: six bytes more. Then 53 of reading back."""
    _, moved_s, returned_s, _ = measured("civ", True, True)
    assert first_quartile(moved_s) <= ALLOWED * (2 * SET_BYTES["civ"] + 6) * 10 / BAUD
    assert first_quartile(returned_s) <= ALLOWED * (18 + 18 + 53) * 10 / BAUD
