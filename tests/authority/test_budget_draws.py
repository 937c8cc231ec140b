"""The stated 95 % figure against draws of everything that is uncertain, each draw solved by the
exact path and set on a dial in whole steps. The weather of a draw is an atmosphere of its own over
each end, through which the ray is traced.

The path of the draws is that of NAIF's toolkit (spiceypy, DE440), on a sample of them, to 0.0002 Hz
at 10.368 GHz. MOONTRIM_LONG=1 takes more draws, a closer tolerance and every agreement."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from authority import naif
from authority.weather import shares_of_weather
from moontrim.errorbudget.budget import Budget, error_budget
from moontrim.errorbudget.displaced import DisplacedFractions, displaced_fractions, turned
from moontrim.errorbudget.placesurface import M_PER_DEG
from moontrim.errorbudget.uncertainties import PlaceUncertainty, Uncertainties
from moontrim.path import Ephemeris, Site, moon_from, parse_site
from moontrim.tuning.band import Band
from moontrim.tuning.correction import AGREEMENTS, Agreement, Fractions, on_air
from moontrim.tuning.steps import coarsen, nearest
from support.effort import MOST, cases

DRAWS = 20_000 if MOST else 2_000
INSIDE = (0.944, 0.956) if MOST else (0.93, 0.97)
NAIF_DRAWS = 40 if MOST else 6
# Inside both tables' measured part.
START_UTC_S = 1.768e9  # 2026-01-09
DAY_S = 86400.0
C_M_S = 299792458.0


@dataclass(frozen=True)
class Case:
    """elevation_deg: geometric, of the Moon at home. days: after START_UTC_S. largest: the causes
    that may be named largest, on these dials, under the first agreement."""

    home: Site
    partner: Site | None
    sked_hz: float
    uncertainties: Uncertainties
    agreements: tuple[Agreement, ...]
    elevation_deg: float = 30.0
    days: float = 0.0
    troposphere: bool = True
    largest: tuple[str, ...] = ()
    dials: tuple[str, ...] = ("rx", "tx")


GOOD = PlaceUncertainty(5.0, 10.0)
HIGH = PlaceUncertainty(None, 30.0)
EXACT = PlaceUncertainty(0.0, 0.0)
COMMON = Uncertainties(
    HIGH,
    HIGH,
    clock_s=0.02,
    reference_ppb=0.05,
    transverter_hz=0.0,
    dial_resolution_hz=1.0,
)
FIELD = replace(COMMON, home=GOOD, partner=GOOD)
CASES = {
    "two 6-character locators at 10 GHz": Case(
        parse_site("JN88dd", height_m=200.0),
        parse_site("KP20nf", height_m=50.0),
        10_368_100_000.0,
        COMMON,
        ("halves", "home", "receiver"),
        largest=("home position", "partner position"),
    ),
    "a 6-character locator against a good place": Case(
        parse_site("JN88dd", height_m=200.0),
        Site(35.6, 139.7, 40.0),
        10_368_100_000.0,
        replace(COMMON, partner=GOOD),
        ("halves", "transmitter"),
    ),
    "own echo at 1296 MHz": Case(
        parse_site("JO22aa", height_m=10.0), None, 1_296_070_000.0, COMMON, ("home", "halves")
    ),
    "across the ocean at 24 GHz with 8 characters": Case(
        parse_site("IO91aa55", height_m=100.0),
        parse_site("FN20aa33", height_m=100.0),
        24_048_100_000.0,
        COMMON,
        ("home", "halves"),
    ),
    "low Moon at 10 GHz": Case(
        Site(50.0, 10.0, 300.0),
        Site(45.0, 12.0, 300.0),
        10_368_100_000.0,
        replace(FIELD, reference_ppb=0.002, dial_resolution_hz=0.01),
        ("home",),
        elevation_deg=1.0,
        largest=("troposphere",),
    ),
    **{
        f"the Moon at {elevation_deg} degrees, {'alone' if partner is None else 'a pair'}": Case(
            Site(50.0, 10.0, 300.0),
            partner,
            10_368_100_000.0,
            replace(FIELD, reference_ppb=0.002, dial_resolution_hz=0.1),
            ("home", "receiver"),
            elevation_deg=elevation_deg,
            largest=("troposphere",),
            dials=("rx",),
        )
        for elevation_deg in (-0.5, 0.0, 0.5)
        for partner in (None, Site(45.0, 12.0, 300.0))
    },
    "low Moon, no troposphere": Case(
        Site(50.0, 10.0, 300.0),
        None,
        10_368_100_000.0,
        replace(FIELD, reference_ppb=0.002, dial_resolution_hz=0.1),
        ("receiver",),
        elevation_deg=3.0,
        troposphere=False,
        largest=("troposphere",),
        dials=("rx",),
    ),
    "a bad clock at 10 GHz": Case(
        Site(10.0, 20.0, 300.0),
        None,
        10_368_100_000.0,
        replace(FIELD, clock_s=5.0),
        ("home", "halves"),
        elevation_deg=70.0,
        largest=("clock",),
    ),
    "a coarse dial at 432 MHz": Case(
        Site(48.0, 16.0, 200.0),
        Site(40.0, -80.0, 100.0),
        432_070_000.0,
        replace(FIELD, dial_resolution_hz=10.0),
        ("halves", "home", "partner"),
        elevation_deg=20.0,
        largest=("dial resolution",),
    ),
    "a slow radio at 24 GHz": Case(
        Site(20.0, 16.0, 200.0),
        None,
        24_048_100_000.0,
        replace(FIELD, step_interval_s=2.0),
        ("home",),
        elevation_deg=60.0,
        largest=("step rate",),
    ),
    "a dial held through the over": Case(
        Site(48.0, 16.0, 200.0),
        parse_site("JO22aa", height_m=10.0),
        10_368_100_000.0,
        replace(COMMON, home=GOOD, over_s=60.0),
        ("halves", "home"),
        dials=("tx",),
        largest=("held dial",),
    ),
    "a dial held in the middle": Case(
        Site(48.0, 16.0, 200.0),
        parse_site("JO22aa", height_m=10.0),
        10_368_100_000.0,
        replace(COMMON, home=GOOD, over_s=30.0, over_centred=True),
        ("home",),
        dials=("tx",),
    ),
    "4-character locators at 1296 MHz": Case(
        parse_site("JN88"), parse_site("FN20"), 1_296_070_000.0, COMMON, ("halves", "home")
    ),
    "a locator and a place known to 2 km": Case(
        parse_site("JN88dd", height_m=200.0),
        None,
        5_760_100_000.0,
        replace(COMMON, home=PlaceUncertainty(2000.0, 300.0)),
        ("home",),
    ),
    "a transverter of its own": Case(
        Site(48.0, 16.0, 200.0),
        None,
        10_368_100_000.0,
        replace(FIELD, transverter_hz=20.0, reference_ppb=1.0),
        ("halves", "partner"),
        largest=("transverter",),
        dials=("tx",),  # the echo does not show it
    ),
    "own echo by two oscillators": Case(
        Site(48.0, 16.0, 200.0),
        None,
        10_368_100_000.0,
        replace(FIELD, transverter_hz=20.0, reference_ppb=1.0, two_oscillators=True),
        ("home", "receiver"),
        largest=("transverter",),
    ),
    **{
        f"own echo at 10 GHz, {name}": Case(
            parse_site("JN88dd", height_m=200.0),
            None,
            10_368_100_000.0,
            replace(COMMON, clock_s=0.5, **more),
            AGREEMENTS,
            largest=("home position",),
            dials=("rx",),
        )
        for name, more in (
            ("stepped", {}),
            ("held", {"over_s": 60.0}),
            ("a slow radio, stepped", {"step_interval_s": 1.0}),
            ("a slow radio, held", {"step_interval_s": 1.0, "over_s": 60.0}),
        )
    },
    "Earth orientation a year ahead": Case(
        Site(0.0, 16.0, 200.0),
        None,
        47_088_100_000.0,
        replace(FIELD, home=EXACT, reference_ppb=0.0, clock_s=0.0, dial_resolution_hz=0.01),
        ("home",),
        elevation_deg=60.0,
        days=600.0,
        largest=("Earth orientation",),
    ),
    "a disturbed ionosphere at 50 MHz": Case(
        Site(48.0, 16.0, 200.0),
        Site(40.0, -3.0, 600.0),
        50_190_000.0,
        replace(FIELD, dial_resolution_hz=0.1),
        ("halves", "home"),
        largest=("ionosphere",),
    ),
}


def instant(ephemeris: Ephemeris, case: Case) -> float:
    """Within 30 days, when the Moon stands at home as the case asks, and not low at the partner."""
    utc_s = START_UTC_S + case.days * DAY_S + np.arange(0.0, 30.0 * DAY_S, 200.0)
    home_deg = moon_from(ephemeris, case.home, utc_s).geometric_elevation_deg
    off = np.abs(home_deg - case.elevation_deg)
    if case.partner is not None:
        partner_deg = moon_from(ephemeris, case.partner, utc_s).geometric_elevation_deg
        off = np.where(partner_deg > min(5.0, case.elevation_deg), off, np.inf)
    assert np.min(off) < (0.05 if case.elevation_deg < 1.0 else 0.5)
    return float(utc_s[np.argmin(off)])


def places(
    rng: np.random.Generator, site: Site, uncertainty: PlaceUncertainty, count: int
) -> list[Site]:
    """Where the station may truly be: anywhere in its square, and about it by the accuracy."""
    north_m, east_m = rng.normal(0.0, uncertainty.position_uncertainty_m or 0.0, (2, count))
    up_m = rng.normal(0.0, uncertainty.height_uncertainty_m or 0.0, count)
    north = rng.uniform(-1, 1, count) * site.half_height_deg + north_m / M_PER_DEG
    east = rng.uniform(-1, 1, count) * site.half_width_deg
    east += east_m / (M_PER_DEG * np.cos(np.radians(site.latitude_deg)))
    return [
        replace(
            site,
            latitude_deg=site.latitude_deg + float(n),
            longitude_deg=site.longitude_deg + float(e),
            height_m=site.height_m + float(u),
        )
        for n, e, u in zip(north, east, up_m, strict=True)
    ]


@dataclass(frozen=True)
class Truth:
    """How things are in each draw."""

    homes: list[Site]
    partners: list[Site] | None
    clock_s: np.ndarray
    rx: DisplacedFractions
    tx: DisplacedFractions


def truths(
    ephemeris: Ephemeris, case: Case, utc_s: float, rng: np.random.Generator, count: int
) -> Truth:
    uncertainties = case.uncertainties
    turn_s = rng.normal(0.0, ephemeris.earth_orientation(utc_s).uncertainty_s, count)
    homes, partners = (
        None
        if site is None
        else [
            turned(place, float(by_s))
            for place, by_s in zip(places(rng, site, uncertainty, count), turn_s, strict=True)
        ]
        for site, uncertainty in (
            (case.home, uncertainties.home),
            (case.partner, uncertainties.partner),
        )
    )
    assert homes is not None
    clock_s = rng.uniform(-1.0, 1.0, count) * (uncertainties.clock_s or 0.0)
    age_s = (
        rng.uniform(0.0, 1.0, count) * uncertainties.over_s
        - 0.5 * uncertainties.over_s * uncertainties.over_centred
    )

    home_share, partner_share = (
        shares_of_weather(
            rng,
            count,
            site.height_m,
            float(moon_from(ephemeris, site, utc_s).geometric_elevation_deg),
        )
        for site in (case.home, case.partner or case.home)
    )

    def weathered(solved: DisplacedFractions) -> DisplacedFractions:
        """With weather and ionosphere of its own over each end; an echo passes one twice."""
        home = home_share * solved.home_air
        partner = partner_share * solved.partner_air
        # 0.01 TECU/s: research value of 0.19 Hz at 144 MHz there and back.
        lively = 40.308 * 0.01e16 / (C_M_S * case.sked_hz**2)
        home += rng.uniform(-1.0, 1.0, count) * lively
        partner += rng.uniform(-1.0, 1.0, count) * lively
        both = home + (home if partners is None else partner)
        return replace(
            solved,
            home_to_moon=solved.home_to_moon + home,
            moon_to_home=solved.moon_to_home + home,
            partner_to_home=solved.partner_to_home + both,
            home_to_partner=solved.home_to_partner + both,
        )

    rx = displaced_fractions(ephemeris, homes, partners, utc_s, clock_s)
    tx = rx
    if uncertainties.over_s:
        tx = displaced_fractions(ephemeris, homes, partners, utc_s, clock_s + age_s)
    return Truth(homes, partners, clock_s, weathered(rx), weathered(tx))


def errors_hz(
    ephemeris: Ephemeris,
    case: Case,
    agreement: Agreement,
    utc_s: float,
    truth: Truth,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    """True on-air minus ideal frequency of both dials in every draw; of the receive dial on our own
    echo, minus the echo of what was sent."""
    uncertainties, count = case.uncertainties, len(truth.homes)
    partners = None if case.partner is None else [case.partner] * 3
    believed = displaced_fractions(
        ephemeris, [case.home] * 3, partners, utc_s, (0.0, -1.0, 1.0), case.troposphere
    )

    def fractions(solved: DisplacedFractions, at: int) -> Fractions:
        return Fractions(*(float(getattr(solved, leg)[at]) for leg in Fractions._fields))

    echo, held = case.partner is None, uncertainties.over_s > 0.0
    before, after = (
        on_air(agreement, case.sked_hz, fractions(believed, at), own_echo=echo) for at in (1, 2)
    )
    rates = [(after.rx_hz - before.rx_hz) / 2.0, (after.tx_hz - before.tx_hz) / 2.0]
    moves = float(np.diff(believed.partner_to_home[1:])[0]) / 2.0 * case.sked_hz
    # What was sent in steps comes back in jumps, which a slow radio does not follow.
    jumps = abs(moves) + 2.0 * abs(rates[1])
    follows = held or jumps * uncertainties.step_interval_s <= uncertainties.dial_resolution_hz
    if echo and held:
        rates[0] = moves
    # Hundredths of a hertz stand for dials finer than the planner's whole ones.
    scale = 100
    grid = round(uncertainties.dial_resolution_hz * scale)
    if uncertainties.step_interval_s:
        grid = coarsen([rate * scale for rate in rates], grid, 1.0 / uncertainties.step_interval_s)
    ppb = rng.normal(0.0, 1.0, count) * (uncertainties.reference_ppb or 0.0)
    apart_hz = rng.normal(0.0, 1.0, (2, count)) * (uncertainties.transverter_hz or 0.0)
    if not uncertainties.two_oscillators:
        apart_hz[1] = apart_hz[0]
    # Any sked frequency may be meant, so that any part of a step may be left over.
    sked_hz = case.sked_hz + rng.uniform(0.0, 1000.0, count)
    # So does the echo of a whole dial, as time goes on; a trim stands for that.
    trim_hz = rng.uniform(0.0, grid / scale, count)
    offset_hz = int(case.sked_hz) - 144_000_000 if case.sked_hz > 1e9 else 0
    plain = Band("", 0, 10**12, offset_hz)
    off: dict[str, list[float]] = {"rx": [], "tx": []}
    for at in range(count):
        true_rx, true_tx = (
            replace(plain, reference_error_ppb=float(ppb[at]), dial_error_hz=float(hz[at]))
            for hz in apart_hz
        )
        ideal = on_air(agreement, float(sked_hz[at]), fractions(believed, 0))
        rx = on_air(agreement, float(sked_hz[at]), fractions(truth.rx, at)).rx_hz
        tx = on_air(agreement, float(sked_hz[at]), fractions(truth.tx, at)).tx_hz
        set_rx_hz = ideal.rx_hz
        tx_dial_hz = nearest(plain.dial_hz(ideal.tx_hz) * scale, grid) / scale
        if echo:
            sent_hz = plain.on_air_hz(tx_dial_hz) if follows else ideal.tx_hz
            set_rx_hz = sent_hz * (1.0 + fractions(believed, 0).partner_to_home) + trim_hz[at]
            arrives_hz = true_tx.on_air_hz(tx_dial_hz)
            arrives_hz *= 1.0 + fractions(truth.rx, at).partner_to_home
            rx = arrives_hz + trim_hz[at]
        rx_dial_hz = nearest(plain.dial_hz(set_rx_hz) * scale, grid) / scale
        off["rx"].append(true_rx.on_air_hz(rx_dial_hz) - rx)
        off["tx"].append(true_tx.on_air_hz(tx_dial_hz) - tx)
    return {which: np.array(values) for which, values in off.items()}


@pytest.mark.parametrize("name", cases(*CASES, quick=6))
def test_95_percent_of_draws_are_inside(ephemeris: Ephemeris, name: str) -> None:
    """And their root mean square is the stated sigma."""
    case = CASES[name]
    rng = np.random.default_rng(95)
    utc_s = instant(ephemeris, case)
    truth = truths(ephemeris, case, utc_s, rng, DRAWS)
    for agreement in AGREEMENTS if MOST else case.agreements:
        budgets: tuple[Budget, Budget] = error_budget(
            ephemeris,
            case.home,
            case.partner,
            utc_s,
            case.sked_hz,
            agreement,
            case.uncertainties,
            case.troposphere,
        )
        off_hz = errors_hz(ephemeris, case, agreement, utc_s, truth, rng)
        for which, budget in zip(("rx", "tx"), budgets, strict=True):
            assert budget.unknown == ()
            inside = float(np.mean(np.abs(off_hz[which]) <= budget.error_95_hz))
            rms_hz = float(np.sqrt(np.mean(off_hz[which] ** 2)))
            print(
                f"{name}, {agreement} {which}: {inside:.2%} within {budget.error_95_hz:.3f} Hz, "
                f"rms {rms_hz:.3f}, stated {budget.sigma_hz:.3f} Hz, largest: {budget.largest}"
            )
            assert INSIDE[0] <= inside <= INSIDE[1]
            assert rms_hz == pytest.approx(budget.sigma_hz, rel=0.03 if MOST else 0.06)
            if case.largest and agreement == case.agreements[0] and which in case.dials:
                assert budget.largest in case.largest


@pytest.mark.parametrize(
    "name",
    [
        "two 6-character locators at 10 GHz",
        "own echo at 1296 MHz",
        "across the ocean at 24 GHz with 8 characters",
        "4-character locators at 1296 MHz",
        "a bad clock at 10 GHz",
    ],
)
def test_the_path_of_the_draws_is_that_of_naif(ephemeris: Ephemeris, name: str) -> None:
    """What being elsewhere, and later, does to all four solved, in vacuum: 0.0002 Hz at 10.368 GHz
    (the 0.0006 Hz by which the two paths differ is mostly common to both places)."""
    case = CASES[name]
    naif.load_kernels()
    utc_s = instant(ephemeris, case)
    truth = truths(ephemeris, case, utc_s, np.random.default_rng(7), NAIF_DRAWS)
    far = case.home if case.partner is None else case.partner
    homes = [case.home, *truth.homes]
    others = [far, *(truth.partners or truth.homes)]
    late_s = np.concatenate([[0.0], truth.clock_s])
    ours = displaced_fractions(
        ephemeris, homes, None if case.partner is None else others, utc_s, late_s, False
    )
    theirs = []
    for home, other, by_s in zip(homes, others, late_s, strict=True):
        home_km, far_km = (
            naif.itrf_km(site.latitude_deg, site.longitude_deg, site.height_m)
            for site in (home, other)
        )
        sent = naif.fractions(home_km, far_km, utc_s + by_s, arriving=False)
        received = naif.fractions(far_km, home_km, utc_s + by_s, arriving=True)
        theirs.append([sent[0], received[1], received[2], sent[2]])
    off = np.array([getattr(ours, leg) for leg in Fractions._fields]).T - np.array(theirs)
    differences_hz = (off[1:] - off[0]) * 10.368e9
    print(f"{name}: {np.max(np.abs(differences_hz)):.6f} Hz at 10.368 GHz")
    assert np.max(np.abs(differences_hz)) < 2e-4
