"""The causes by which a dial can be off: the distribution of each, and what to do about it.

For one dial at a time, from the effect of one unit of each error and from the uncertainties.
Sign: ideal on-air frequency minus the one that is set. Causes of place are in `placecauses`.

On our own echo the receive dial is judged by the echo of what was sent. An error of the reference,
or of one transverter for both, moves what is sent and what is received alike, so it does not count
there."""

from __future__ import annotations

import math
from collections.abc import Iterator

from moontrim.errorbudget.contribution import Contribution, duration, hertz
from moontrim.errorbudget.distributions import Distribution, Normal, Uniform
from moontrim.errorbudget.placecauses import height, position
from moontrim.errorbudget.sensitivity import Effects
from moontrim.errorbudget.uncertainties import Uncertainties
from moontrim.path.earthorientation import EarthOrientation


def contributions(
    effect: Effects,
    other: Effects,
    uncertainties: Uncertainties,
    rotation: EarthOrientation,
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
    yield _earth_orientation(effect.ut1_hz_per_s, rotation)
    yield _clock(effect.late_hz_per_s, uncertainties.clock_s)
    follows_sent = echo and not transmit
    shared_hz = 0.0 if follows_sent else effect.on_air_hz
    yield _reference(shared_hz, uncertainties.reference_ppb, echo)
    if uncertainties.transverter_hz != 0.0:
        oscillators = 1
        if follows_sent:
            oscillators = 2 if uncertainties.two_oscillators else 0
        yield _transverter(uncertainties.transverter_hz, oscillators)
    if uncertainties.dial_resolution_hz or uncertainties.step_interval_s:
        yield _steps(effect, other, uncertainties, follows_sent=follows_sent)
    if transmit and uncertainties.over_s:
        yield _held(effect.rate_hz_per_s, uncertainties)
    yield _troposphere(
        effect.home_air_hz + effect.partner_air_hz,
        (effect.home_weather_hz, effect.partner_weather_hz),
        troposphere,
    )
    yield _ionosphere((effect.home_ionosphere_hz, effect.partner_ionosphere_hz))


def _earth_orientation(hz_per_s: float, rotation: EarthOrientation) -> Contribution:
    part = Normal(abs(hz_per_s) * rotation.uncertainty_s)
    known, todo = "measured", "no better figures exist"
    if rotation.predicted:
        known, todo = "predicted", "upgrade the package astropy-iers-data for newer figures"
    return Contribution(
        "Earth orientation",
        (part,),
        f"Earth orientation {known}, UT1 uncertainty {rotation.uncertainty_s:.2g} s (1 sigma) = "
        f"{hertz(part.rms)}; {todo}.",
    )


def _clock(rate_hz_per_s: float, bound_s: float | None) -> Contribution:
    if bound_s is None and rate_hz_per_s != 0.0:
        return Contribution(
            "clock",
            None,
            f"Clock error unknown: every 100 ms costs {hertz(0.1 * rate_hz_per_s)}; synchronise "
            "it.",
        )
    bound_s = bound_s or 0.0
    bound_hz = bound_s * abs(rate_hz_per_s)
    return Contribution(
        "clock",
        (Uniform(-bound_hz, bound_hz),),
        f"Clock error up to {duration(bound_s)} = {hertz(bound_hz)}; synchronise it better.",
    )


def _reference(on_air_hz: float, ppb: float | None, echo: bool) -> Contribution:
    hidden = " (own echoes do not reveal it: both dials share the reference)" if echo else ""
    if ppb is None and on_air_hz:
        return Contribution(
            "reference",
            None,
            f"Reference uncertainty unknown: every 1 ppb costs {hertz(1e-9 * on_air_hz)}{hidden}; "
            "measure it and set reference_uncertainty_ppb.",
        )
    ppb = ppb or 0.0
    part = Normal(ppb * 1e-9 * on_air_hz)
    return Contribution(
        "reference",
        (part,),
        f"Reference uncertainty {ppb:.3g} ppb (1 sigma) = {hertz(part.rms)}{hidden}; measure it "
        "better, or lock it to a better one.",
    )


def _transverter(sigma_hz: float | None, oscillators: int) -> Contribution:
    """oscillators: how many of them, each by itself, put this dial off what it is judged by."""
    if sigma_hz is None and oscillators:
        return Contribution(
            "transverter",
            None,
            "Uncertainty of the transverter oscillator unknown; measure it and set dial_error_hz "
            "and dial_uncertainty_hz (0 if it shares the radio's reference).",
        )
    sigma_hz = sigma_hz or 0.0
    return Contribution(
        "transverter",
        (Normal(sigma_hz),) * oscillators or (Normal(0.0),),
        f"Uncertainty of the transverter oscillator {hertz(sigma_hz)} (1 sigma); measure it "
        "better, or lock it to the reference.",
    )


def _steps(
    effect: Effects, other: Effects, uncertainties: Uncertainties, *, follows_sent: bool
) -> Contribution:
    """Steps at the crossings leave half a step of the grid in use: the dial's own, or the finest
    multiple of it that the radio can follow with both dials (see `tuning.steps.coarsen`).

    The echo of a held frequency moves by the Doppler rate of the whole path, that of a stepped one
    comes in jumps besides. A radio too slow for these follows their middle (see
    `tuning.steps.plan_stretch`), and is off by the rounding of what was sent as well.
    follows_sent: this is the receive dial, on our own echo."""
    resolution_hz, interval_s = uncertainties.dial_resolution_hz, uncertainties.step_interval_s
    held = uncertainties.over_s > 0.0
    moves = [abs(e.late_hz_per_s if held else e.rate_hz_per_s) for e in (effect, other)]
    grid_hz = sum(moves) * interval_s
    if resolution_hz:
        grid_hz = resolution_hz * max(1, math.ceil(grid_hz / resolution_hz))
    part = Uniform(-0.5 * grid_hz, 0.5 * grid_hz)
    jumps_hz_per_s = abs(effect.late_hz_per_s) + 2.0 * abs(other.rate_hz_per_s)
    middle = follows_sent and not held and jumps_hz_per_s * interval_s > resolution_hz
    parts = (part, part) if middle else (part,)
    if grid_hz > resolution_hz:
        return Contribution(
            "step rate",
            parts,
            f"One step every {duration(interval_s)} makes steps of {hertz(grid_hz)}, which leave "
            f"up to {hertz(len(parts) * part.largest)}; allow more steps (max_steps_per_s).",
        )
    return Contribution(
        "dial resolution",
        parts,
        f"Steps of {resolution_hz:g} Hz leave up to {hertz(len(parts) * part.largest)}; only a "
        "finer dial "
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
        f"The transmit dial is held during an over of {duration(uncertainties.over_s)}, "
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
            "Weather changes the tropospheric contribution by "
            f"{hertz(math.hypot(*(part.rms for part in weather)))} (1 sigma); less with the Moon "
            "higher.",
        )
    return Contribution(
        "troposphere",
        (Uniform(whole_hz, whole_hz), *weather),
        f"Computed without the troposphere, an error of {hertz(whole_hz)}; set troposphere to "
        "true.",
    )


def _ionosphere(ends_hz: tuple[float, float]) -> Contribution:
    parts = tuple(Uniform(-abs(hz), abs(hz)) for hz in ends_hz)
    return Contribution(
        "ionosphere",
        parts,
        f"A disturbed ionosphere adds up to {hertz(sum(map(abs, ends_hz)))}, which is not "
        "corrected: take it as the floor.",
    )
