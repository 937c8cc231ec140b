"""One window: time with the Moon above the horizon at both ends, minute by minute and summed up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from moontrim.path.vectors import Array

EndName = Literal["home", "partner"]
WindowRemarkKind = Literal["perigee", "new moon", "sun in beam", "galactic plane", "polarisation"]


@dataclass(frozen=True)
class SpreadExtreme:
    """A minimum or maximum of the spread, limb to limb."""

    at_utc_s: float
    spread_hz: float


@dataclass(frozen=True)
class LowSpread:
    """A stretch of time with a small spread.

    spread_hz, least_hz, most_hz: average, least and largest spread, limb to limb."""

    start_utc_s: float
    end_utc_s: float
    spread_hz: float
    least_hz: float
    most_hz: float


@dataclass(frozen=True)
class Peak:
    """The Moon's highest position within the window at one end."""

    at_utc_s: float
    elevation_deg: float
    azimuth_deg: float


@dataclass(frozen=True)
class WindowRemark:
    """A sentence on something remarkable about the window."""

    kind: WindowRemarkKind
    text: str


@dataclass(frozen=True)
class EndSeries:
    """One end at the instants of a Series, (N,). The elevation is apparent, with refraction.

    sun_deg: from the Moon to the Sun.
    galactic_deg: galactic latitude of the Moon.
    sky_k: the sky behind the Moon, in the antenna's beam.
    antenna_k: with Moon, Sun, air and ground.
    air_db: loss in the air, one way.
    system_k: with feed and receiver, at the receiver; None without the receiver's noise.
    snr_db: expected in 2.5 kHz for what this end receives from the other; None where gear is not
    known."""

    azimuth_deg: Array
    elevation_deg: Array
    distance_km: Array
    sun_deg: Array
    galactic_deg: Array
    sky_k: Array
    antenna_k: Array
    air_db: Array
    system_k: Array | None
    snr_db: Array | None


@dataclass(frozen=True)
class Series:
    """A window at its start, every whole minute, and its end, (N,).

    spread_hz: limb to limb.
    half_power_hz: full width of the echo's spectrum at half of its peak, by the scattering law.
    path_loss_db: between isotropic antennas, without the air.
    rotation_deg: angle between the two stations' horizontals at the Moon.
    penalty_db: estimated loss due to the spread; None without a tone spacing.
    margin_db: of the weaker direction over the threshold; None if not known."""

    utc_s: Array
    home: EndSeries
    far: EndSeries
    spread_hz: Array
    half_power_hz: Array
    path_loss_db: Array
    rotation_deg: Array
    penalty_db: Array | None
    margin_db: Array | None


@dataclass(frozen=True)
class Window:
    """Time with the Moon up at both ends (partner "self": at home), POSIX seconds UTC.

    opened_by, closed_by: the end at which the Moon rises or sets then; None where the forecast
    begins or ends inside the window.
    home_peak, far_peak: the Moon's highest positions.
    best: stretches of small spread, smallest first.
    minima, maxima: of the spread, in order of time."""

    partner: str
    frequency_hz: float
    start_utc_s: float
    end_utc_s: float
    opened_by: EndName | None
    closed_by: EndName | None
    home_peak: Peak
    far_peak: Peak
    best: tuple[LowSpread, ...]
    minima: tuple[SpreadExtreme, ...]
    maxima: tuple[SpreadExtreme, ...]
    remarks: tuple[WindowRemark, ...]
    series: Series

    @property
    def own_echo(self) -> bool:
        """Returns whether the station listens for its own echo."""
        return self.partner == "self"

    @property
    def least_spread_hz(self) -> float:
        """Returns the smallest spread of the whole window, turning points and ends included."""
        return min([float(self.series.spread_hz.min()), *(turn.spread_hz for turn in self.minima)])

    @property
    def best_margin_db(self) -> float | None:
        """Returns the largest margin of the weaker direction over the threshold."""
        margin = self.series.margin_db
        return None if margin is None else float(margin.max())
