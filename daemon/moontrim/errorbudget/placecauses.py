"""What the uncertainty of the two stations' positions and heights adds to a dial's error."""

from __future__ import annotations

from moontrim.errorbudget.contribution import Contribution, hertz
from moontrim.errorbudget.distributions import Distribution, Normal, Sampled, Uniform
from moontrim.errorbudget.placesurface import Surface
from moontrim.errorbudget.uncertainties import PlaceUncertainty

# Advice on locators: as many characters as keep the cost of the square below this. Chosen: a hertz
# is not noticed on the air.
GOOD_ENOUGH_HZ = 1.0
# By number of characters: the next number, and by how many times the square then shrinks.
FINER = {4: (6, 24.0), 6: (8, 10.0), 8: (10, 24.0), 10: (12, 10.0)}
# An uncertainty that is not stated still counts as known where even an error of this size costs no
# more than HARMLESS_HZ, as with the partner's place when each side corrects its own leg. Chosen:
# the neighbouring town; the largest height of a station.
UNSTATED_PLACE_M = 10_000.0
UNSTATED_HEIGHT_M = 9_000.0
HARMLESS_HZ = 0.01


def position(end: str, surface: Surface, uncertainty: PlaceUncertainty) -> Contribution:
    """Returns what the horizontal uncertainty of `home` or `partner` adds: the locator's square,
    the stated uncertainty, or both."""
    name, slope_hz_per_m = f"{end} position", surface.per_m
    parts: list[Distribution] = []
    advice = ""
    if surface.site.half_height_deg > 0.0:
        parts.append(Sampled(surface.everywhere(), surface.largest))
        advice = _on_locator(end, surface)
    if uncertainty.position_uncertainty_m is not None:
        parts.append(Normal(uncertainty.position_uncertainty_m * slope_hz_per_m))
        if parts[-1].rms >= parts[0].rms:
            advice = (
                f"{end.capitalize()} position uncertainty "
                f"{uncertainty.position_uncertainty_m:.4g} m (1 sigma) = {hertz(parts[-1].rms)}; "
                "measure it better."
            )
    if not parts:
        return _unstated(
            name,
            UNSTATED_PLACE_M * slope_hz_per_m,
            f"{end.capitalize()} position uncertainty unknown: every 100 m means up to "
            f"{hertz(100.0 * slope_hz_per_m)}; set position_uncertainty_m.",
        )
    return Contribution(name, tuple(parts), advice)


def height(end: str, hz_per_m: float, uncertainty: PlaceUncertainty) -> Contribution:
    """Returns what the uncertainty of the height of `home` or `partner` adds."""
    name, sigma_m = f"{end} height", uncertainty.height_uncertainty_m
    if sigma_m is None:
        return _unstated(
            name,
            UNSTATED_HEIGHT_M * abs(hz_per_m),
            f"{end.capitalize()} height uncertainty unknown: every 100 m costs "
            f"{hertz(100.0 * hz_per_m)}; set height_m and height_uncertainty_m.",
        )
    part = Normal(sigma_m * abs(hz_per_m))
    return Contribution(
        name,
        (part,),
        f"{end.capitalize()} height uncertainty {sigma_m:.4g} m (1 sigma) = {hertz(part.rms)}; "
        "measure it better.",
    )


def _on_locator(end: str, surface: Surface) -> str:
    length, cost_hz = len(surface.site.locator or ""), surface.largest
    costs = f"The {length}-character locator of {_whose(end)} alone means up to {hertz(cost_hz)}; "
    if cost_hz <= GOOD_ENOUGH_HZ:
        return costs + "fine enough."
    while cost_hz > GOOD_ENOUGH_HZ and length in FINER:
        length, shrinks = FINER[length]
        cost_hz /= shrinks
    return f"{costs}{'give' if end == 'home' else 'ask for'} {length} or more characters."


def _unstated(name: str, most_hz: float, advice: str) -> Contribution:
    if most_hz <= HARMLESS_HZ:
        return Contribution(name, (Uniform(-most_hz, most_hz),), advice)
    return Contribution(name, None, advice)


def _whose(end: str) -> str:
    return "home" if end == "home" else "the partner"
