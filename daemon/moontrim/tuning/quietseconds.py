"""The planner for many seconds at once in which nothing happens. Pure; knows neither asyncio nor
radio. Apart from `planner`, which a command that needs no arrays must not wait for."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import repeat

import numpy as np

from moontrim.path.vectors import Array
from moontrim.tuning.band import Band
from moontrim.tuning.columns import rows
from moontrim.tuning.steps import DialName, Plan, Ramp, Step, WhileTransmitting

CALM_STEPS_PER_S = 0.5  # for a radio that takes fewer, seconds are planned one by one


def calm_seconds(
    band: Band,
    tx_band: Band,
    start_utc_s: float,
    rx_hz: Array,
    tx_hz: Array,
    *,
    resolution_hz: int,
    split: bool,
    while_transmitting: WhileTransmitting,
) -> dict[float, Plan]:
    """At a quarter of the cost, the plans of those of many seconds in which the radio receives and
    neither dial takes a step; by the instant at which they begin.

    rx_hz, tx_hz: ideal on-air frequencies at start_utc_s and every second after it (N + 1,). The
    others as for `plan_stretch`, which gives the same if the radio takes CALM_STEPS_PER_S."""
    rx_dial_hz, tx_dial_hz = band.dial_hz(rx_hz), tx_band.dial_hz(tx_hz)
    dials: list[tuple[DialName, Array]] = [("rx", rx_dial_hz)]
    allowed = band.allows(tx_hz)
    if split:
        dials.append(("tx", tx_dial_hz))
    else:
        allowed &= band.allows(tx_band.on_air_hz(rx_dial_hz))
    values_hz = [resolution_hz * np.floor(dial / resolution_hz + 0.5) for _, dial in dials]
    allowed &= tx_band.allows(tx_band.on_air_hz(values_hz[-1]))  # of the dial that transmits
    needed_hz_per_s = sum(np.abs(np.diff(dial)) for _, dial in dials)
    calm = allowed[1:] & allowed[:-1] & (needed_hz_per_s <= CALM_STEPS_PER_S * resolution_hz)
    for value_hz in values_hz:
        calm &= np.diff(value_hz) == 0.0
    at = (start_utc_s + np.flatnonzero(calm)).tolist()

    def ramps(dial_hz: Array) -> Iterator[Ramp]:
        return rows(Ramp, at, dial_hz[:-1][calm].tolist(), np.diff(dial_hz)[calm].tolist())

    steps = [
        rows(Step, at, repeat(which), value_hz[:-1][calm].astype(int).tolist())
        for (which, _), value_hz in zip(dials, values_hz, strict=True)
    ]
    plans = rows(
        Plan,
        at,
        (start_utc_s + 1.0 + np.flatnonzero(calm)).tolist(),
        ramps(rx_dial_hz),
        ramps(tx_dial_hz),
        repeat(split),
        repeat("rx"),
        repeat(resolution_hz),
        zip(*steps, strict=True),
        repeat({}),  # nothing is held, and nobody adds to it
        repeat(while_transmitting == "step"),
    )
    return dict(zip(at, plans, strict=True))
