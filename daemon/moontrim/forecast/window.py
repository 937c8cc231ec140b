"""What was found about one window, minute by minute and summed up. Frozen; computes only sums."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from moontrim.path.vectors import Array

EndName = Literal["home", "partner"]
WindowRemarkKind = Literal["perigee", "new moon", "sun in beam", "galactic plane", "polarisation"]


@dataclass(frozen=True)
class SpreadExtreme:
    """Where the spread, limb to limb, stops falling or rising."""

    at_utc_s: float
    spread_hz: float


@dataclass(frozen=True)
class LowSpread:
    """A stretch of time with a small spread: its average, least and largest, limb to limb."""

    start_utc_s: float
    end_utc_s: float
    spread_hz: float
    least_hz: float
    most_hz: float


@dataclass(frozen=True)
class Peak:
    """Where the Moon stands highest within the window at one end."""

    at_utc_s: float
    elevation_deg: float
    azimuth_deg: float


@dataclass(frozen=True)
class WindowRemark:
    """Something about the window that has a name, in a sentence."""

    kind: WindowRemarkKind
    text: str


@dataclass(frozen=True)
class EndSeries:
    """One end at the instants of a Series, (N,).

    Angles in degrees, geometric. sky_k: the sky behind the Moon; antenna_k: with Moon, Sun, air and
    ground; both as the antenna sees them. system_k: with feed and receiver, at the receiver; None
    without the receiver's noise. air_db: loss in the air, one way. snr_db: expected in 2.5 kHz for
    what this end receives from the other; None where gear is not known."""

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
    """A window at its start, every whole minute, and its end, (N,). spread_hz limb to limb;
    half_power_hz: full width of the echo's spectrum at half of its peak, by scattering law;
    penalty_db: estimated loss to the spread, None without a tone spacing; rotation_deg: between
    the two stations' horizontals."""

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

    opened_by, closed_by: at which end the Moon rises or sets there; None where the forecast itself
    begins or ends inside the window. best: smallest spread first; minima, maxima in order of
    time."""

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
        return self.partner == "self"

    @property
    def least_spread_hz(self) -> float:
        """Over the whole window, turning points and ends."""
        return min([float(self.series.spread_hz.min()), *(turn.spread_hz for turn in self.minima)])

    @property
    def best_margin_db(self) -> float | None:
        """The largest margin over the threshold, at the end where it is smaller."""
        margin = self.series.margin_db
        return None if margin is None else float(margin.max())
