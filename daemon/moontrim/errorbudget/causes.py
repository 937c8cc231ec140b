"""The causes by which a dial can be off: the distribution of each, and what to do about it.

For one dial at a time, from the effect of one unit of each error and from the uncertainties.
Sign: ideal on-air frequency minus the one that is set. Causes of place are in `placecauses`."""

from __future__ import annotations

import math
from collections.abc import Iterator

from moontrim.errorbudget.contribution import Contribution, duration, hertz
from moontrim.errorbudget.distributions import Distribution, Normal, Uniform
from moontrim.errorbudget.placecauses import height, position
from moontrim.errorbudget.sensitivity import Effects
from moontrim.errorbudget.uncertainties import Uncertainties
from moontrim.path.earthrotation import EarthRotation


def contributions(
    effect: Effects,
    other: Effects,
    uncertainties: Uncertainties,
    rotation: EarthRotation,
    *,
    transmit: bool,
    echo: bool,
    troposphere: bool,
) -> Iterator[Contribution]:
    """Yields every cause's contribution to one dial's error.

    effect, other: the effects on this dial and on the other, which shares the radio's steps.
    rotation: for the uncertainty of UT1.
    transmit: whether this is the transmit dial.
    echo: whether the station listens for its own echo, without a partner.
    troposphere: whether it is corrected."""
    yield position("home", effect.home, uncertainties.home)
    yield height("home", effect.home_height_hz_per_m, uncertainties.home)
    if not echo:
        yield position("partner", effect.partner, uncertainties.partner)
        yield height("partner", effect.partner_height_hz_per_m, uncertainties.partner)
    yield _earth_rotation(effect.ut1_hz_per_s, rotation)
    yield _clock(effect.rate_hz_per_s, uncertainties.clock_s)
    yield _reference(effect.on_air_hz, uncertainties.reference_ppb, echo)
    if uncertainties.transverter_hz != 0.0:
        yield _transverter(uncertainties.transverter_hz)
    if uncertainties.dial_resolution_hz or uncertainties.step_interval_s:
        yield _steps(abs(effect.rate_hz_per_s) + abs(other.rate_hz_per_s), uncertainties)
    if transmit and uncertainties.over_s:
        yield _held(effect.rate_hz_per_s, uncertainties)
    yield _troposphere(
        effect.home_air_hz + effect.partner_air_hz,
        (effect.home_weather_hz, effect.partner_weather_hz),
        troposphere,
    )
    yield _ionosphere((effect.home_ionosphere_hz, effect.partner_ionosphere_hz))


def _earth_rotation(hz_per_s: float, rotation: EarthRotation) -> Contribution:
    part = Normal(abs(hz_per_s) * rotation.uncertainty_s)
    known, todo = "measured", "there is nothing better"
    if rotation.predicted:
        known, todo = "predicted", "upgrade the package astropy-iers-data for newer figures"
    return Contribution(
        "Earth rotation",
        (part,),
        f"Earth rotation is {known} to {rotation.uncertainty_s:.2g} s (1 sigma), which is "
        f"{hertz(part.rms)}; {todo}.",
    )


def _clock(rate_hz_per_s: float, bound_s: float | None) -> Contribution:
    if bound_s is None and rate_hz_per_s != 0.0:
        return Contribution(
            "clock",
            None,
            "How wrong the clock may be is not known: every 100 ms costs "
            f"{hertz(0.1 * rate_hz_per_s)}; synchronise it.",
        )
    bound_s = bound_s or 0.0
    bound_hz = bound_s * abs(rate_hz_per_s)
    return Contribution(
        "clock",
        (Uniform(-bound_hz, bound_hz),),
        f"The clock may be wrong by {duration(bound_s)}, which is {hertz(bound_hz)} here; "
        "synchronise it.",
    )


