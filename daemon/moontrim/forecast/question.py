"""The input of a forecast: two ends with their horizons and gear, a span, a frequency."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from moontrim.errors import InputError
from moontrim.path.constants import SPEED_OF_LIGHT_M_S
from moontrim.path.site import Site

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# Chosen: a mountain station sees a little below 0 degrees; nobody's horizon reaches the zenith.
LOWEST_ELEVATION_DEG, HIGHEST_ELEVATION_DEG = -5.0, 89.0
# Beam of a dish lit with the usual taper: common practice.
DISH_BEAM_DEG_PER_WAVELENGTH = 70.0
REFERENCE_BANDWIDTH_HZ = 2500.0  # of a voice channel: common practice for reports

# (azimuth, elevation) in degrees.
Pairs = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Horizon:
    """The elevation above which the Moon counts as up: the higher of min_elevation_deg and of the
    mask, (azimuth, elevation) pairs in degrees joined by straight lines, round through north.

    Elevations are apparent, of the Moon's centre, with refraction. Raises InputError for a mask
    whose azimuths are not ascending within 0 to 360, and for elevations outside -5 to 89."""

    min_elevation_deg: float = 0.0
    mask: Pairs = ()

    def __post_init__(self) -> None:
        range_text = f"{LOWEST_ELEVATION_DEG:.0f} to {HIGHEST_ELEVATION_DEG:.0f} degrees"
        if not _is_elevation(self.min_elevation_deg):
            raise InputError("min_elevation_deg", self.min_elevation_deg, range_text)
        last_deg = -1.0
        for pair in self.mask:
            azimuth_deg, elevation_deg = pair
            if not (0.0 <= azimuth_deg < 360.0 and azimuth_deg > last_deg):
                raise InputError(
                    "horizon", pair, "azimuths from 0 to below 360 degrees, each above the last"
                )
            if not _is_elevation(elevation_deg):
                raise InputError("horizon", pair, f"elevations from {range_text}")
            last_deg = azimuth_deg

    def elevation_deg(self, azimuth_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        """Returns the elevation of the horizon at azimuths (N,), degrees."""
        import numpy as np  # not needed to read a config

        if not self.mask:
            return np.full(np.shape(azimuth_deg), self.min_elevation_deg)
        azimuths, elevations = (np.array(column) for column in zip(*self.mask, strict=True))
        mask = np.interp(azimuth_deg, azimuths, elevations, period=360.0)
        return np.asarray(np.maximum(mask, self.min_elevation_deg))


def _is_elevation(value: float) -> bool:
    return LOWEST_ELEVATION_DEG <= value <= HIGHEST_ELEVATION_DEG


@dataclass(frozen=True)
class Antenna:
    """An antenna. beam_deg: full width at half power."""

    gain_dbi: float
    beam_deg: float

    @classmethod
    def of_gain(cls, gain_dbi: float) -> Antenna:
        """Returns the antenna with the round Gaussian beam whose solid angle is 4 pi / gain (no
        losses): pi / (4 ln 2) times the square of its width (Kraus, Radio Astronomy, ch. 6; from
        memory)."""
        solid_angle = 4.0 * math.pi / 10.0 ** (gain_dbi / 10.0)
        width = math.sqrt(solid_angle * 4.0 * math.log(2.0) / math.pi)
        return cls(gain_dbi, min(math.degrees(width), 180.0))

    @classmethod
    def of_dish(cls, diameter_m: float, efficiency: float, frequency_hz: float) -> Antenna:
        """Returns the antenna of a dish: gain efficiency (pi D / lambda)^2, beam 70 lambda / D
        degrees (common practice)."""
        wavelengths = diameter_m * frequency_hz / SPEED_OF_LIGHT_M_S
        gain = efficiency * (math.pi * wavelengths) ** 2
        beam_deg = min(DISH_BEAM_DEG_PER_WAVELENGTH / wavelengths, 180.0)
        return cls(10.0 * math.log10(gain), beam_deg)


@dataclass(frozen=True)
class Gear:
    """A station's equipment on one band; None for what is not known.

    power_w: at the transmitter's output.
    feedline_loss_db: between radio and antenna, the same for transmitting and receiving.
    receiver_noise_k: of the receiver, at the radio's end of the feed.
    spillover_k: what the antenna picks up from the ground.
    linear: linearly polarised; False: circular, None: unknown."""

    power_w: float | None = None
    feedline_loss_db: float = 0.0
    antenna: Antenna | None = None
    receiver_noise_k: float | None = None
    spillover_k: float = 0.0
    linear: bool | None = None


@dataclass(frozen=True)
class End:
    """One station of a path."""

    name: str
    site: Site
    horizon: Horizon = field(default_factory=Horizon)
    gear: Gear = field(default_factory=Gear)


@dataclass(frozen=True)
class Signal:
    """What is to be received.

    bandwidth_hz: its noise bandwidth.
    tone_spacing_hz: distance of its tones; None: it has none.
    threshold_db: lowest signal-to-noise ratio in 2.5 kHz that decodes; None: not judged."""

    bandwidth_hz: float = REFERENCE_BANDWIDTH_HZ
    tone_spacing_hz: float | None = None
    threshold_db: float | None = None


@dataclass(frozen=True)
class ForecastQuestion:
    """The question that a forecast answers, for one pair and a span in POSIX seconds UTC.

    partner: None for our own echo.
    max_spread_hz: limb to limb, the most that counts as low spread; None: the lowest quarter of
    each window counts."""

    home: End
    partner: End | None
    frequency_hz: float
    from_utc_s: float
    until_utc_s: float
    max_spread_hz: float | None = None
    signal: Signal = field(default_factory=Signal)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.frequency_hz) and self.frequency_hz > 0.0):
            raise InputError("frequency_hz", self.frequency_hz, "a positive number of Hz")
        if not self.from_utc_s < self.until_utc_s < math.inf:
            raise InputError("until", self.until_utc_s, "an instant after the beginning")
        if self.max_spread_hz is not None and not 0.0 < self.max_spread_hz < math.inf:
            raise InputError("max_spread", self.max_spread_hz, "a positive number of Hz")

    @property
    def far(self) -> End:
        """Returns the other end: the partner, or home itself for an echo."""
        return self.home if self.partner is None else self.partner

    @property
    def partner_name(self) -> str:
        """Returns the partner's name, `self` for our own echo."""
        return "self" if self.partner is None else self.partner.name
