"""The daemon's delay model against the exact solution."""

from __future__ import annotations

import math

import numpy as np
import pytest

from moontrim.errors import CoverageError
from moontrim.path import LEGS, DelayModel, Ephemeris, Site, solve_path
from support.processor import unloaded_s

F_HZ = 10.368e9
TOLERANCE_HZ = 1e-4
T0 = 1.75e9


def random_site(rng: np.random.Generator) -> Site:
    latitude = float(np.degrees(np.arcsin(rng.uniform(-1, 1))))
    return Site(latitude, float(rng.uniform(-180, 180)), float(rng.uniform(0, 3000)))


def test_model_is_the_exact_solution(ephemeris: Ephemeris) -> None:
    """60 random pairs and echoes over the whole table, 20 instants of three hours each."""
    rng = np.random.default_rng(6)
    worst_hz = worst_rate = worst_s = worst_deg = 0.0
    for number in range(60):
        home = random_site(rng)
        partner = None if number % 4 == 0 else random_site(rng)
        troposphere = number % 3 != 0
        start = rng.uniform(ephemeris.first_utc_s, ephemeris.last_utc_s - 1e4)
        utc_s = start + np.sort(rng.uniform(0, 10800, 20))
        exact = solve_path(ephemeris, home, partner, utc_s, troposphere)
        model = DelayModel(ephemeris, home, partner, troposphere)
        model.prepare(start, 10800.0)
        for column, t in enumerate(utc_s.tolist()):
            moon = model.moon(t)
            for name in LEGS:
                leg, ours = exact.legs[name], model.leg(name, t)
                for field in ("fraction", "troposphere_fraction"):
                    off = abs(getattr(ours, field) - getattr(leg, field)[column]) * F_HZ
                    worst_hz = max(worst_hz, off)
                off = abs(ours.fraction_rate_per_s - leg.fraction_rate_per_s[column]) * F_HZ
                worst_rate = max(worst_rate, off)
                worst_s = max(worst_s, abs(ours.delay_s - leg.delay_s[column]))
            far = exact.partner_look.elevation_deg[column]
            worst_deg = max(
                worst_deg,
                abs(moon.elevation_deg - exact.home_look.elevation_deg[column]),
                abs(math.remainder(moon.azimuth_deg - exact.home_look.azimuth_deg[column], 360.0))
                * math.cos(math.radians(moon.elevation_deg)),
                abs(moon.partner_elevation_deg - far),
            )
    print(f"{worst_hz:.1e} Hz, {worst_rate:.1e} Hz/s, {worst_s:.1e} s, {worst_deg:.1e} deg")
    assert worst_hz < TOLERANCE_HZ
    assert worst_rate < TOLERANCE_HZ
    assert worst_s < 1e-11
    assert worst_deg < 1e-9


def test_across_the_horizon(ephemeris: Ephemeris) -> None:
    """Through moonrise and moonset at both ends, every 10 s for a day, troposphere on."""
    home, partner = Site(10.0, 20.0, 1500.0), Site(-30.0, 60.0, 2000.0)
    utc_s = T0 + 10.0 * np.arange(8640)
    exact = solve_path(ephemeris, home, partner, utc_s)
    model = DelayModel(ephemeris, home, partner)
    for name in ("home_to_moon", "partner_to_home", "home_to_partner", "home_to_home"):
        ours = np.array([model.leg(name, t).fraction for t in utc_s.tolist()])
        off_hz = np.abs(ours - exact.legs[name].fraction) * F_HZ
        print(name, off_hz.max())
        assert np.max(off_hz) < TOLERANCE_HZ


def test_no_step_between_pieces(ephemeris: Ephemeris) -> None:
    model = DelayModel(ephemeris, Site(48.0, 16.0), Site(40.0, -80.0), troposphere=False)
    for hour in range(1, 30):
        edge = math.floor(T0 / 3600.0) * 3600.0 + 3600.0 * hour
        for name in LEGS:
            before, after = model.leg(name, edge - 1e-3), model.leg(name, edge)
            change = after.fraction - before.fraction - 1e-3 * before.fraction_rate_per_s
            assert abs(change) * F_HZ < 2e-6


def test_leap_second(ephemeris: Ephemeris) -> None:
    home = Site(48.0, 16.0)
    midnight = 1483228800.0
    model = DelayModel(ephemeris, home, None)
    for utc_s in (midnight - 1.5, midnight - 0.5, midnight, midnight + 0.5):
        exact = solve_path(ephemeris, home, None, utc_s).legs["home_to_home"]
        assert (
            abs(model.leg("home_to_home", utc_s).fraction - float(exact.fraction)) * F_HZ
            < TOLERANCE_HZ
        )


def test_memory_is_bounded_and_nothing_is_fitted_twice(
    ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = DelayModel(ephemeris, Site(48.0, 16.0), None)
    fitted: list[int] = []
    fit = model._fit
    monkeypatch.setattr(model, "_fit", lambda key: fitted.append(key) or fit(key))
    for second in range(0, 20000, 50):
        model.prepare(T0 + second)
        model.leg("home_to_home", T0 + second + 1.0)
    hours = (T0 + 19950 + 600) // 3600 - (T0 - 10) // 3600 + 1
    assert len(fitted) == len(set(fitted)) == hours
    assert len(model._pieces) <= 2
    # Asked unprepared, here and there, forwards and back: still bounded.
    for hour in (0, 40, 3, -50, 700, 12, 13, 14, 15, 16, 17):
        model.leg("home_to_home", T0 + 3600.0 * hour)
    assert len(model._pieces) <= 6


def test_outside_the_tables(ephemeris: Ephemeris) -> None:
    model = DelayModel(ephemeris, Site(48.0, 16.0), None)
    for utc_s in (0.0, 5e9, math.nan, math.inf):
        for ask in (model.prepare, model.moon, lambda t: model.leg("home_to_home", t)):
            with pytest.raises(CoverageError):
                ask(utc_s)
    last = ephemeris.last_utc_s
    model.prepare(last - 5.0)
    assert math.isfinite(model.leg("home_to_home", last).fraction)
    with pytest.raises(CoverageError):
        model.leg("home_to_home", last + 1.0)
    first = ephemeris.first_utc_s
    model.prepare(first)
    assert math.isfinite(model.leg("home_to_home", first).fraction)
    with pytest.raises(CoverageError):
        model.leg("home_to_home", first - 1.0)


def test_fast_enough(ephemeris: Ephemeris) -> None:
    """All legs and the Moon: far from the measured 65 microseconds, so that a busy machine passes,
    but a slip back to arrays in the fast path does not."""
    model = DelayModel(ephemeris, Site(48.0, 16.0), Site(40.0, -80.0))
    model.prepare(T0)
    spent = []
    for _ in range(5):
        start = unloaded_s()
        for _ in range(200):
            for name in LEGS:
                model.leg(name, T0)
            model.moon(T0)
        spent.append((unloaded_s() - start) / 200)
    assert min(spent) < 300e-6
