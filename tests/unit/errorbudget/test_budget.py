"""The error budget: causes against outside figures, agreements, and advice. Draws of everything at
once are in tests/authority."""

from __future__ import annotations

import itertools
import json
import math
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from moontrim.errorbudget.budget import Budget, Cause, error_budget
from moontrim.errorbudget.causes import contributions
from moontrim.errorbudget.contribution import duration, hertz
from moontrim.errorbudget.distributions import (
    Uniform,
)
from moontrim.errorbudget.placesurface import Surface
from moontrim.errorbudget.sensitivity import Effects
from moontrim.errorbudget.uncertainties import PlaceUncertainty, Uncertainties
from moontrim.errors import CoverageError, InputError
from moontrim.path import Ephemeris, Site, moon_from, parse_site, solve_path
from moontrim.path.earthorientation import EarthOrientation
from moontrim.path.troposphere import weather_share
from moontrim.tuning.correction import AGREEMENTS, Agreement
from moontrim.tuning.steps import coarsen

F_HZ = 10.368e9
T0 = 1.768e9
HOME, PARTNER = parse_site("JN88dd", height_m=200.0), Site(40.0, -80.0, 300.0)
STATED = Uncertainties(
    PlaceUncertainty(5.0, 10.0),
    PlaceUncertainty(5.0, 10.0),
    clock_s=0.01,
    reference_ppb=0.1,
    transverter_hz=1.0,
    dial_resolution_hz=1.0,
)
UNMEASURED = replace(
    STATED, home=PlaceUncertainty(None, 10.0), partner=PlaceUncertainty(None, 10.0)
)


def budgets(
    ephemeris: Ephemeris,
    home: Site = HOME,
    partner: Site | None = PARTNER,
    agreement: Agreement = "home",
    uncertainties: Uncertainties = STATED,
    *,
    utc_s: float = T0,
    hz: float = F_HZ,
) -> dict[str, Budget]:
    rx, tx = error_budget(ephemeris, home, partner, utc_s, hz, agreement, uncertainties)
    return {"rx": rx, "tx": tx}


def cause(budget: Budget, name: str) -> Cause:
    (listed,) = [one for one in budget.causes if one.name == name]
    return listed


@pytest.mark.parametrize(("hz", "costs_hz"), [(50e6, 0.54), (144e6, 0.19), (432e6, 0.06)])
def test_ionosphere(ephemeris: Ephemeris, hz: float, costs_hz: float) -> None:
    """Research figures for 0.01 TECU/s there and back, from 40.3 m3/s2 (ITU-R P.531)."""
    for budget in budgets(ephemeris, partner=None, hz=hz).values():
        assert cause(budget, "ionosphere").max_hz == pytest.approx(costs_hz, abs=0.005)
    (whole, half) = budgets(ephemeris, partner=None, hz=hz, agreement="halves").values()
    assert cause(whole, "ionosphere").max_hz == pytest.approx(costs_hz, abs=0.005)
    assert cause(half, "ionosphere").max_hz == pytest.approx(costs_hz / 2, abs=0.005)


def test_reference(ephemeris: Ephemeris) -> None:
    """1 ppb is 10.4 Hz at 10.368 GHz, whoever corrects."""
    for agreement in AGREEMENTS:
        uncertainties = replace(STATED, reference_ppb=1.0)
        for budget in budgets(ephemeris, agreement=agreement, uncertainties=uncertainties).values():
            assert cause(budget, "reference").sigma_hz == pytest.approx(10.368, abs=0.001)


def low_moon(ephemeris: Ephemeris, site: Site, elevation_deg: float) -> float:
    utc_s = T0 + np.arange(0.0, 20 * 86400.0, 60.0)
    off = np.abs(moon_from(ephemeris, site, utc_s).elevation_deg - elevation_deg)
    return float(utc_s[np.argmin(off)])


