"""What ought to be on the air, and the plan of each second."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from moontrim.config.settings import Settings, settings_from
from moontrim.config.site import SiteSettings
from moontrim.errors import CoverageError
from moontrim.path import DelayModel, Ephemeris, moon_from, solve_path
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.rig.view import LinkState, LinkView
from moontrim.session.commands import SetAgreement, SetPartner, SetTrim
from moontrim.session.current import CurrentSession
from moontrim.session.session import Session, first_session
from moontrim.tracking.planning import Planning
from moontrim.tuning.correction import AGREEMENTS, Agreement, fractions_of, on_air
from moontrim_drivers.contract import RigState

T0 = 1_795_000_000.0
SETTINGS = settings_from(EMBEDDED, "embedded")
READY = LinkView(LinkState.READY, "", RigState(1, 2, False), split=True, steps_per_s=5.0)
KEYED = replace(READY, rig=RigState(1, 2, True))
CHANGES = (
    *(SetAgreement("x", agreement) for agreement in ("home", "halves", "partner")),
    SetTrim("x", rx_hz=7.3, tx_hz=-2.2),
    SetPartner("x", "-33.9,151.2,20"),
)


class Bench:
    """A planning, and the session in force that it plans for."""

    def __init__(self, settings: Settings, ephemeris: Ephemeris, session: Session) -> None:
        self.current = CurrentSession(settings, session, lambda session: None)
        self._planning = Planning(self.current, ephemeris)

    def of(self, session: Session) -> Planning:
        if session is not self.current.session:
            self.current.change(session)
        return self._planning


def on_band(mhz: int, **band: Any) -> Settings:
    there = {"sked_hz": mhz * 10**6 + 100_000, "tx_low_hz": mhz * 10**6}
    there |= {"tx_high_hz": (mhz + 1) * 10**6, "name": f"{mhz} MHz"}
    return settings_from(EMBEDDED | {"bands": [there | band]}, "test")


@pytest.mark.parametrize("over_s", [60.0, 33.3])
@pytest.mark.parametrize("policy", ["hold", "mid_over"])
def test_a_plan_does_not_depend_on_what_was_planned_before(
    ephemeris: Ephemeris, policy: str, over_s: float
) -> None:
    """Through changes of session and radio, replans at odd instants, and a clock that is set, also
    out of the tables for a while: the same as by a planning that has just been made."""
    settings = on_band(432, while_transmitting=policy, over_s=over_s)
    first, chance = first_session(settings), random.Random(5)
    old = Bench(settings, ephemeris, first)
    utc_s, session, link = T0, first, READY
    away_s, away, steps = 0.0, 0, 0
    for _ in range(400):
        if chance.random() < 0.1:
            session = chance.choice(CHANGES).apply(session, settings)
        if chance.random() < 0.1:
            link = chance.choice([READY, READY, KEYED, replace(READY, split=False)])
        if chance.random() < 0.1:
            link = replace(link, steps_per_s=chance.choice([0.1, 0.4, 5.0, 50.0]))
        if chance.random() < 0.03:
            utc_s += chance.choice([-3000.0, -7.0, 7.0, 5000.0])
        if chance.random() < (0.2 if away_s else 0.05):
            away_s = 0.0 if away_s else chance.choice([-3e9, 3e9])
        start_s = utc_s + (0.31 if chance.random() < 0.2 else 0.0)
        about = chance.random() < 0.1
        new = Bench(settings, ephemeris, session)
        if away_s:
            for planning in (old, new):
                with pytest.raises(CoverageError):
                    out_s = utc_s + away_s
                    planning.of(session).plan(link, out_s, out_s + 1.0, about_to_transmit=about)
            away += 1
            continue
        one, other = (
            planning.of(session).plan(link, start_s, utc_s + 1.0, about_to_transmit=about)
            for planning in (old, new)
        )
        assert one == other
        steps += len(one.steps)
        utc_s += 1.0
    assert steps > 200 and away > 30


@pytest.mark.parametrize("agreement", AGREEMENTS)
def test_ideal_is_by_the_exact_path(ephemeris: Ephemeris, agreement: Agreement) -> None:
    """Each agreement, with trims, across the end of an hour."""
    settings = SETTINGS
    session = SetAgreement("x", agreement).apply(first_session(settings), settings)
    session = SetPartner("x", "-33.9,151.2,20").apply(session, settings)
    session = SetTrim("x", rx_hz=250.0, tx_hz=-31.5).apply(session, settings)
    planning = Bench(settings, ephemeris, session)
    home, partner = settings.home.site(), session.partner_site(settings)
    model = DelayModel(ephemeris, home, partner)
    sked_hz = session.band_choices(settings).sked_hz
    utc_s = T0 - T0 % 3600.0 + 3600.0 - 150.0 + np.arange(300.0)
    exact = solve_path(ephemeris, home, partner, utc_s, settings.troposphere)
    for k, now_s in enumerate(utc_s.tolist()):
        ideal = planning.of(session).ideal(now_s)
        by_path = fractions_of(lambda leg: float(exact.legs[leg].fraction[k]))  # noqa: B023
        right = on_air(agreement, sked_hz, by_path, 250.0, -31.5)
        assert ideal == pytest.approx(right, abs=1e-4), "what the model may be off"
        by_model = fractions_of(lambda leg: model.leg(leg, now_s).fraction)  # noqa: B023
        right = on_air(agreement, sked_hz, by_model, 250.0, -31.5)
        assert ideal == pytest.approx(right, abs=2e-6), "a hundredth of that"
        assert planning.of(session).sked_hz_for_received(ideal.rx_hz, now_s) == pytest.approx(
            sked_hz, abs=1e-5
        )


def test_a_trim_counts_at_once(ephemeris: Ephemeris) -> None:
    settings = SETTINGS
    session = first_session(settings)
    planning = Bench(settings, ephemeris, session)
    before = planning.of(session).ideal(T0 + 1)
    trimmed = SetTrim("x", rx_hz=100.0).apply(session, settings)
    after = planning.of(trimmed).ideal(T0 + 1)
    assert after.rx_hz == pytest.approx(before.rx_hz + 100.0, abs=1e-6)
    assert planning.of(session).ideal(T0 + 1) == before


@pytest.mark.parametrize("ask", ["ideal", "plan", "sked_hz_for_received", "moon"])
def test_another_partner_whoever_asks_first(ephemeris: Ephemeris, ask: str) -> None:
    """A dial turned in the same moment as the partner was changed is followed by the new path."""
    settings = SETTINGS
    session = first_session(settings)
    other = SetPartner("x", "-33.9,151.2,20").apply(session, settings)

    def answer(planning: Bench, session: Session) -> object:
        match ask:
            case "ideal":
                return planning.of(session).ideal(T0 + 0.4)
            case "plan":
                return planning.of(session).plan(READY, T0, T0 + 1.0, about_to_transmit=False)
            case "moon":
                return planning.of(session).moon(T0)
            case _:
                return planning.of(session).sked_hz_for_received(10_368_100_000.0, T0)

    turned = Bench(settings, ephemeris, session)
    assert answer(turned, session) != answer(turned, other)
    assert answer(turned, session) == answer(Bench(settings, ephemeris, session), session)
    assert answer(turned, other) == answer(Bench(settings, ephemeris, other), other)


def test_outside_the_tables_nothing_is_ideal(ephemeris: Ephemeris) -> None:
    settings = SETTINGS
    session = first_session(settings)
    planning = Bench(settings, ephemeris, session)
    last = ephemeris.last_utc_s
    assert planning.of(session).ideal(last - 3.5).rx_hz > 0.0
    assert planning.of(session).ideal(last).rx_hz > 0.0
    with pytest.raises(CoverageError):
        planning.of(session).ideal(last + 0.5)


def test_outside_the_tables_there_is_no_plan(ephemeris: Ephemeris) -> None:
    settings = on_band(144)
    session = first_session(settings)
    planning = Bench(settings, ephemeris, session)
    last = float(int(ephemeris.last_utc_s))
    planning.of(session).plan(READY, last - 40.0, last - 39.0, about_to_transmit=False)
    planning.of(session).plan(READY, last - 2.0, last - 1.0, about_to_transmit=False)
    for second in (last + 1.0, last + 100.0, 0.0):
        with pytest.raises(CoverageError):
            planning.of(session).plan(READY, second, second + 1.0, about_to_transmit=False)


def test_the_moon_of_the_present_partner(ephemeris: Ephemeris) -> None:
    """Shown as of the whole second, with refraction; partners are not mixed up."""
    settings = on_band(144)
    echo = SetPartner("x", "self").apply(first_session(settings), settings)
    far = SetPartner("x", "-33.9,151.2,20").apply(echo, settings)
    planning = Bench(settings, ephemeris, echo)
    for session in (echo, far, echo):
        planning.of(session).plan(READY, T0, T0 + 1.0, about_to_transmit=False)
        for utc_s in (T0 + 0.7, T0 + 5000.7, T0 + 3.2):
            moon = planning.of(session).moon(utc_s)
            home = moon_from(ephemeris, settings.home.site(), [int(utc_s)])
            assert moon.elevation_deg == pytest.approx(float(home.elevation_deg[0]), abs=1e-6)
            assert moon.elevation_deg > float(home.geometric_elevation_deg[0])
            site = session.partner_site(settings)
            if site is None:
                assert moon.partner_elevation_deg is None
            else:
                there = moon_from(ephemeris, site, [int(utc_s)])
                assert moon.partner_elevation_deg == pytest.approx(
                    float(there.elevation_deg[0]), abs=1e-6
                )


def test_a_home_that_moves_is_planned_for_at_once(ephemeris: Ephemeris) -> None:
    settings = SETTINGS
    session = first_session(settings)
    elsewhere = SiteSettings(latitude_deg=-35.5, longitude_deg=150.0)
    bench = Bench(settings, ephemeris, session)
    before = bench.of(session).ideal(T0)
    bench.current.move_home(elsewhere)
    after = bench.of(session).ideal(T0)
    assert abs(after.rx_hz - before.rx_hz) > 100.0
    moved = settings.model_copy(update={"home": elsewhere})
    assert after == Bench(moved, ephemeris, session).of(session).ideal(T0)
    assert bench.current.settings == moved
