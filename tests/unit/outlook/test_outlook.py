"""What is to come: windows, moonset and the correction of the coming hour, against the exact
path."""

from copy import deepcopy

import pytest

from moontrim.config.settings import Settings, settings_from
from moontrim.errors import CoverageError
from moontrim.outlook.companion import look_ahead, search
from moontrim.path import Ephemeris, moon_from, solve_path
from moontrim.rehearsal.rehearsal import EMBEDDED, next_window
from moontrim.session.commands import SetTrim
from moontrim.session.session import first_session
from moontrim.tuning.correction import AGREEMENTS

T0 = 1_795_000_000.0
SKED_HZ = 10_368_100_000


def settings(agreement: str = "halves", partner: object = None) -> Settings:
    raw = deepcopy(EMBEDDED) | {"defaults": {"agreement": agreement}}
    if partner:
        raw["partner"] = partner
    return settings_from(raw, "test")


def test_windows_are_those_of_the_moon(ephemeris: Ephemeris) -> None:
    chosen = settings()
    session = first_session(chosen)
    home, partner = chosen.home.site(), session.partner_site(chosen)
    coming = search(ephemeris, chosen, session, T0)
    windows = look_ahead(ephemeris, chosen, session, T0, coming).windows
    assert len(windows) == 4
    for window in windows:
        middle = (window.start_utc_s + window.end_utc_s) / 2
        for site in (home, partner):
            assert site is not None
            assert float(moon_from(ephemeris, site, middle).elevation_deg) > 0.0
        assert 0.0 < window.max_elevation_home_deg < 90.0
        assert window.max_elevation_partner_deg is not None
        assert 0.0 < window.max_elevation_partner_deg < 90.0
        assert window.low_spread_start_utc_s is not None and window.low_spread_end_utc_s is not None
        assert window.start_utc_s <= window.low_spread_start_utc_s < window.low_spread_end_utc_s
        assert window.low_spread_end_utc_s <= window.end_utc_s
        assert window.low_spread_mean_hz is not None and 1.0 < window.low_spread_mean_hz < 500.0
    later = [w for w in windows if w.start_utc_s > T0]
    assert (later[0].start_utc_s, later[0].end_utc_s) == pytest.approx(
        next_window(ephemeris, chosen, T0), abs=1.0
    )
    for at_utc_s, sense in [(t, -1) for t in coming.sets_utc_s] + [
        (t, 1) for t in coming.rises_utc_s
    ]:
        either_side = [
            float(moon_from(ephemeris, home, at_utc_s + dt).elevation_deg) for dt in (-70.0, 70.0)
        ]
        assert (either_side[1] - either_side[0]) * sense > 0.0
        assert min(either_side) < 0.0 < max(either_side)


@pytest.mark.parametrize("agreement", AGREEMENTS)
def test_correction_ahead(ephemeris: Ephemeris, agreement: str) -> None:
    chosen = settings(agreement)
    session = first_session(chosen)
    coming = search(ephemeris, chosen, session, T0)
    ahead = look_ahead(ephemeris, chosen, session, T0, coming)
    assert len(ahead.rx_correction_hz) == len(ahead.tx_correction_hz) == 61
    legs = solve_path(ephemeris, chosen.home.site(), session.partner_site(chosen), T0 + 3600.0).legs
    received_hz = {
        "halves": SKED_HZ * float(legs["moon_to_home"].fraction),
        "receiver": SKED_HZ * float(legs["partner_to_home"].fraction),
        "home": SKED_HZ * float(legs["partner_to_home"].fraction),
    }.get(agreement, 0.0)
    assert ahead.rx_correction_hz[60] == pytest.approx(received_hz, abs=1e-3)
    assert (ahead.tx_correction_hz[0] == 0.0) is (agreement in ("receiver", "partner"))
    trimmed = SetTrim("phone", rx_hz=50.0, tx_hz=-20.0).apply(session, chosen)
    assert look_ahead(ephemeris, chosen, trimmed, T0, coming).rx_correction_hz == pytest.approx(
        ahead.rx_correction_hz, abs=1e-5
    ), "without the trim"


def test_own_echo_has_no_far_end(ephemeris: Ephemeris) -> None:
    chosen = settings(partner="self")
    session = first_session(chosen)
    windows = look_ahead(
        ephemeris, chosen, session, T0, search(ephemeris, chosen, session, T0)
    ).windows
    assert windows and all(window.max_elevation_partner_deg is None for window in windows)


def test_up_to_the_end_of_the_tables_and_no_further(ephemeris: Ephemeris) -> None:
    chosen = settings()
    session = first_session(chosen)
    near = ephemeris.last_utc_s - 1800.0
    ahead = look_ahead(ephemeris, chosen, session, near, search(ephemeris, chosen, session, near))
    assert 25 < len(ahead.rx_correction_hz) < 61
    with pytest.raises(CoverageError):
        search(ephemeris, chosen, session, ephemeris.last_utc_s + 60.0)