def test_troposphere(ephemeris: Ephemeris) -> None:
    """The weather's share of the air's part of the solved path; all of it, when left out."""
    site = Site(50.0, 10.0, 300.0)
    utc_s = low_moon(ephemeris, site, 2.0)
    sine = math.sin(math.radians(moon_from(ephemeris, site, utc_s).geometric_elevation_deg))
    share = weather_share(sine, 0.3)
    assert 0.04 < share < 0.05
    leg = solve_path(ephemeris, site, None, utc_s).legs["home_to_home"]
    air_hz = abs(float(leg.troposphere_fraction)) * F_HZ
    assert air_hz > 0.5
    uncertainties = replace(STATED, home=PlaceUncertainty(0.0, 0.0))
    (rx, _) = budgets(ephemeris, site, None, uncertainties=uncertainties, utc_s=utc_s).values()
    assert cause(rx, "troposphere").sigma_hz == pytest.approx(share * air_hz, rel=1e-3)
    (rx, _) = error_budget(
        ephemeris, site, None, utc_s, F_HZ, "home", uncertainties, troposphere=False
    )
    left_out = cause(rx, "troposphere")
    assert left_out.sigma_hz == pytest.approx(math.hypot(air_hz, share * air_hz), rel=1e-3)
    assert "set troposphere to true" in left_out.advice


def test_clock_is_its_bound_times_the_rate(ephemeris: Ephemeris) -> None:
    leg = solve_path(ephemeris, HOME, PARTNER, T0).legs["partner_to_home"]
    (rx, _) = budgets(ephemeris, uncertainties=replace(STATED, clock_s=0.12)).values()
    bound_hz = 0.12 * abs(float(leg.fraction_rate_per_s)) * F_HZ
    assert cause(rx, "clock").max_hz == pytest.approx(bound_hz, rel=1e-4)
    assert cause(rx, "clock").sigma_hz == pytest.approx(bound_hz / math.sqrt(3), rel=1e-4)
    assert "120 ms" in cause(rx, "clock").advice
    assert hertz(bound_hz) in cause(rx, "clock").advice


@given(st.floats(-6, 6), st.floats(-6, 6), st.integers(1, 1000), st.floats(0.05, 100))
@settings(max_examples=100, deadline=None)
def test_step_rate_is_the_planners_grid(
    rx_rate: float, tx_rate: float, resolution_hz: int, steps_per_s: float
) -> None:
    steps_needed = (abs(rx_rate) + abs(tx_rate)) / steps_per_s / resolution_hz
    assume(abs(steps_needed - round(steps_needed)) > 1e-9)  # where rounding decides
    nothing = Surface(PARTNER, np.zeros(9))
    rx, tx = (
        Effects(F_HZ, nothing, nothing, 0.0, 0.0, 0.0, rate, rate, *[0.0] * 6)
        for rate in (rx_rate, tx_rate)
    )
    uncertainties = replace(
        STATED, dial_resolution_hz=float(resolution_hz), step_interval_s=1.0 / steps_per_s
    )
    rotation = EarthOrientation(0.0, 0.0, False)
    grid_hz = coarsen([rx_rate, tx_rate], resolution_hz, steps_per_s)
    own = Uniform(-grid_hz / 2, grid_hz / 2)
    # Our own echo of a stepped dial: of the jumps, which a slow radio does not follow, the middle.
    followed = abs(rx_rate) + 2 * abs(tx_rate) <= steps_per_s * resolution_hz
    for echo, held in ((False, False), (False, True), (True, False), (True, True)):
        listed = contributions(
            rx,
            tx,
            replace(uncertainties, over_s=60.0 * held),
            rotation,
            transmit=False,
            echo=echo,
            troposphere=True,
        )
        (steps,) = [one for one in listed if one.name in ("dial resolution", "step rate")]
        assert steps.name == ("dial resolution" if grid_hz == resolution_hz else "step rate")
        assert steps.parts == ((own,) if followed or held or not echo else (own, own))


