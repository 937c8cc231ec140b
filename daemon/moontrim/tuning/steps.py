"""Plans the steps of the dials, each with its instant, from ideal frequencies. Pure; knows neither
asyncio nor radio.

    value + 1                     +-------------    dial as set
                                  |       . '
                                  |   . '           ideal dial
    middle    - - - - - - - - - - x - - - - - - -
                              . ' |
                          . '     |
    value     --------------------+

A dial has only whole steps. The residual (dial as set minus dial as it ideally is) stays within
half a step if, and only if, the dial moves at the instants where the ideal dial crosses the middle
between two dial values; that is where steps are put, however many fall into one second. A radio
that cannot take that many gets a coarser grid, the finest it can follow, which is the best
placement of fewer steps: every residual then stays within half of that grid.

The ideal receive dial of our own echo jumps wherever what was sent did (`tuning.echo`): it is a
row of ramps, each in force from its start on, and a jump is a step as well."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Literal, NamedTuple

from moontrim.formats import grouped
from moontrim.tuning.band import Band
from moontrim.tuning.correction import OnAir

DialName = Literal["rx", "tx"]
WhileTransmitting = Literal["hold", "mid_over", "step"]
# Chosen: a step that a jump undoes so soon is not worth a command to the radio, and what a dial is
# off meanwhile is far below the dial's step.
WORTH_S = 0.02


class Ramp(NamedTuple):
    """A frequency over a second, as a straight line. At 24 GHz the Doppler rate itself changes by
    less than 1e-3 Hz/s in a second, so that a line through both ends is within 1e-4 Hz.

    later: ramps that take over from this one, each at its start, in order of time."""

    start_utc_s: float
    start_hz: float
    rate_hz_per_s: float
    later: tuple[Ramp, ...] = ()

    def in_force(self, utc_s: float) -> Ramp:
        """Returns the ramp that holds at an instant: this one, or one of the later ones."""
        return next((ramp for ramp in reversed(self.later) if ramp.start_utc_s <= utc_s), self)

    def at(self, utc_s: float) -> float:
        """Returns the frequency in Hz at an instant."""
        ramp = self.in_force(utc_s) if self.later else self
        return ramp.start_hz + ramp.rate_hz_per_s * (utc_s - ramp.start_utc_s)

    def jumps(self) -> list[tuple[float, float]]:
        """Returns (instant, size in Hz) where a later ramp takes over."""
        ramps = (self, *self.later)
        return [
            (new.start_utc_s, new.start_hz - old._replace(later=()).at(new.start_utc_s))
            for old, new in pairwise(ramps)
        ]


class Step(NamedTuple):
    """The instant at which a dial is to be set, and to how many hertz."""

    at_utc_s: float
    which: DialName
    dial_hz: int


class Plan(NamedTuple):
    """The steps of one second, for the rig link to carry out.

    rx, tx: the ideal dials in Hz. split: there are two dials; without, the one dial is called rx
    and follows the ramp named by one_dial. grid_hz: the spacing of dial values used. steps: in
    order of time; the first of each dial is its value at the start. held: why a dial gets no steps,
    by dial. steps_while_keyed: the steps are also carried out while the radio transmits."""

    start_utc_s: float
    end_utc_s: float
    rx: Ramp
    tx: Ramp
    split: bool
    one_dial: DialName
    grid_hz: int
    steps: tuple[Step, ...]
    held: dict[DialName, str]
    steps_while_keyed: bool


def nearest(value_hz: float, grid_hz: int) -> int:
    """Returns the grid value closest to value_hz; halves go up."""
    return grid_hz * math.floor(value_hz / grid_hz + 0.5)


def crossings(ramp: Ramp, end_utc_s: float, grid_hz: int) -> list[tuple[float, int]]:
    """Returns (instant, value) of the start of the ramp, then of each instant up to the end where
    the ramp passes the middle between two multiples of grid_hz, or jumps past it."""
    value_hz = nearest(ramp.start_hz, grid_hz)
    steps = [(ramp.start_utc_s, value_hz)]
    ends_s = [*(later.start_utc_s for later in ramp.later), end_utc_s]
    for (start_utc_s, start_hz, rate, _), until_s in zip((ramp, *ramp.later), ends_s, strict=True):
        if abs(start_hz - value_hz) > 0.5 * grid_hz + WORTH_S * abs(rate):
            value_hz = nearest(start_hz, grid_hz)
            steps.append((start_utc_s, value_hz))
        if rate == 0.0:
            continue
        move_hz = grid_hz if rate > 0.0 else -grid_hz
        worth_until_s = until_s if until_s == ends_s[-1] else until_s - WORTH_S
        while True:
            instant = start_utc_s + (value_hz + 0.5 * move_hz - start_hz) / rate
            if not instant < worth_until_s:
                break
            value_hz += move_hz
            steps.append((max(instant, start_utc_s), value_hz))
    return steps


def coarsen(rates_hz_per_s: list[float], resolution_hz: int, steps_per_s: float) -> int:
    """Returns the finest grid in Hz, a multiple of resolution_hz, on which ramps of these rates
    together need at most steps_per_s steps a second."""
    needed_per_s = sum(map(abs, rates_hz_per_s)) / resolution_hz
    if needed_per_s <= steps_per_s:
        return resolution_hz
    return resolution_hz * math.ceil(needed_per_s / steps_per_s)


def rate_of_steps(ramp: Ramp, end_utc_s: float, resolution_hz: int) -> float:
    """Returns the steps a second that a ramp takes, times the resolution: the size of its rate, but
    of one that jumps it is counted, since a jump of any size is one step and may save others."""
    if not ramp.later:
        return abs(ramp.rate_hz_per_s)
    steps = len(crossings(ramp, end_utc_s, resolution_hz)) - 1
    return steps * resolution_hz / max(1.0, end_utc_s - ramp.start_utc_s)


def dial_course(band: Band, on_air: tuple[Ramp, ...]) -> Ramp:
    """Returns the dial's ramps for those of an on-air frequency, as one with later ones."""
    first, *later = (
        Ramp(start_utc_s, band.dial_hz(start_hz), rate * band.dial_per_on_air)
        for start_utc_s, start_hz, rate, _ in on_air
    )
    return first._replace(later=tuple(later))


