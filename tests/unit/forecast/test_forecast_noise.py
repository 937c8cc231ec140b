"""Sky, Moon, Sun, air, feed and receiver: printed values, closed forms, a link worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from moontrim.forecast.course import MoonFromEnd
from moontrim.forecast.question import Antenna, Gear
from moontrim.forecast.signal import in_bandwidth_db, missing, noise_at, snr_db
from moontrim.forecast.sky.galaxy import moon_disk_k, moon_share, sky_k, survey_k
from moontrim.forecast.sky.gases import air_mass, gas_attenuation_db, through_atmosphere_k
from moontrim.forecast.sky.sun import quiet_flux_sfu, sun_direction, sun_noise_k

LONGITUDES = np.arange(0.0, 360.0, 10.0)
ZERO = np.zeros_like(LONGITUDES)
T0 = 1_750_000_000.0


@pytest.mark.parametrize(
    ("mhz", "beam_deg", "least_k", "median_k", "most_k"),
    [
        (50, 15.0, 2680, 4830, 40000),
        (144, 15.0, 183, 328, 2710),
        (432, 15.0, 13.7, 22.5, 167),
        (1296, 10.0, 3.4, 3.9, 15.3),
    ],
)
def test_sky_along_the_ecliptic(
    mhz: float, beam_deg: float, least_k: float, median_k: float, most_k: float
) -> None:
    """Computed once from the unrounded map of Haslam et al. 1982; our table is in whole kelvin, 15
    K at the least, which is 4 %."""
    values = sky_k(mhz * 1e6, LONGITUDES, ZERO, beam_deg)
    assert values.min() == pytest.approx(least_k, rel=0.04)
    assert np.argmin(values) == 14
    assert np.median(values) == pytest.approx(median_k, rel=0.03)
    assert values.max() == pytest.approx(most_k, rel=0.02)
    assert np.argmax(values) == 27


def test_survey_between_its_points() -> None:
    one = survey_k(np.array([0.0, 355.0, 365.0, 0.0, 0.0, 0.0]), np.array([0, 0, 0, 2.5, 9, -9]), 5)
    assert one == pytest.approx([19.0, 20.0, 20.0, 19.5, 20.0, 19.0])
    peak = [float(survey_k(np.array(270.0), np.array(0.0), beam)) for beam in (1, 10, 12.5, 15, 30)]
    assert peak == pytest.approx([242.0, 242.0, 217.5, 193.0, 193.0])


@pytest.mark.parametrize(
    ("mhz", "mean_k", "swing_k"),
    [(432, 225, 5), (1296, 226, 5), (2304, 221, 6), (5760, 213, 9), (10368, 210, 14)],
)
def test_the_moon_itself(mhz: float, mean_k: float, swing_k: float) -> None:
    """RATAN-600 observers' handbook: mean and swing; warmest an eighth of a month after full."""
    elongation = np.arange(0.0, 360.0, 1.0)
    disk = moon_disk_k(mhz * 1e6, elongation)
    assert disk.mean() == pytest.approx(mean_k, abs=1.0)
    assert np.ptp(disk) / 2.0 == pytest.approx(swing_k, abs=1.0)
    assert elongation[np.argmax(disk)] == 225.0


@pytest.mark.parametrize(
    ("beam_deg", "share"), [(1.0, 0.17), (1.7, 0.06), (3.0, 0.02), (6.0, 0.005), (15.0, 0.001)]
)
def test_share_of_the_beam(beam_deg: float, share: float) -> None:
    sight = np.array([[384400.0], [0.0], [0.0]])
    assert moon_share(sight, beam_deg)[0] == pytest.approx(share, abs=0.006)


def test_sun_flux_goes_through_its_table() -> None:
    assert quiet_flux_sfu(1415e6) == pytest.approx(50.0)
    assert 50.0 < quiet_flux_sfu(2e9) < 70.0
    assert quiet_flux_sfu(144e6) < 10.0
    assert quiet_flux_sfu(24e9) > 500.0


def test_sun_in_the_beam() -> None:
    """70 SFU at 2800 MHz and 40 dBi: 7e-21 x 0.1071^2 x 1e4 / (8 pi k) = 2313 K, less 2.7 % (beam
    1.9 degrees); half of it half a beam width off."""
    on, off = sun_noise_k(2.8e9, 40.0, 1.9, np.array([0.0, 0.95]))
    plain = 70e-22 * (299792458.0 / 2.8e9) ** 2 * 1e4 / (8 * math.pi * 1.380649e-23)
    assert plain == pytest.approx(2313.0, abs=2.0)
    assert on == pytest.approx(plain * 0.9731, rel=1e-3)
    assert off == pytest.approx(on / 2.0)
    # A beam much narrower than the disk cannot see more than the disk's own brightness.
    brightness = [float(sun_noise_k(2.8e9, g, Antenna.of_gain(g).beam_deg, np.array(0.0))) for g in
                  (60.0, 70.0)]  # fmt: skip
    assert brightness[1] == pytest.approx(brightness[0], rel=0.01)


