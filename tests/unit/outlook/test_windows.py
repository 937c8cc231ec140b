"""The coming windows: what is left of them, their values now, and tonight as curves, against the
exact path and the forecast."""

from copy import deepcopy
from typing import Any

import numpy as np
import pytest

from moontrim.config.settings import Settings, settings_from
from moontrim.forecast.compute import forecast
from moontrim.forecast.good import good_stretches
from moontrim.outlook.companion import Coming, look_ahead, search
from moontrim.outlook.windows import MOST_POINTS
from moontrim.path import Ephemeris, moon_from, solve_path
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.session.session import Session, first_session
from moontrim.state.snapshot import Outlook

T0 = 1_795_000_000.0
DISH: dict[str, Any] = {
    "power_w": 50.0,
    "dish_diameter_m": 3.0,
    "receiver_noise_k": 60.0,
    "feedline_loss_db": 0.2,
}


def settings(equipped: bool = False, partner: object = None, **forecast_band: float) -> Settings:
    raw = deepcopy(EMBEDDED)
    if equipped:
        gear = {"bands": {"10 GHz": DISH}}
        raw |= {"equipment": gear, "partner": "north"}
        raw["partners"] = [{"name": "north", "equipment": gear} | EMBEDDED["partner"]]
    if partner:
        raw["partner"] = partner
    if forecast_band:
        raw["forecast"] = {"bands": {"10 GHz": forecast_band}}
    return settings_from(raw, "test")


class Ahead:
    """The search of one session, and the outlooks by it."""

    def __init__(self, ephemeris: Ephemeris, chosen: Settings) -> None:
        self.ephemeris, self.chosen = ephemeris, chosen
        self.session: Session = first_session(chosen)
        self.coming: Coming = search(ephemeris, chosen, self.session, T0)

    def at(self, utc_s: float) -> Outlook:
        return look_ahead(self.ephemeris, self.chosen, self.session, utc_s, self.coming)


@pytest.fixture(scope="module")
def ahead(ephemeris: Ephemeris) -> Ahead:
    return Ahead(ephemeris, settings())


@pytest.fixture(scope="module")
def equipped(ephemeris: Ephemeris) -> Ahead:
    return Ahead(ephemeris, settings(equipped=True))


def test_the_spread_now_is_that_of_the_exact_path(ahead: Ahead, ephemeris: Ephemeris) -> None:
    window = ahead.coming.windows[0]
    for share in (0.1, 0.5, 0.9):
        utc_s = window.start_utc_s + share * (window.end_utc_s - window.start_utc_s)
        if utc_s < T0:
            continue
        outlook = ahead.at(utc_s)
        legs = solve_path(
            ephemeris,
            ahead.chosen.home.site(),
            ahead.session.partner_site(ahead.chosen),
            utc_s,
        ).legs
        exact_hz = 10_368_100_000 * float(legs["partner_to_home"].spread_fraction)
        # The forecast interpolates between half hours, and here between minutes.
        assert outlook.spread_hz == pytest.approx(exact_hz, abs=0.05)
        assert outlook.half_power_spread_hz is not None
        assert 0.0 < outlook.half_power_spread_hz < outlook.spread_hz
        assert outlook.snr_db is None, "no equipment in the config"


def test_outside_the_windows_there_is_no_spread(ahead: Ahead) -> None:
    first, second = ahead.coming.windows[:2]
    between_utc_s = 0.5 * (first.end_utc_s + second.start_utc_s)
    outlook = ahead.at(between_utc_s)
    assert outlook.spread_hz is outlook.half_power_spread_hz is outlook.snr_db is None
    assert outlook.tonight is not None
    assert outlook.tonight.start_utc_s == second.start_utc_s, "the next one"


def test_the_signal_is_that_of_the_weaker_direction(equipped: Ahead) -> None:
    window = next(w for w in equipped.coming.windows if w.end_utc_s > T0 + 60)
    utc_s = max(window.start_utc_s, T0) + 60.0
    outlook = equipped.at(utc_s)
    ends = [window.series.home.snr_db, window.series.far.snr_db]
    both = [float(np.interp(utc_s, window.series.utc_s, snr)) for snr in ends if snr is not None]
    assert len(both) == 2
    assert outlook.snr_db == pytest.approx(min(both), abs=0.1)