def test_a_dial_held_while_keyed(ephemeris: Ephemeris) -> None:
    leg = solve_path(ephemeris, HOME, PARTNER, T0).legs["home_to_partner"]
    drift_hz = 60.0 * abs(float(leg.fraction_rate_per_s)) * F_HZ
    start = budgets(ephemeris, uncertainties=replace(STATED, over_s=60.0))
    middle = budgets(ephemeris, uncertainties=replace(STATED, over_s=60.0, over_centred=True))
    assert cause(start["tx"], "held dial").max_hz == pytest.approx(drift_hz, rel=1e-3)
    assert cause(middle["tx"], "held dial").max_hz == pytest.approx(drift_hz / 2, rel=1e-3)
    assert "mid_over" in cause(start["tx"], "held dial").advice
    assert "mid_over" not in cause(middle["tx"], "held dial").advice
    for side in (start, middle):
        assert "held dial" not in {one.name for one in side["rx"].causes}


# --- the agreement ---

PATH_CAUSES = ("home position", "home height", "partner position", "partner height",
    "Earth orientation", "clock", "troposphere", "ionosphere")  # fmt: skip


@pytest.mark.parametrize(
    ("agreement", "rx_corrected", "tx_corrected"),
    [
        ("halves", True, True),
        ("receiver", True, False),
        ("transmitter", False, True),
        ("home", True, True),
        ("partner", False, False),
    ],
)
def test_only_what_we_correct_can_be_wrong(
    ephemeris: Ephemeris, agreement: Agreement, rx_corrected: bool, tx_corrected: bool
) -> None:
    both = budgets(ephemeris, agreement=agreement)
    for which, corrected in (("rx", rx_corrected), ("tx", tx_corrected)):
        for name in PATH_CAUSES:
            sigma_hz = cause(both[which], name).sigma_hz
            assert sigma_hz is not None
            assert (sigma_hz > 0.0) == corrected, (which, name)
        for name in ("reference", "transverter", "dial resolution"):
            assert cause(both[which], name).sigma_hz


def test_with_halves_the_partners_place_hardly_matters(ephemeris: Ephemeris) -> None:
    """It moves only the point where the wave is reflected; for the whole path it counts in full."""
    coarse = parse_site("FN20aa")
    halves = budgets(ephemeris, HOME, coarse, "halves")
    whole = budgets(ephemeris, HOME, coarse, "home")
    for which in ("rx", "tx"):
        partner_hz = cause(halves[which], "partner position").max_hz
        assert partner_hz is not None
        assert 0.0 < partner_hz < 0.01
        assert (cause(whole[which], "partner position").max_hz or 0.0) > 1.0


@pytest.mark.parametrize("agreement", AGREEMENTS)
def test_the_echo_has_the_errors_of_both_legs_and_no_partner(
    ephemeris: Ephemeris, agreement: Agreement
) -> None:
    """Under every agreement: the receiver follows the echo of what was sent. What both dials share
    does not count there."""
    whole = budgets(ephemeris, partner=None, agreement=agreement)["rx"]
    half = budgets(ephemeris, partner=None, agreement="halves")["tx"]
    assert not any("partner" in one.name for one in whole.causes)
    for name in ("home position", "home height", "clock", "Earth orientation", "troposphere"):
        twice, once = cause(whole, name).sigma_hz, cause(half, name).sigma_hz
        assert twice is not None and once is not None
        assert twice == pytest.approx(2 * once, rel=0.01)
    for name in ("reference", "transverter"):
        assert cause(whole, name).sigma_hz == 0.0
        assert cause(half, name).sigma_hz


def test_what_the_echo_does_not_show_need_not_be_known(ephemeris: Ephemeris) -> None:
    """But a transverter's oscillator of transmitting alone is not shared."""
    unknown = replace(STATED, reference_ppb=None, transverter_hz=None)
    both = budgets(ephemeris, partner=None, uncertainties=unknown)
    assert both["rx"].unknown == ()
    assert both["tx"].unknown == ("reference", "transverter")
    two = replace(STATED, transverter_hz=20.0, two_oscillators=True)
    rx = budgets(ephemeris, partner=None, uncertainties=two)["rx"]
    assert cause(rx, "transverter").sigma_hz == pytest.approx(math.sqrt(2) * 20.0)
    unknown = replace(two, transverter_hz=None)
    assert budgets(ephemeris, partner=None, uncertainties=unknown)["rx"].unknown == ("transverter",)


