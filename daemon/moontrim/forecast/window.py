"""One window: time with the Moon above the horizon at both ends, minute by minute and summed up."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Literal

import numpy as np

from moontrim.path.vectors import Array

EndName = Literal["home", "partner"]
WindowRemarkKind = Literal["perigee", "new moon", "sun in beam", "galactic plane", "polarisation"]


@dataclass(frozen=True)
class SpreadExtreme:
    """A minimum or maximum of the spread, limb to limb."""

    at_utc_s: float
    spread_hz: float


@dataclass(frozen=True, slots=True)
class LowSpread:
    """A period of low spread.

    mean_hz, min_hz, max_hz: mean, minimum and maximum of the spread, limb to limb."""

    start_utc_s: float
    end_utc_s: float
    mean_hz: float
    min_hz: float
    max_hz: float


@dataclass(frozen=True)
class MaxElevation:
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
    antenna_k: antenna temperature, with Moon, Sun, atmosphere and ground.
    gas_attenuation_db: atmospheric attenuation, one way.
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
    gas_attenuation_db: Array
    system_k: Array | None
    snr_db: Array | None

    def part(self, instants: slice) -> EndSeries:
        """Returns some of the instants."""
        return EndSeries(*_cut(self, instants))


@dataclass(frozen=True)
class Series:
    """A window at its start, every whole minute, and its end, (N,).

    spread_hz: limb to limb.
    half_power_hz: full width of the echo's spectrum at half of its peak, by the scattering law.
    path_loss_db: between isotropic antennas, without the atmosphere.
    spatial_offset_deg: spatial polarisation offset, from the partner's horizontal to home's at the
    Moon.
    penalty_db: estimated loss due to the spread; None without a tone spacing.
    margin_db: of the weaker direction over the threshold; None if not known."""

    utc_s: Array
    home: EndSeries
    far: EndSeries
    spread_hz: Array
    half_power_hz: Array
    path_loss_db: Array
    spatial_offset_deg: Array
    penalty_db: Array | None
    margin_db: Array | None

    def part(self, instants: slice) -> Series:
        """Returns some of the instants."""
        return Series(*_cut(self, instants))

    def mean_margin_db(self, period: LowSpread) -> float | None:
        """Returns the average margin within a period; None if not known."""
        if self.margin_db is None:
            return None
        inside = (self.utc_s >= period.start_utc_s) & (self.utc_s <= period.end_utc_s)
        return float(np.mean(self.margin_db[inside])) if inside.any() else None


def _cut(series: Series | EndSeries, instants: slice) -> list[Any]:
    """Returns all fields at some of the instants."""
    values = (getattr(series, field.name) for field in fields(series))
    return [
        value.part(instants)
        if isinstance(value, EndSeries)
        else None
        if value is None
        else value[instants]
        for value in values
    ]


@dataclass(frozen=True)
class Window:
    """Time with the Moon up at both ends (partner "self": at home), POSIX seconds UTC.

    rise_limited_by, set_limited_by: the end at which the Moon rises or sets then; None where the
    forecast begins or ends inside the window.
    home_max_elevation, far_max_elevation: the Moon's highest positions.
    low_spread: periods of low spread, the lowest mean first.
    minima, maxima: of the spread, in order of time."""

    partner: str
    frequency_hz: float
    start_utc_s: float
    end_utc_s: float
    rise_limited_by: EndName | None
    set_limited_by: EndName | None
    home_max_elevation: MaxElevation
    far_max_elevation: MaxElevation
    low_spread: tuple[LowSpread, ...]
    minima: tuple[SpreadExtreme, ...]
    maxima: tuple[SpreadExtreme, ...]
    remarks: tuple[WindowRemark, ...]
    series: Series

    @property
    def own_echo(self) -> bool:
        """Returns whether the station listens for its own echo."""
        return self.partner == "self"

    @property
    def identifying_utc_s(self) -> float:
        """Returns an instant that is the same whatever the span of the forecast: the window's end,
        or its start if the forecast ends inside."""
        return self.start_utc_s if self.set_limited_by is None else self.end_utc_s

    @property
    def min_spread_hz(self) -> float:
        """Returns the minimum spread of the whole window, turning points and ends included."""
        return min([float(self.series.spread_hz.min()), *(turn.spread_hz for turn in self.minima)])

    @property
    def max_margin_db(self) -> float | None:
        """Returns the maximum margin of the weaker direction over the threshold."""
        margin = self.series.margin_db
        return None if margin is None else float(margin.max())
