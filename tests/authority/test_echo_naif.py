"""The receive dial on our own echo against NAIF's toolkit: a transmitter that is held, and one that
is stepped, and what arrives of it by an independent delay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from authority import naif
from moontrim.config.settings import settings_from
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.rig.view import LinkState, LinkView
from moontrim.session.current import CurrentSession
from moontrim.session.session import first_session
from moontrim.tracking.planning import Planning
from moontrim.tuning.correction import ECHO_AGREEMENTS
from moontrim.tuning.steps import crossings
from moontrim_drivers.contract import RigState

# Measured Earth orientation is in both tables: 2024-05-18T00:00:00Z, an elevation of some degrees.
T0 = 1_716_000_000.0
LINK = LinkView(LinkState.READY, "", split=True, steps_per_s=50.0)
TOLERANCE_HZ = 0.003  # of the legs against the same toolkit: see test_naif


@pytest.mark.parametrize("stepped", [False, True])
@pytest.mark.parametrize("agreement", ECHO_AGREEMENTS)
@pytest.mark.parametrize("ghz", [10, 24])
def test_the_receive_dial_is_where_the_echo_arrives(
    ephemeris: Ephemeris, ghz: int, agreement: str, stepped: bool
) -> None:
    """Held since a minute ago, or stepped up to now, where the agreement has it: the frequency that
    arrives is what was sent, times one minus the slope of the delay as a function of arrival."""
    naif.load_kernels()
    low_hz = {10: 10_368_000_000, 24: 24_048_000_000}[ghz]
    band = EMBEDDED["bands"][0] | {
        "sked_hz": low_hz + 100_000,
        "tx_low_hz": low_hz,
        "tx_high_hz": low_hz + 2_000_000,
        "transverter_offset_hz": low_hz - 144_000_000,
        "while_transmitting": "step" if stepped else "hold",
    }
    raw = EMBEDDED | {"bands": [band], "partner": "self", "troposphere": False}
    settings = settings_from(raw | {"defaults": {"agreement": agreement}}, "test")
    planning = Planning(
        CurrentSession(settings, first_session(settings), lambda session: None), ephemeris
    )
    tx_band = settings.bands[0].tx_band()
    start = planning.plan(LINK, T0 - 6.0, T0 - 5.0, about_to_transmit=False).tx
    end = planning.plan(LINK, T0, T0 + 1.0, about_to_transmit=False).tx
    slope = start._replace(rate_hz_per_s=(end.start_hz - start.start_hz) / 6.0)
    held_hz = round(start.start_hz) + 57  # Doppler of half a minute
    sent = crossings(slope, T0 + 0.5, 1) if stepped else [(T0 - 60.0, held_hz)]
    for utc_s, dial_hz in sent:
        planning.observe(utc_s, replace(LINK, rig=RigState(1, dial_hz, True)))
    keyed = replace(LINK, rig=RigState(1, sent[-1][1], True))
    planned = planning.plan(keyed, T0, T0 + 1.0, about_to_transmit=False)
    site = settings.home.site()
    home_km = naif.itrf_km(site.latitude_deg, site.longitude_deg, site.height_m)
    instants = np.array([at for at, _ in sent])
    compared = 0
    for utc_s in T0 + np.linspace(0.01, 0.99, 15):
        delay_s = sum(naif.delays(home_km, home_km, naif.tdb(utc_s), arriving=True))
        left_s = utc_s - delay_s
        if np.abs(instants - left_s).min() < 1e-3:
            continue  # at a step
        dial_hz = sent[int(np.searchsorted(instants, left_s, side="right")) - 1][1]
        fraction = naif.fractions(home_km, home_km, utc_s, arriving=True)[2]
        arrives_hz = tx_band.on_air_hz(dial_hz) * (1.0 + fraction)
        ours_hz = settings.bands[0].band().on_air_hz(planned.rx.at(utc_s))
        assert ours_hz == pytest.approx(arrives_hz, abs=TOLERANCE_HZ * ghz / 10)
        compared += 1
    assert compared >= 10
