"""The whole forecast: consistency of its parts, what it says when something is missing."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from moontrim.errors import CoverageError
from moontrim.forecast.circumstances import find_moon_events
from moontrim.forecast.compute import coming_windows, forecast
from moontrim.forecast.notes import notes_on
from moontrim.forecast.question import Antenna, End, ForecastQuestion, Gear, Horizon, Signal
from moontrim.forecast.tonight import RankedPeriod, first_of_each, periods_of_a_day
from moontrim.forecast.window import Window
from moontrim.path import Ephemeris, Site, moon_from, solve_path

T0 = 1_750_000_000.0
DAY_S = 86400.0
F_HZ = 10.3681e9
FULL = Gear(50.0, 0.3, Antenna.of_dish(1.8, 0.5, F_HZ), 70.0, 20.0, True)
HOME = End("home", Site(50.0, 10.0, 300.0), Horizon(3.0), FULL)
PARTNER = End("west", Site(40.0, -80.0, 50.0), Horizon(), FULL)
SIGNAL = Signal(25.0, 20.0, -22.0)


def question(days: float = 10.0, **change: object) -> ForecastQuestion:
    base = ForecastQuestion(HOME, PARTNER, F_HZ, T0, T0 + days * DAY_S, None, SIGNAL)
    return replace(base, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize("partner", [PARTNER, None])
def test_series_by_the_exact_path(ephemeris: Ephemeris, partner: End | None) -> None:
    result = forecast(ephemeris, question(3.0, partner=partner))
    assert len(result.windows) >= 3
    (caution,) = notes_on([result])
    # The larger distance is the one to keep; it is never given as a range to stand in.
    match = re.search(
        r"RF exposure: keep the public at least (\d+) m from the antenna, in its beam .*: "
        r"(\d+) m by ICNIRP in free space, (\d+) m by FCC with ground reflection\)\. "
        r"Local rules apply\.",
        caution,
    )
    assert match is not None, caution
    keep_m, icnirp_m, fcc_m = map(int, match.groups())
    assert keep_m == max(icnirp_m, fcc_m) and icnirp_m < fcc_m
    for window in result.windows:
        s = window.series
        exact = solve_path(
            ephemeris, HOME.site, None if partner is None else partner.site, s.utc_s, False
        )
        spread = exact.legs["partner_to_home"].spread_fraction * F_HZ
        assert np.abs(s.spread_hz - spread).max() < 1e-3
        assert np.abs(s.home.elevation_deg - exact.home_look.elevation_deg).max() < 1e-5
        assert np.abs(s.far.distance_km - exact.partner_look.distance_km).max() < 0.01
        assert (s.utc_s[0], s.utc_s[-1]) == (window.start_utc_s, window.end_utc_s)
        assert np.all(s.utc_s[1:-1] % 60.0 == 0.0)
        assert np.all(np.diff(s.utc_s) > 0.0)
        assert np.diff(s.utc_s).max() <= 60.0 + 1e-6
        assert window.home_max_elevation.elevation_deg == pytest.approx(s.home.elevation_deg.max())
        for turn in window.minima + window.maxima:
            assert window.start_utc_s < turn.at_utc_s < window.end_utc_s
        for period in window.low_spread:
            inside = (s.utc_s >= period.start_utc_s) & (s.utc_s <= period.end_utc_s)
            assert s.spread_hz[inside].max() <= np.percentile(s.spread_hz, 25) + 1e-9
        assert s.margin_db is not None and s.penalty_db is not None
        assert s.home.snr_db is not None and s.far.snr_db is not None
        weaker = np.minimum(s.home.snr_db, s.far.snr_db)
        assert s.margin_db == pytest.approx(weaker + 22.0 - s.penalty_db)


def test_everything_of_a_window_is_the_same_in_a_longer_span(ephemeris: Ephemeris) -> None:
    short, long = (forecast(ephemeris, question(days)).windows for days in (3.0, 45.0))
    whole = [w for w in short if w.rise_limited_by and w.set_limited_by]
    assert whole
    for window in whole:
        twin = next(w for w in long if abs(w.start_utc_s - window.start_utc_s) < 0.01)
        assert twin.end_utc_s == pytest.approx(window.end_utc_s, abs=0.01)
        assert [t.spread_hz for t in twin.minima] == pytest.approx(
            [t.spread_hz for t in window.minima], abs=1e-3
        )
        assert twin.series.path_loss_db == pytest.approx(window.series.path_loss_db, abs=1e-5)
        assert twin.remarks == window.remarks


def test_limit_of_spread(ephemeris: Ephemeris) -> None:
    result = forecast(ephemeris, question(30.0, max_spread_hz=40.0)).windows
    good = [period for window in result for period in window.low_spread]
    assert good
    assert all(period.max_hz <= 40.0 for period in good)
    assert any(not window.low_spread for window in result)
    for window in result:
        assert bool(window.low_spread) == bool((window.series.spread_hz <= 40.0).any())


def test_never(ephemeris: Ephemeris) -> None:
    far = End("antipodes", Site(-50.0, -170.0), gear=FULL)
    result = forecast(ephemeris, question(partner=far))
    assert result.windows == ()
    note, _caution = notes_on([result])
    assert "antipodes" in note and "never above the horizon" in note
    at = result.highest_utc_s
    lower = min(
        float(moon_from(ephemeris, HOME.site, at).elevation_deg) - 3.0,
        float(moon_from(ephemeris, far.site, at).elevation_deg),
    )
    assert f"{-lower:.1f}°" in note


def test_what_is_not_known_is_said_and_the_rest_is_there(ephemeris: Ephemeris) -> None:
    bare = replace(PARTNER, gear=Gear(power_w=100.0))
    result = forecast(ephemeris, question(2.0, partner=bare))
    note, _caution = notes_on([result])
    assert "No S/N for west on 10 368.1 MHz: " in note
    assert "antenna and receiver noise not given for west" in note
    series = result.windows[0].series
    assert series.home.snr_db is None and series.far.snr_db is None and series.margin_db is None
    assert series.spread_hz.size and series.home.system_k is not None
    # A deaf partner can still be heard.
    deaf = replace(PARTNER, gear=replace(FULL, receiver_noise_k=None))
    result = forecast(ephemeris, question(2.0, partner=deaf))
    assert "S/N of one direction only" in notes_on([result])[0]
    series = result.windows[0].series
    assert series.far.snr_db is None and series.home.snr_db is not None
    assert series.margin_db is not None
    # Linear at both ends: the turn is told; on a low band Faraday is named, too.
    low = forecast(ephemeris, question(2.0, frequency_hz=432e6))
    assert low.windows[0].remarks[-1].kind == "polarisation"
    alone = forecast(ephemeris, question(2.0, frequency_hz=432e6, partner=None))
    assert all(r.kind != "polarisation" for w in alone.windows for r in w.remarks)
    assert any("Faraday" in note for note in notes_on([low]))
    high = forecast(ephemeris, question(2.0, frequency_hz=77e9))
    assert any("48 GHz" in note for note in notes_on([high]))


def test_beyond_the_tables(ephemeris: Ephemeris) -> None:
    last = ephemeris.last_utc_s
    result = forecast(
        ephemeris, question(from_utc_s=last - 5 * DAY_S, until_utc_s=last + 3650 * DAY_S)
    )
    assert "of the requested span" in notes_on([result])[0]
    assert 4 <= len(result.windows) <= 6
    assert result.until_utc_s < last
    with pytest.raises(CoverageError, match="outside the tables"):
        forecast(ephemeris, question(from_utc_s=last + DAY_S, until_utc_s=last + 2 * DAY_S))
    with pytest.raises(CoverageError):
        forecast(ephemeris, question(from_utc_s=last - 60.0, until_utc_s=last + 2 * DAY_S))
    early = ephemeris.first_utc_s
    result = forecast(ephemeris, question(from_utc_s=early - DAY_S, until_utc_s=early + 4 * DAY_S))
    assert result.from_utc_s >= early and result.windows


def test_progress(ephemeris: Ephemeris) -> None:
    shares: list[float] = []
    forecast(ephemeris, question(40.0), shares.append)
    assert shares == sorted(shares)
    assert shares[0] > 0.0 and shares[-1] == 1.0


def same(one: Window, other: Window) -> bool:
    return (
        abs(one.start_utc_s - other.start_utc_s) < 0.01
        and abs(one.end_utc_s - other.end_utc_s) < 0.01
    )


def test_coming_windows(ephemeris: Ephemeris) -> None:
    """The one under way with its true start, and the next three; none that is over."""
    known = forecast(ephemeris, question(12.0)).windows
    now = 0.5 * (known[3].start_utc_s + known[3].end_utc_s)
    coming = coming_windows(ephemeris, question(1.0), now)
    assert len(coming) == 4
    assert all(same(a, b) for a, b in zip(coming, known[3:7], strict=True))
    between = known[3].end_utc_s + 60.0
    coming = coming_windows(ephemeris, question(1.0), between)
    assert all(same(a, b) for a, b in zip(coming, known[4:8], strict=True))
    assert len(coming_windows(ephemeris, question(1.0), now, count=1)) == 1


def test_coming_windows_that_are_rare_or_at_the_end_of_the_tables(ephemeris: Ephemeris) -> None:
    pole = question(home=End("home", Site(89.5, 0.0)), partner=None)
    coming = coming_windows(ephemeris, pole, T0)
    assert len(coming) == 4
    assert all(window.set_limited_by for window in coming)
    assert coming[-1].end_utc_s - coming[0].end_utc_s > 70 * DAY_S
    assert len(coming_windows(ephemeris, question(), ephemeris.last_utc_s - 2 * DAY_S)) in (1, 2, 3)
    with pytest.raises(CoverageError):
        coming_windows(ephemeris, question(), ephemeris.last_utc_s + 60.0)
    never = question(partner=End("antipodes", Site(-50.0, -170.0)))
    assert coming_windows(ephemeris, never, T0) == ()


def test_several_threads_at_once(ephemeris: Ephemeris) -> None:
    alone = coming_windows(Ephemeris.load(), question(), T0)
    with ThreadPoolExecutor(4) as pool:
        runs = list(pool.map(lambda _: coming_windows(ephemeris, question(), T0), range(8)))
    for run in runs:
        assert [w.start_utc_s for w in run] == [w.start_utc_s for w in alone]
        assert np.array_equal(run[0].series.spread_hz, alone[0].series.spread_hz)


def test_perigee_new_moon_and_the_sun_are_told(ephemeris: Ephemeris) -> None:
    events = find_moon_events(ephemeris, T0, T0 + 30 * DAY_S)
    assert 1 <= len(events.perigees) <= 2 and 1 <= len(events.new_moons_utc_s) <= 2
    new_utc_s, perigee = events.new_moons_utc_s[0], events.perigees[0]
    wide = replace(HOME, horizon=Horizon(), gear=replace(FULL, antenna=Antenna.of_gain(17.0)))
    low = question(home=wide, partner=None, frequency_hz=144e6)

    def kinds_at(utc_s: float) -> set[str]:
        window = coming_windows(ephemeris, low, utc_s, count=1)[0]
        return {remark.kind for remark in window.remarks}

    assert {"new moon", "sun in beam"} <= kinds_at(new_utc_s)
    assert {"new moon", "sun in beam"}.isdisjoint(kinds_at(new_utc_s + 14 * DAY_S))
    assert "perigee" in kinds_at(perigee.at_utc_s)
    assert "perigee" not in kinds_at(perigee.at_utc_s + 10 * DAY_S)


def test_galactic_plane_is_told_when_the_moon_is_there(ephemeris: Ephemeris) -> None:
    result = forecast(ephemeris, question(28.0, partner=None, frequency_hz=144e6))
    centre = 0
    for window in result.windows:
        texts = [r.text for r in window.remarks if r.kind == "galactic plane"]
        near = np.abs(window.series.home.galactic_deg).min() < 6.0
        assert bool(texts) == bool(near)
        centre += any("centre" in text for text in texts)
    assert centre >= 1


def test_whom_to_call_tonight(ephemeris: Ephemeris) -> None:
    """By margin if it is known for all; by spread otherwise; nobody outside the first day."""
    strong = replace(PARTNER, name="strong", gear=replace(FULL, power_w=500.0))
    weak = replace(PARTNER, name="weak", gear=replace(FULL, power_w=1.0))
    unknown = replace(PARTNER, name="unknown", gear=Gear())
    never = End("antipodes", Site(-50.0, -170.0), gear=FULL)
    made = {
        end.name: forecast(ephemeris, question(3.0, partner=end))
        for end in (weak, strong, unknown, never)
    }

    def tonight(*names: str) -> list[RankedPeriod]:
        return first_of_each(one for name in names for one in periods_of_a_day(made[name]))

    choices = tonight("weak", "strong", "antipodes")
    assert [choice.partner for choice in choices] == ["strong", "weak"]
    assert choices[0].margin_db is not None and choices[1].margin_db is not None
    assert choices[0].margin_db > choices[1].margin_db
    by_spread = tonight("weak", "unknown")
    assert {choice.partner for choice in by_spread} == {"weak", "unknown"}
    assert by_spread[0].period.mean_hz <= by_spread[1].period.mean_hz
    for choice in choices:
        assert choice.period.start_utc_s < T0 + DAY_S
    assert tonight("antipodes") == []