# Line-by-line ITU-R P.676 through the package itur 0.4.0, at 5, 10, 30 and 90 degrees, dB.
P676 = (
    (50, 0.0122, 0.0068, 0.0025, 0.0012),
    (144, 0.063, 0.0343, 0.0123, 0.0062),
    (432, 0.2175, 0.1158, 0.041, 0.0206),
    (1296, 0.3575, 0.1884, 0.0665, 0.0333),
    (2304, 0.387, 0.2036, 0.0719, 0.036),
    (3400, 0.4031, 0.212, 0.0748, 0.0375),
    (5760, 0.4404, 0.2312, 0.0815, 0.0408),
    (10368, 0.5729, 0.2996, 0.1055, 0.0528),
    (24048, 4.4248, 2.2804, 0.7988, 0.3998),
    (47088, 9.6652, 5.0577, 1.7815, 0.8921),
)


@pytest.mark.parametrize("row", P676)
def test_air(row: tuple[float, ...]) -> None:
    ours = gas_attenuation_db(row[0] * 1e6, np.array([5.0, 10.0, 30.0, 90.0]))
    assert ours == pytest.approx(row[1:], rel=0.08, abs=0.001)


def test_air_at_the_horizon_and_beyond_its_table() -> None:
    mass = air_mass(np.array([90.0, 0.0, -3.0]))
    assert mass[0] == pytest.approx(1.0, abs=1e-3)
    assert 40.0 < mass[1] == mass[2] < 50.0
    assert gas_attenuation_db(77e9, np.array([5.0])) == 0.0


def test_noise_through_air() -> None:
    """0.57 dB at 5 degrees adds about 35 K to a cold sky; opaque air is as warm as itself."""
    assert through_atmosphere_k(np.array(0.0), np.array(0.57)) == pytest.approx(33.3, abs=0.5)
    assert through_atmosphere_k(np.array(1000.0), np.array(200.0)) == pytest.approx(270.74, abs=0.1)
    assert through_atmosphere_k(np.array(77.0), np.array(0.0)) == 77.0


def view(elevation_deg: float, sight: np.ndarray) -> MoonFromEnd:
    one = np.array([0.0])
    return MoonFromEnd(one, one + elevation_deg, one + elevation_deg, one + 384400.0, sight)


def test_noise_is_the_sum_of_its_parts() -> None:
    gear = Gear(100.0, 1.0, Antenna(36.0, 2.5), 50.0, 12.0)
    sun = sun_direction(np.array([T0]))
    towards = np.roll(sun, 1, axis=0) * 384400.0
    noise = noise_at(10.368e9, gear, view(30.0, towards), sun)
    share = 1.0 - 2.0 ** (-((0.518 / 2.5) ** 2))
    assert noise.moon_k == pytest.approx(share * 210.0, rel=0.08)
    above = noise.sky_k * (1.0 - share) + noise.moon_k + noise.sun_k
    below = through_atmosphere_k(above, noise.gas_attenuation_db)
    assert noise.antenna_k == pytest.approx(below + 12.0, abs=0.01)
    passed = 10**-0.1
    assert noise.system_k is not None
    assert noise.system_k == pytest.approx(noise.antenna_k * passed + 290 * (1 - passed) + 50.0)
    # The same with the Sun right behind the Moon.
    hot = noise_at(10.368e9, gear, view(30.0, sun * 384400.0), sun)
    assert hot.sun_deg == pytest.approx(0.0, abs=1e-6)
    assert hot.antenna_k > noise.antenna_k + 100.0


def test_without_an_antenna_the_sky_alone() -> None:
    sight = np.array([[384400.0], [0.0], [0.0]])
    noise = noise_at(
        144e6, Gear(receiver_noise_k=50.0), view(45.0, sight), sun_direction(np.array([T0]))
    )
    assert noise.sky_k == pytest.approx(sky_k(144e6, np.array([0.0]), np.array([0.0])))
    assert noise.moon_k == noise.sun_k == 0.0
    assert noise.system_k is None


def test_a_signal_budget_by_hand() -> None:
    """144 MHz, 500 W (27.0 dBW), 1 dB of feed at both ends, 20 dBi at both, 252.1 dB, 400 K: 27.0 -
    1 + 20 - 252.1 + 20 - 1 = -187.1 dBW against -228.6 + 26.0 + 34.0 = -168.6 dBW: -18.5 dB."""
    gear = Gear(500.0, 1.0, Antenna(20.0, 15.0), 50.0)
    ratio_db = snr_db(gear, gear, np.array([252.1]), np.array([400.0]))
    assert ratio_db is not None
    assert ratio_db[0] == pytest.approx(-18.51, abs=0.02)
    assert in_bandwidth_db(-18.5, 25.0) == pytest.approx(1.5)


def test_what_is_not_known_is_named() -> None:
    full = Gear(500.0, 1.0, Antenna(20.0, 15.0), 50.0)
    loss, system = np.array([252.0]), np.array([400.0])
    assert missing(full) == []
    assert missing(Gear()) == ["power", "antenna", "receiver noise"]
    assert snr_db(Gear(antenna=full.antenna), full, loss, system) is None
    assert snr_db(full, Gear(receiver_noise_k=50.0), loss, system) is None
    assert snr_db(full, full, loss, None) is None