def test_tonight_is_the_window_as_curves(equipped: Ahead, ephemeris: Ephemeris) -> None:
    outlook = equipped.at(T0)
    tonight, window = outlook.tonight, outlook.windows[0]
    assert tonight is not None and tonight.partner_deg is not None and tonight.snr_db is not None
    points = len(tonight.home_deg)
    assert 60 < points <= MOST_POINTS
    assert len(tonight.partner_deg) == len(tonight.spread_hz) == len(tonight.snr_db) == points
    assert tonight.start_utc_s == window.start_utc_s
    last_utc_s = tonight.start_utc_s + tonight.step_s * (points - 1)
    assert last_utc_s == pytest.approx(window.end_utc_s, abs=1e-3)
    home = equipped.chosen.home.site()
    for k in (0, points // 3, points - 1):
        moon = moon_from(ephemeris, home, tonight.start_utc_s + k * tonight.step_s)
        assert tonight.home_deg[k] == pytest.approx(float(moon.elevation_deg), abs=0.02)
    assert min(tonight.home_deg) > -0.1 and min(tonight.partner_deg) > -0.1


def test_tonight_stays_the_same_while_the_window_lasts(equipped: Ahead) -> None:
    """So that it is not published every minute."""
    window = equipped.coming.windows[0]
    middle_utc_s = max(T0, 0.5 * (window.start_utc_s + window.end_utc_s))
    assert equipped.at(middle_utc_s).tonight == equipped.at(middle_utc_s + 300.0).tonight


def test_good_stretches_are_those_of_the_forecast(equipped: Ahead, ephemeris: Ephemeris) -> None:
    curves = equipped.at(T0).tonight
    assert curves is not None
    limit_hz = 1.2 * min(curves.spread_hz)
    chosen = settings(equipped=True, max_spread_hz=limit_hz)
    ahead = Ahead(ephemeris, chosen)
    question = chosen.forecast_tables.question(
        chosen.home.site(), ahead.session.partner_site(chosen), "10 GHz", 10_368_100_000.0, T0
    )
    outlook = ahead.at(T0)
    assert outlook.tonight is not None
    end_utc_s = outlook.windows[0].end_utc_s
    known = good_stretches(forecast(ephemeris, question))
    for stretch in outlook.tonight.good:
        assert stretch.mean_spread_hz <= limit_hz
        if stretch.start_utc_s < T0 + 60.0:
            continue
        match = min(known, key=lambda one: abs(one.period.start_utc_s - stretch.start_utc_s))
        assert match.period.start_utc_s == pytest.approx(stretch.start_utc_s, abs=2.0)
    assert outlook.tonight.good
    later = [one for one in known if one.period.end_utc_s > T0]
    assert later and outlook.next_good_utc_s is not None
    assert outlook.next_good_utc_s <= later[0].period.start_utc_s + 2.0
    assert all(stretch.start_utc_s < end_utc_s for stretch in outlook.tonight.good)


def test_our_own_echo(ephemeris: Ephemeris) -> None:
    tonight = Ahead(ephemeris, settings(partner="self")).at(T0).tonight
    assert tonight is not None and tonight.partner_deg is None and tonight.snr_db is None


def test_the_best_is_never_in_the_past(ahead: Ahead) -> None:
    window = ahead.coming.windows[0]
    started = False
    for utc_s in np.arange(max(T0, window.start_utc_s), window.end_utc_s - 1.0, 300.0).tolist():
        view = ahead.at(utc_s).windows[0]
        if view.low_spread_end_utc_s is None:
            assert all(period.end_utc_s <= utc_s for period in window.low_spread)
            continue
        assert view.low_spread_start_utc_s is not None and view.low_spread_mean_hz is not None
        assert utc_s <= view.low_spread_start_utc_s < view.low_spread_end_utc_s
        started |= view.low_spread_start_utc_s == utc_s
        inside = [
            float(np.interp(t, window.series.utc_s, window.series.spread_hz))
            for t in np.linspace(view.low_spread_start_utc_s, view.low_spread_end_utc_s, 200)
        ]
        assert view.low_spread_mean_hz == pytest.approx(float(np.mean(inside)), rel=0.1)
    assert started, "a period under way was among them"


def test_a_window_that_has_ended_is_gone(ahead: Ahead) -> None:
    first = ahead.coming.windows[0]
    outlook = ahead.at(first.end_utc_s + 1.0)
    assert outlook.windows[0].start_utc_s == ahead.coming.windows[1].start_utc_s