def test_split_segments(ephemeris: Ephemeris) -> None:
    rx, tx = error_budget(ephemeris, HOME, PARTNER, T0, F_HZ, "halves", STATED, tx_sked_hz=2 * F_HZ)
    a, b = (cause(budget, "home position").sigma_hz for budget in (rx, tx))
    assert a is not None and b is not None
    assert b == pytest.approx(2 * a, rel=1e-3)


# --- what is not known, and what it says ---


def test_what_nobody_stated_is_said(ephemeris: Ephemeris) -> None:
    place = Site(48.0, 16.0)
    for which, budget in budgets(ephemeris, place, PARTNER, uncertainties=Uncertainties()).items():
        unknown = ("home position", "home height", "partner position", "partner height", "clock",
            "reference", "transverter")  # fmt: skip
        assert budget.unknown == unknown, which
        for name in unknown:
            one = cause(budget, name)
            assert one.sigma_hz is None and one.max_hz is None and one.shape == "unknown"
            assert "unknown" in one.advice
            assert name in budget.advice
        assert budget.largest and budget.sigma_hz > 0.0
    # Where we correct nothing it does not matter where anybody is.
    (rx, _) = budgets(ephemeris, place, PARTNER, "partner", Uncertainties()).values()
    assert rx.unknown == ("reference", "transverter")
    assert (rx.sigma_hz, rx.error_95_hz, rx.largest) == (0.0, 0.0, "")
    assert rx.advice.startswith("No known cause of error")


@pytest.mark.parametrize(
    ("home", "uncertainties", "agreement", "which", "largest", "says"),
    [
        (HOME, UNMEASURED, "home", "rx", "home position",
         "The 6-character locator of home alone means up to {}; give 8 or more characters."),
        (parse_site("JN88"), UNMEASURED, "halves", "rx", "home position",
         "The 4-character locator of home alone means up to {}; give 8 or more characters."),
        (HOME, replace(STATED, home=PlaceUncertainty(9000.0, 10.0)), "home", "rx", "home position",
         "Home position uncertainty 9000 m (1 sigma) = "),
        (PARTNER, replace(STATED, home=PlaceUncertainty(1.0, 2e4)), "home", "tx", "home height",
         "Home height uncertainty 2e+04 m (1 sigma) = "),
        (PARTNER, replace(STATED, clock_s=50.0), "home", "rx", "clock",
         "Clock error up to 50 s = {}; synchronise it better."),
        (PARTNER, replace(STATED, reference_ppb=50.0), "partner", "tx", "reference",
         "uncertainty 50 ppb (1 sigma) = 518 Hz; measure it better"),
        (PARTNER, replace(STATED, transverter_hz=90.0), "halves", "tx", "transverter",
         "oscillator 90.0 Hz (1 sigma)"),
        (PARTNER, replace(STATED, dial_resolution_hz=100.0), "home", "tx", "dial resolution",
         "Steps of 100 Hz leave up to 50.0 Hz"),
        (PARTNER, replace(STATED, step_interval_s=30.0), "home", "rx", "step rate",
         "One step every 30 s makes steps of"),
        (PARTNER, replace(STATED, over_s=120.0), "home", "tx", "held dial",
         "held during an over of 120 s, which costs up to {}"),
    ],
)  # fmt: skip
def test_advice_names_the_largest_with_its_numbers(
    ephemeris: Ephemeris,
    home: Site,
    uncertainties: Uncertainties,
    agreement: Agreement,
    which: str,
    largest: str,
    says: str,
) -> None:
    budget = budgets(ephemeris, home, Site(30.0, 10.0), agreement, uncertainties)[which]
    assert budget.largest == largest
    size_hz = cause(budget, largest).max_hz
    assert size_hz is not None
    assert says.format(hertz(size_hz)) in budget.advice
    assert cause(budget, largest).sigma_hz == max(one.sigma_hz or 0.0 for one in budget.causes)