def ramp_of_dial(
    band: Band, start_utc_s: float, end_utc_s: float, on_air: tuple[float, float]
) -> Ramp:
    """Returns the dial's ramp for on-air frequencies at the start and the end of a stretch."""
    start_hz, end_hz = band.dial_hz(on_air[0]), band.dial_hz(on_air[1])
    return Ramp(start_utc_s, start_hz, (end_hz - start_hz) / (end_utc_s - start_utc_s))


def plan_stretch(
    band: Band,
    tx_band: Band,
    start_utc_s: float,
    end_utc_s: float,
    at_start: OnAir,
    at_end: OnAir,
    *,
    resolution_hz: int,
    split: bool,
    transmitting: bool,
    while_transmitting: WhileTransmitting,
    steps_per_s: float,
    about_to_transmit: bool = False,
    echo: tuple[Ramp, ...] = (),
) -> Plan:
    """Plans the steps of a stretch of time, usually one second.

    band, tx_band: conversions of the two dials, the same except in split-segment working. at_start,
    at_end: ideal on-air frequencies; for `mid_over` those to transmit on are of half an over later.
    resolution_hz: the coarser of the band's and the radio's. about_to_transmit: the one dial of a
    radio without split is moved to the transmit frequency before the radio is keyed. A transmit
    frequency outside the band's allowed range gets no step, nor does that one dial where it would
    transmit outside. echo: where our own echo is on the air, from the start on, followed in place
    of the receive frequencies of at_start and at_end; empty: there is a partner."""
    rx = ramp_of_dial(band, start_utc_s, end_utc_s, (at_start.rx_hz, at_end.rx_hz))
    tx = ramp_of_dial(tx_band, start_utc_s, end_utc_s, (at_start.tx_hz, at_end.tx_hz))
    stepping = while_transmitting == "step"
    if echo:
        # While keyed, steps of the transmit dial come back as jumps of the echo. A radio too slow
        # for them follows their middle, rather than everything on a coarser grid.
        followed = dial_course(band, echo)
        rates = [rate_of_steps(ramp, end_utc_s, resolution_hz) for ramp in (followed, tx)]
        rounding = all(abs(size_hz) <= 2 * resolution_hz for _, size_hz in followed.jumps())
        if not (stepping and rounding) or sum(rates) <= steps_per_s * resolution_hz:
            rx = followed
    held: dict[DialName, str] = {}
    if transmitting and not stepping:
        held["rx"] = held["tx"] = "held while transmitting"
    for on_air_hz in (at_start.tx_hz, at_end.tx_hz):
        if not band.allows(on_air_hz):
            held["tx"] = _outside("transmit", on_air_hz, band)
    transmits = transmitting or about_to_transmit
    if split:
        moving: dict[DialName, Ramp] = {"rx": rx, "tx": tx}
    else:
        # The one dial follows what the radio does. It is also the frequency on which the radio
        # would transmit if it were keyed now.
        moving = {"rx": tx if transmits else rx}
        ends_s = (start_utc_s, *(jump_utc_s for jump_utc_s, _ in rx.jumps()), end_utc_s)
        for dial_hz in map(rx.at, ends_s):
            on_air_hz = tx_band.on_air_hz(dial_hz)
            if not band.allows(on_air_hz):
                held["rx"] = _outside("receive (the one dial also transmits)", on_air_hz, band)
        if transmits and "tx" in held:
            held["rx"] = held["tx"]
    active = [(which, ramp) for which, ramp in moving.items() if which not in held]
    rates = [rate_of_steps(ramp, end_utc_s, resolution_hz) for _, ramp in active]
    grid_hz = coarsen(rates, resolution_hz, steps_per_s)
    steps: list[Step] = []
    for which, ramp in active:
        can_transmit = which == "tx" or not split
        for instant, dial_hz in crossings(ramp, end_utc_s, grid_hz):
            # Rounding must not carry a transmit dial over the edge that the ideal is inside of.
            if not can_transmit or tx_band.allows(tx_band.on_air_hz(dial_hz)):
                steps.append(Step(instant, which, dial_hz))
    steps.sort()
    one_dial: DialName = "tx" if not split and transmits else "rx"
    return Plan(
        start_utc_s, end_utc_s, rx, tx, split, one_dial, grid_hz, tuple(steps), held, stepping
    )


def _outside(what: str, on_air_hz: float, band: Band) -> str:
    return (
        f"{what} frequency {grouped(on_air_hz)} Hz is outside {grouped(band.tx_low_hz)} to "
        f"{grouped(band.tx_high_hz)} Hz of band {band.name}"
    )
