"""What is remarkable about a window: perigee, new Moon, the galactic plane, the Sun in the beam."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from moontrim.forecast import thinephemeris
from moontrim.forecast.question import ForecastQuestion, Gear
from moontrim.forecast.sky.galaxy import ecliptic_deg, galactic_deg
from moontrim.forecast.sky.sun import sun_direction
from moontrim.forecast.thinephemeris import ThinEphemeris
from moontrim.forecast.window import EndSeries, WindowRemark
from moontrim.formats import grouped
from moontrim.path import Ephemeris
from moontrim.path.vectors import Array, norm

HOUR_S = 3600.0
# Chosen: a perigee or new Moon is remarked on if it is as near as this to a window.
NEAR_S = 86400.0
# How far beyond the span events are searched for: NEAR_S and room for the interpolation.
LOOK_BEYOND_S = 1.5 * 86400.0
# Hours solved at once, half a year: bounds the memory of a long span.
HOURS_AT_ONCE = 4400
# Chosen: galactic latitude below which the plane is remarked on, degrees; and the galactic
# longitude from the centre below which the centre is named.
PLANE_DEG, CENTRE_DEG = 6.0, 15.0
# Chosen: beam widths between Moon and Sun below which the Sun is remarked on.
SUN_BEAMS = 1.5


@dataclass(frozen=True)
class Perigee:
    """A minimum of the distance between the centres of Earth and Moon."""

    at_utc_s: float
    distance_km: float


@dataclass(frozen=True)
class MoonEvents:
    """Perigees and new Moons in a span and a day and a half around it."""

    perigees: tuple[Perigee, ...]
    new_moons_utc_s: tuple[float, ...]


def find_moon_events(ephemeris: Ephemeris, from_utc_s: float, until_utc_s: float) -> MoonEvents:
    """Returns perigees to a minute and new Moons (equal geocentric ecliptic longitude of Moon and
    Sun) to two minutes, as far as the tables go."""
    first = max(from_utc_s - LOOK_BEYOND_S, ephemeris.first_utc_s + thinephemeris.MARGIN_S)
    last = min(until_utc_s + LOOK_BEYOND_S, ephemeris.last_utc_s - thinephemeris.MARGIN_S)
    utc_s = np.arange(np.ceil(first), last, HOUR_S)
    parts = [
        _moon(ephemeris, utc_s[at : at + HOURS_AT_ONCE])
        for at in range(0, utc_s.size, HOURS_AT_ONCE)
    ]
    moon = np.concatenate(parts, axis=1)
    return MoonEvents(_perigees(utc_s, norm(moon)), _new_moons(utc_s, moon))


def _moon(ephemeris: Ephemeris, utc_s: Array) -> Array:
    tai_s, _ = ephemeris.split(utc_s)
    thin = ThinEphemeris(ephemeris, int(tai_s[0]), int(tai_s[-1]))
    return thin.moon((tai_s - tai_s[0]).astype(np.float64))[0]


def _perigees(utc_s: Array, distance_km: Array) -> tuple[Perigee, ...]:
    before, middle, after = distance_km[:-2], distance_km[1:-1], distance_km[2:]
    low = np.flatnonzero((before > middle) & (after >= middle))
    bend = before[low] - 2.0 * middle[low] + after[low]
    shift = 0.5 * (before[low] - after[low]) / bend
    at_utc_s = utc_s[1:-1][low] + HOUR_S * shift
    least_km = middle[low] - 0.25 * (before[low] - after[low]) * shift
    return tuple(Perigee(*pair) for pair in zip(at_utc_s.tolist(), least_km.tolist(), strict=True))


def _new_moons(utc_s: Array, moon: Array) -> tuple[float, ...]:
    lead = ecliptic_deg(moon)[0] - ecliptic_deg(sun_direction(utc_s))[0]
    lead = (lead + 180.0) % 360.0 - 180.0
    k = np.flatnonzero((lead[:-1] < 0.0) & (lead[1:] >= 0.0))
    share = -lead[k] / (lead[k + 1] - lead[k])
    return tuple((utc_s[k] + HOUR_S * share).tolist())


def remarks_on(
    question: ForecastQuestion,
    events: MoonEvents,
    utc_s: Array,
    home: EndSeries,
    far: EndSeries,
    sight_km: Array,
) -> tuple[WindowRemark, ...]:
    """Returns the remarks on a window.

    utc_s, home, far: its samples (N,). sight_km: (3, N), lines of sight from home, GCRS."""
    start_utc_s, end_utc_s = float(utc_s[0]), float(utc_s[-1])
    remarks = []
    for perigee in events.perigees:
        if start_utc_s - NEAR_S <= perigee.at_utc_s <= end_utc_s + NEAR_S:
            remarks.append(
                WindowRemark(
                    "perigee",
                    f"perigee {_when(perigee.at_utc_s)} UTC, {grouped(perigee.distance_km)} km",
                )
            )
    for at_utc_s in events.new_moons_utc_s:
        if start_utc_s - NEAR_S <= at_utc_s <= end_utc_s + NEAR_S:
            least = min(float(home.sun_deg.min()), float(far.sun_deg.min()))
            remarks.append(
                WindowRemark(
                    "new moon",
                    f"new Moon {_when(at_utc_s)} UTC, in this window {least:.1f}° or more from the "
                    "Sun",
                )
            )
    ends: list[tuple[str, Gear, EndSeries]] = [("home", question.home.gear, home)]
    if question.partner is not None:
        ends.append((question.partner.name, question.partner.gear, far))
    for name, gear, series in ends:
        remarks.extend(_sun_in_beam(name, gear, series, utc_s))
    remarks.extend(_galactic_plane(utc_s, home, sight_km))
    return tuple(remarks)


def _sun_in_beam(name: str, gear: Gear, series: EndSeries, utc_s: Array) -> list[WindowRemark]:
    if gear.antenna is None:
        return []
    near = np.flatnonzero(series.sun_deg < SUN_BEAMS * gear.antenna.beam_deg)
    if not near.size:
        return []
    k = int(near[np.argmin(series.sun_deg[near])])
    text = (
        f"Sun in the beam at {name} {_when(float(utc_s[near[0]]))} to "
        f"{_when(float(utc_s[near[-1]]))} UTC: {series.sun_deg[k]:.1f}° from the Moon; a quiet "
        f"Sun raises the antenna temperature to {grouped(series.antenna_k[near].max())} K"
    )
    return [WindowRemark("sun in beam", text)]


def _galactic_plane(utc_s: Array, home: EndSeries, sight_km: Array) -> list[WindowRemark]:
    near = np.flatnonzero(np.abs(home.galactic_deg) < PLANE_DEG)
    if not near.size:
        return []
    k = int(near[np.argmin(np.abs(home.galactic_deg[near]))])
    longitude, _ = galactic_deg(sight_km[:, k : k + 1])
    off_centre = abs((float(longitude[0]) + 180.0) % 360.0 - 180.0)
    where = ", towards the galaxy's centre" if off_centre < CENTRE_DEG else ""
    return [
        WindowRemark(
            "galactic plane",
            f"galactic plane{where}: latitude {home.galactic_deg[k]:+.1f}° at "
            f"{_when(float(utc_s[k]))} UTC, sky up to {grouped(home.sky_k.max())} K",
        )
    ]


def _when(utc_s: float) -> str:
    return np.datetime_as_string(np.datetime64(round(utc_s / 60.0), "m")).replace("T", " ")