def test_the_partner_is_asked_for_more_characters(ephemeris: Ephemeris) -> None:
    uncertainties = replace(UNMEASURED, home=PlaceUncertainty(5.0, 10.0))
    (rx, _) = budgets(ephemeris, PARTNER, parse_site("KP20nf"), "home", uncertainties).values()
    assert "The 6-character locator of the partner alone means up to" in rx.advice
    assert "ask for 8 or more characters." in rx.advice
    finest = parse_site("KP20nf55aa55")
    (fine, _) = budgets(ephemeris, PARTNER, finest, "home", uncertainties).values()
    assert "12-character" in cause(fine, "partner position").advice
    assert "fine enough" in cause(fine, "partner position").advice


def test_the_square_of_each_length(ephemeris: Ephemeris) -> None:
    """A square shrinks by 24, 10, 24 and 10 (IARU locator), and its cost with it."""
    sizes = []
    for length in (4, 6, 8, 10, 12):
        site = parse_site("JN88dd55dd55"[:length])
        (rx, _) = budgets(ephemeris, site, None, uncertainties=UNMEASURED).values()
        sizes.append(cause(rx, "home position").sigma_hz or 0.0)
    ratios = [a / b for a, b in itertools.pairwise(sizes)]
    assert ratios == pytest.approx([24.0, 10.0, 24.0, 10.0], rel=0.12)


def test_sums(ephemeris: Ephemeris) -> None:
    for budget in budgets(ephemeris).values():
        sigmas = [one.sigma_hz for one in budget.causes if one.sigma_hz is not None]
        assert budget.sigma_hz == pytest.approx(math.hypot(*sigmas))
        assert 0.9 * budget.sigma_hz < budget.error_95_hz < 4.5 * budget.sigma_hz
        assert budget.error_95_hz <= sum(one.max_hz or 0.0 for one in budget.causes)
        plain = budget.as_json()
        assert json.loads(json.dumps(plain, allow_nan=False)) == plain
        assert set(plain) == {
            "causes", "sigma_hz", "error_95_hz", "largest", "advice", "unknown",
        }  # fmt: skip


def test_words() -> None:
    assert [hertz(x) for x in (1234.5, -12.34, 0.123, 0.0001)] == [
        "1 234 Hz", "12.3 Hz", "0.12 Hz", "below 0.001 Hz",
    ]  # fmt: skip
    assert [duration(x) for x in (60.0, 0.12, 1.5)] == ["60 s", "120 ms", "1.5 s"]


@pytest.mark.parametrize("value", [-1.0, math.nan, math.inf])
@pytest.mark.parametrize(
    "field", ["clock_s", "reference_ppb", "transverter_hz", "dial_resolution_hz", "over_s"]
)
def test_impossible_uncertainties_are_refused(field: str, value: float) -> None:
    with pytest.raises(InputError, match=field):
        Uncertainties(**{field: value})
    with pytest.raises(InputError, match="position_uncertainty_m"):
        PlaceUncertainty(position_uncertainty_m=value)


def test_impossible_questions_are_refused(ephemeris: Ephemeris) -> None:
    for hz in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(InputError, match="sked_hz"):
            budgets(ephemeris, hz=hz)
    with pytest.raises(InputError, match="agreement"):
        budgets(ephemeris, agreement="both")  # type: ignore[arg-type]
    with pytest.raises(CoverageError):
        budgets(ephemeris, utc_s=5e9)


@pytest.mark.parametrize("home", [Site(90.0, 0.0), Site(-90.0, 0.0), parse_site("AA00aa")])
def test_the_poles(ephemeris: Ephemeris, home: Site) -> None:
    for budget in budgets(ephemeris, home, None).values():
        assert all(math.isfinite(one.sigma_hz or 0.0) for one in budget.causes)
        assert math.isfinite(budget.error_95_hz)


def test_fast_enough_for_once_a_minute(ephemeris: Ephemeris) -> None:
    """50 ms of computing for both dials, whatever else the machine does."""
    coarse = parse_site("FN20aa")
    taken_s = []
    for at in range(6):
        start_s = time.thread_time()
        budgets(ephemeris, HOME, coarse, utc_s=T0 + 60.0 * at)
        taken_s.append(time.thread_time() - start_s)
    assert min(taken_s) < 0.05, taken_s
