"""One instant of a path as plain numbers in Hz, in the shape that `moontrim path --json` prints."""

from __future__ import annotations

import math
from typing import Any

from moontrim.errorbudget.budget import error_budget
from moontrim.errorbudget.contribution import hertz
from moontrim.errorbudget.displaced import turned
from moontrim.errorbudget.uncertainties import Uncertainties
from moontrim.errors import InputError
from moontrim.formats import iso_utc
from moontrim.path.ephemeris import Ephemeris
from moontrim.path.exact import LEGS, Leg, solve_path
from moontrim.path.moondirection import Look
from moontrim.path.site import Site
from moontrim.tuning.correction import Agreement

# The effect of a UT1 error is linear to 1e-5 over this: large against rounding.
UT1_PROBE_S = 0.1


def ut1_sensitivity(
    ephemeris: Ephemeris, home: Site, partner: Site | None, utc_s: float
) -> dict[str, float]:
    """Returns, for each leg, the change of the vacuum fraction per second of UT1 error, from
    solving the path again with both stations displaced by the Earth's extra rotation. Raises
    CoverageError."""
    late, early = (
        solve_path(
            ephemeris,
            turned(home, by_s),
            None if partner is None else turned(partner, by_s),
            utc_s,
            troposphere=False,
        )
        for by_s in (UT1_PROBE_S, -UT1_PROBE_S)
    )
    return {
        name: float(late.legs[name].fraction - early.legs[name].fraction) / (2.0 * UT1_PROBE_S)
        for name in LEGS
    }


def path_report(
    ephemeris: Ephemeris,
    home: Site,
    partner: Site | None,
    utc_s: float,
    frequency_hz: float,
    troposphere: bool = True,
    agreement: Agreement = "halves",
    uncertainties: Uncertainties | None = None,
) -> dict[str, Any]:
    """Returns the path at POSIX seconds utc_s as a dict of numbers and strings, ready for JSON.

    Keys: at (ISO 8601 UTC), frequency_hz, home and partner (place and look of the Moon's centre:
    elevation_deg is apparent, with refraction, geometric_elevation_deg without), legs (delay_s,
    doppler_hz, doppler_rate_hz_per_s, troposphere_hz, spread_hz limb to limb; doppler_hz includes
    troposphere_hz), earth_orientation (with uncertainty_hz: how far one sigma of UT1 moves that of
    partner_to_home), agreement, error_budget (rx and tx: see `budget.Budget`; uncertainties None:
    nothing is stated) and warnings (sentences). Raises InputError for a frequency that is not
    positive and finite and for an unknown agreement, CoverageError outside the tables."""
    if not (math.isfinite(frequency_hz) and frequency_hz > 0.0):
        raise InputError("frequency_hz", frequency_hz, "a positive number of Hz")
    solution = solve_path(ephemeris, home, partner, utc_s, troposphere)
    rotation = ephemeris.earth_orientation(utc_s)
    sensitivity = ut1_sensitivity(ephemeris, home, partner, utc_s)
    uncertainty_hz = abs(sensitivity["partner_to_home"]) * rotation.uncertainty_s * frequency_hz
    warnings = []
    if rotation.predicted:
        warnings.append(
            "Earth orientation predicted, not measured: UT1 uncertainty "
            f"{rotation.uncertainty_s:.4f} s (1 sigma), Doppler error {hertz(uncertainty_hz)}."
        )
    far = home if partner is None else partner
    rx, tx = error_budget(
        ephemeris,
        home,
        partner,
        utc_s,
        frequency_hz,
        agreement,
        uncertainties or Uncertainties(),
        troposphere,
    )
    return {
        "at": iso_utc(utc_s),
        "frequency_hz": float(frequency_hz),
        "home": _place(home, solution.home_look),
        "partner": _place(far, solution.partner_look),
        "legs": {name: _leg(solution.legs[name], frequency_hz) for name in LEGS},
        "earth_orientation": {
            "ut1_minus_utc_s": rotation.ut1_minus_utc_s,
            "uncertainty_s": rotation.uncertainty_s,
            "uncertainty_hz": uncertainty_hz,
            "predicted": rotation.predicted,
        },
        "agreement": agreement,
        "error_budget": {"rx": rx.as_json(), "tx": tx.as_json()},
        "warnings": warnings,
    }


def _place(site: Site, look: Look) -> dict[str, float]:
    return {
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "height_m": site.height_m,
        "azimuth_deg": float(look.azimuth_deg),
        "elevation_deg": float(look.elevation_deg),
        "geometric_elevation_deg": float(look.geometric_elevation_deg),
        "distance_km": float(look.distance_km),
    }


def _leg(leg: Leg, frequency_hz: float) -> dict[str, float]:
    # + 0.0 turns a negative zero, which JSON would print, into zero.
    return {
        "delay_s": float(leg.delay_s),
        "doppler_hz": float(leg.fraction) * frequency_hz,
        "doppler_rate_hz_per_s": float(leg.fraction_rate_per_s) * frequency_hz,
        "troposphere_hz": float(leg.troposphere_fraction) * frequency_hz + 0.0,
        "spread_hz": float(leg.spread_fraction) * frequency_hz,
    }