def _reference(on_air_hz: float, ppb: float | None, echo: bool) -> Contribution:
    hidden = " (your own echo does not show it, since both dials hang on it)" if echo else ""
    if ppb is None:
        return Contribution(
            "reference",
            None,
            f"How wrong the frequency reference may be is not known: every 1 ppb costs "
            f"{hertz(1e-9 * on_air_hz)}{hidden}; measure it and state reference_uncertainty_ppb.",
        )
    part = Normal(ppb * 1e-9 * on_air_hz)
    return Contribution(
        "reference",
        (part,),
        f"The frequency reference is uncertain by {ppb:.3g} ppb (1 sigma), which is "
        f"{hertz(part.rms)}{hidden}; measure it better, or lock it to a better one.",
    )


def _transverter(sigma_hz: float | None) -> Contribution:
    if sigma_hz is None:
        return Contribution(
            "transverter",
            None,
            "How wrong the transverter's oscillator may be is not known; measure it and state "
            "dial_error_hz and dial_uncertainty_hz (0 if it hangs on the radio's reference).",
        )
    return Contribution(
        "transverter",
        (Normal(sigma_hz),),
        f"The transverter's oscillator is uncertain by {hertz(sigma_hz)} (1 sigma); measure it "
        "better, or lock it to the reference.",
    )


def _steps(rates_hz_per_s: float, uncertainties: Uncertainties) -> Contribution:
    """Steps at the crossings leave half a step of the grid in use: the dial's own, or the finest
    multiple of it that the radio can follow with both dials (see `tuning.steps.coarsen`)."""
    resolution_hz, interval_s = uncertainties.dial_resolution_hz, uncertainties.step_interval_s
    grid_hz = rates_hz_per_s * interval_s
    if resolution_hz:
        grid_hz = resolution_hz * max(1, math.ceil(grid_hz / resolution_hz))
    part = Uniform(-0.5 * grid_hz, 0.5 * grid_hz)
    if grid_hz > resolution_hz:
        return Contribution(
            "step rate",
            (part,),
            f"One step every {duration(interval_s)} makes steps of {hertz(grid_hz)}, which leave "
            f"up to {hertz(part.largest)}; allow more steps (max_steps_per_s).",
        )
    return Contribution(
        "dial resolution",
        (part,),
        f"Steps of {resolution_hz:g} Hz leave up to {hertz(part.largest)}; only a finer dial "
        "(dial_resolution_hz) does better.",
    )


def _held(rate_hz_per_s: float, uncertainties: Uncertainties) -> Contribution:
    drift_hz = rate_hz_per_s * uncertainties.over_s
    start_hz = -0.5 * drift_hz if uncertainties.over_centred else 0.0
    end_hz = start_hz + drift_hz
    part = Uniform(min(start_hz, end_hz), max(start_hz, end_hz))
    todo = 'while_transmitting = "step" avoids it, on a radio that can'
    if not uncertainties.over_centred:
        todo = 'while_transmitting = "mid_over" halves it, "step" avoids it'
    return Contribution(
        "held dial",
        (part,),
        f"The transmit dial stands still through an over of {duration(uncertainties.over_s)}, "
        f"which costs up to {hertz(part.largest)}; {todo}.",
    )


def _troposphere(whole_hz: float, weather_hz: tuple[float, float], corrected: bool) -> Contribution:
    """The weather of the day at both ends against the standard atmosphere: pressure, water vapour
    and mapping function (see `path.troposphere.weather_share`)."""
    weather: tuple[Distribution, ...] = tuple(Normal(abs(hz)) for hz in weather_hz)
    if corrected:
        return Contribution(
            "troposphere",
            weather,
            "Weather changes the troposphere's part by "
            f"{hertz(math.hypot(*(part.rms for part in weather)))} (1 sigma); it is less with the "
            "Moon higher.",
        )
    return Contribution(
        "troposphere",
        (Uniform(whole_hz, whole_hz), *weather),
        f"The air is left out, which costs {hertz(whole_hz)} here; set troposphere to true.",
    )


def _ionosphere(ends_hz: tuple[float, float]) -> Contribution:
    parts = tuple(Uniform(-abs(hz), abs(hz)) for hz in ends_hz)
    return Contribution(
        "ionosphere",
        parts,
        f"A lively ionosphere moves the path by {hertz(sum(map(abs, ends_hz)))} here, which "
        "nothing corrects: take it as the floor.",
    )
