"""The printed report: shape, sums, uncertainty, warnings, refusals."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from moontrim.errorbudget.budget import error_budget
from moontrim.errorbudget.contribution import hertz
from moontrim.errorbudget.displaced import EARTH_ANGLE_DEG_PER_S
from moontrim.errorbudget.pathreport import path_report
from moontrim.errorbudget.uncertainties import Uncertainties
from moontrim.errors import CoverageError, InputError
from moontrim.formats import iso_utc
from moontrim.path import LEGS, Ephemeris, Site, parse_site, solve_path

F_HZ = 10.368e9
HOME, PARTNER = parse_site("JN88ee"), Site(40.0, -80.0, 300.0)
MEASURED_UTC_S = 1.75e9
LEG_KEYS = {"delay_s", "doppler_hz", "doppler_rate_hz_per_s", "troposphere_hz", "spread_hz"}
END_KEYS = {
    "latitude_deg",
    "longitude_deg",
    "height_m",
    "azimuth_deg",
    "elevation_deg",
    "geometric_elevation_deg",
    "distance_km",
}


@pytest.mark.parametrize("partner", [None, PARTNER])
def test_shape(ephemeris: Ephemeris, partner: Site | None) -> None:
    report = path_report(ephemeris, HOME, partner, MEASURED_UTC_S, F_HZ)
    again = json.loads(json.dumps(report, allow_nan=False))
    assert again == report
    assert again["at"] == "2025-06-15T15:06:40Z"
    assert again["frequency_hz"] == F_HZ
    assert set(again["home"]) == set(again["partner"]) == END_KEYS
    assert set(again["legs"]) == set(LEGS)
    for name in LEGS:
        assert set(again["legs"][name]) == LEG_KEYS
        leg = solve_path(ephemeris, HOME, partner, MEASURED_UTC_S).legs[name]
        assert again["legs"][name]["doppler_hz"] == float(leg.fraction) * F_HZ
    assert again["warnings"] == []
    assert again["earth_orientation"]["predicted"] is False


def test_without_troposphere(ephemeris: Ephemeris) -> None:
    on = path_report(ephemeris, HOME, PARTNER, MEASURED_UTC_S, F_HZ)["legs"]
    off = path_report(ephemeris, HOME, PARTNER, MEASURED_UTC_S, F_HZ, troposphere=False)["legs"]
    for name in LEGS:
        with_air, vacuum = on[name], off[name]  # type: ignore[index]
        assert vacuum["troposphere_hz"] == 0.0
        assert math.copysign(1.0, vacuum["troposphere_hz"]) == 1.0
        expected = with_air["doppler_hz"] - with_air["troposphere_hz"]
        assert vacuum["doppler_hz"] == pytest.approx(expected, abs=1e-9)


def test_error_budget_is_in_it(ephemeris: Ephemeris) -> None:
    uncertainties = Uncertainties(clock_s=0.5, reference_ppb=0.2)
    for stated, agreement in ((None, "halves"), (uncertainties, "receiver")):
        report = path_report(
            ephemeris, HOME, PARTNER, MEASURED_UTC_S, F_HZ, True, agreement, stated
        )
        rx, tx = error_budget(
            ephemeris, HOME, PARTNER, MEASURED_UTC_S, F_HZ, agreement, stated or Uncertainties()
        )
        assert report["agreement"] == agreement
        assert report["error_budget"] == {"rx": rx.as_json(), "tx": tx.as_json()}
    with pytest.raises(InputError, match="agreement"):
        path_report(ephemeris, HOME, None, MEASURED_UTC_S, F_HZ, True, "both")  # type: ignore[arg-type]


def test_uncertainty_is_what_one_sigma_of_ut1_does(ephemeris: Ephemeris) -> None:
    """Stations carried along by a UT1 error of one sigma, solved again."""
    utc_s = ephemeris.table_last_measured_utc_s + 300 * 86400.0
    rotation = ephemeris.earth_orientation(utc_s)
    report = path_report(ephemeris, HOME, PARTNER, utc_s, F_HZ)
    reported = report["earth_orientation"]["uncertainty_hz"]  # type: ignore[index]
    turn = rotation.uncertainty_s * EARTH_ANGLE_DEG_PER_S
    moved = [replace(s, longitude_deg=s.longitude_deg + turn) for s in (HOME, PARTNER)]
    before = solve_path(ephemeris, HOME, PARTNER, utc_s, False).legs["partner_to_home"].fraction
    after = solve_path(ephemeris, *moved, utc_s, False).legs["partner_to_home"].fraction
    assert reported == pytest.approx(abs(float(after - before)) * F_HZ, rel=1e-2, abs=1e-5)
    assert reported > 0.0


def test_the_predicted_part_warns_and_the_warning_grows(ephemeris: Ephemeris) -> None:
    last = ephemeris.table_last_measured_utc_s
    # 27.3 sidereal days apart the geometry is about the same; the sigma is not.
    reported = []
    for months in (1, 6, 12):
        utc_s = last + months * 27.3217 * 86400.0
        report = path_report(ephemeris, HOME, PARTNER, utc_s, F_HZ)
        (warning,) = report["warnings"]  # type: ignore[misc]
        rotation = report["earth_orientation"]
        assert "predicted" in warning
        assert f"Doppler error {hertz(rotation['uncertainty_hz'])}." in warning  # type: ignore[index]
        reported.append(rotation["uncertainty_s"])  # type: ignore[index]
    assert reported[0] < reported[1] < reported[2]


@pytest.mark.parametrize("frequency_hz", [0.0, -1.0, math.nan, math.inf])
def test_bad_frequency(ephemeris: Ephemeris, frequency_hz: float) -> None:
    with pytest.raises(InputError, match="frequency_hz"):
        path_report(ephemeris, HOME, None, MEASURED_UTC_S, frequency_hz)


def test_outside_the_tables(ephemeris: Ephemeris) -> None:
    with pytest.raises(CoverageError):
        path_report(ephemeris, HOME, None, 5e9, F_HZ)


def test_iso() -> None:
    assert iso_utc(0.0) == "1970-01-01T00:00:00Z"
    assert iso_utc(1.75e9 + 0.25) == "2025-06-15T15:06:40.250000Z"
