"""What each second asks of the dials: the same whether it was worked out ahead or not, and mostly
worked out ahead."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from typing import Any
from unittest.mock import patch

import pytest

from moontrim.config.settings import Settings, settings_from
from moontrim.errors import CoverageError
from moontrim.path import Ephemeris, moon_from
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.rig.view import LinkState, LinkView
from moontrim.session.commands import SetAgreement, SetPartner, SetTrim
from moontrim.session.session import first_session
from moontrim.tracking import planning as module
from moontrim.tracking.planning import Planning
from moontrim_drivers.contract import RigState

T0 = 1_795_000_000.0
READY = LinkView(LinkState.READY, "", RigState(1, 2, False), split=True, steps_per_s=5.0)
KEYED = replace(READY, rig=RigState(1, 2, True))
CHANGES = (
    *(SetAgreement("x", agreement) for agreement in ("home", "halves", "partner")),
    SetTrim("x", rx_hz=7.3, tx_hz=-2.2),
    SetPartner("x", "-33.9,151.2,20"),
)


def on_band(mhz: int, **band: Any) -> Settings:
    there = {"sked_hz": mhz * 10**6 + 100_000, "allowed_low_hz": mhz * 10**6}
    there |= {"allowed_high_hz": (mhz + 1) * 10**6, "name": f"{mhz} MHz"}
    return settings_from(EMBEDDED | {"bands": [there | band]}, "test")


@pytest.mark.parametrize("over_s", [60.0, 25.0, 33.3])
@pytest.mark.parametrize("policy", ["hold", "mid_over"])
def test_ahead_is_the_same_as_one_by_one(ephemeris: Ephemeris, policy: str, over_s: float) -> None:
    """Through changes of session and radio, replans at odd instants, and a clock that is set, also
    out of the tables for a while."""
    settings = on_band(432, while_transmitting=policy, over_s=over_s)
    first, chance = first_session(settings), random.Random(5)
    ahead, alone = (Planning(settings, ephemeris, first) for _ in range(2))
    utc_s, session, link = T0, first, READY
    known, away_s, away = 0, 0.0, 0

    def seen(*given: Any, **more: Any) -> Any:
        nonlocal known
        found = foresee(*given, **more)
        known += found is not None
        return found

    foresee = ahead._foresee
    ahead._foresee = seen  # type: ignore[method-assign]
    alone._foresee = lambda *given: None  # type: ignore[method-assign]
    for _ in range(3000):
        if chance.random() < 0.01:
            session = chance.choice(CHANGES).apply(session, settings)
        if chance.random() < 0.02:
            link = chance.choice([READY, READY, KEYED, replace(READY, split=False)])
        if chance.random() < 0.01:
            link = replace(link, steps_per_s=chance.choice([0.1, 0.4, 5.0, 50.0]))
        if chance.random() < 0.003:
            utc_s += chance.choice([-3000.0, -7.0, 7.0, 5000.0])
        if chance.random() < (0.2 if away_s else 0.01):
            away_s = 0.0 if away_s else chance.choice([-3e9, 3e9])
        start_s = utc_s + (0.31 if chance.random() < 0.02 else 0.0)
        about = chance.random() < 0.01
        if away_s:
            for planning in (ahead, alone):
                with pytest.raises(CoverageError):
                    out_s = utc_s + away_s
                    planning.plan(session, link, out_s, out_s + 1.0, about_to_transmit=about)
            away += 1
            continue
        one, other = (
            planning.plan(session, link, start_s, utc_s + 1.0, about_to_transmit=about)
            for planning in (ahead, alone)
        )
        assert one[:2] == other[:2] and one[4:] == other[4:]
        for a, b in zip(one[2:4], other[2:4], strict=True):
            assert a == pytest.approx(b, abs=1e-6)
        utc_s += 1.0
    assert known > 1500 and away > 50


def test_most_seconds_are_worked_out_ahead(ephemeris: Ephemeris) -> None:
    settings = on_band(144)
    session = first_session(settings)
    planning = Planning(settings, ephemeris, session)
    calls: Counter[str] = Counter()

    def counted(name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def counting(*given: Any, **more: Any) -> Any:
            calls[name] += 1
            return call(*given, **more)

        return counting

    with (
        patch.object(module, "plan_stretch", counted("alone", module.plan_stretch)),
        patch.object(module, "calm_seconds", counted("ahead", module.calm_seconds)),
    ):
        for k in range(7200):
            planning.plan(session, READY, T0 + k, T0 + k + 1.0, about_to_transmit=False)
    print(calls)
    assert calls["alone"] < 720 and calls["ahead"] < 30


def test_outside_the_tables_there_is_no_plan(ephemeris: Ephemeris) -> None:
    settings = on_band(144)
    session = first_session(settings)
    planning = Planning(settings, ephemeris, session)
    last = float(int(ephemeris.last_utc_s))
    planning.plan(session, READY, last - 40.0, last - 39.0, about_to_transmit=False)
    planning.plan(session, READY, last - 2.0, last - 1.0, about_to_transmit=False)
    for second in (last + 1.0, last + 100.0, 0.0):
        with pytest.raises(CoverageError):
            planning.plan(session, READY, second, second + 1.0, about_to_transmit=False)


def test_the_moon_of_the_present_partner(ephemeris: Ephemeris) -> None:
    """Shown as of the whole second; partners are not mixed up."""
    settings = on_band(144)
    echo = SetPartner("x", "self").apply(first_session(settings), settings)
    far = SetPartner("x", "-33.9,151.2,20").apply(echo, settings)
    planning = Planning(settings, ephemeris, echo)
    for session in (echo, far, echo):
        planning.plan(session, READY, T0, T0 + 1.0, about_to_transmit=False)
        for utc_s in (T0 + 0.7, T0 + 5000.7, T0 + 3.2):
            moon = planning.moon(utc_s)
            home = moon_from(ephemeris, settings.home.site(), [utc_s])
            assert moon.elevation_deg == pytest.approx(float(home.elevation_deg[0]), abs=0.0045)
            site = session.partner_site(settings)
            if site is None:
                assert moon.partner_elevation_deg is None
            else:
                there = moon_from(ephemeris, site, [utc_s])
                assert moon.partner_elevation_deg == pytest.approx(
                    float(there.elevation_deg[0]), abs=0.0045
                )
