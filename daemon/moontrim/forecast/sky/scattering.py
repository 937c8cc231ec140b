"""The distribution of an echo's power over its limb-to-limb spread, by the Moon's scattering law.

Echo power per surface area: (1 - d) (cos^4 phi + C sin^2 phi)^(-3/2) (Hagfors 1964, JGR 69, 3779)
plus d cos phi, each normalised to one; phi: angle of incidence, d: diffuse share, C^(-1/2): rms
slope. Ranges of C by wavelength span the slopes of Simpson and Tyler 1982 (IEEE AP) and of the
earlier ones quoted by Pettengill 1965 (Lunar Radar Reflections, AD0628197); d follows Evans and
Hagfors 1966 (JGR 71, 4871) and Hagfors 1970 (Radio Sci. 5, 189); the figures of the laws were set
down from memory of these papers. The middle of the ranges is used; the width it gives is uncertain
by a third."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from moontrim.path.constants import SPEED_OF_LIGHT_M_S
from moontrim.path.vectors import Array

# Wavelength m, C (geometric middle of 9-25, 30-65, 50-95 from 3 cm up), diffuse share d.
_LAWS = np.array(
    [
        [0.0125, 4.0, 0.86],
        [0.03, 15.0, 0.40],
        [0.23, 44.0, 0.25],
        [0.70, 69.0, 0.20],
    ]
)
# Chosen: samples of half the spectrum, and of the angle along a strip of the disk; with more the
# half-power width does not change in the digits that are shown.
HALF_SAMPLES = 1000
ANGLES = 200


@dataclass(frozen=True)
class EchoSpectrum:
    """Power by frequency offset, (N,).

    offset: from 0 at the centre to 1 at the limb.
    power: per offset, relative to the centre.
    inside: share of all power that is nearer to the centre."""

    offset: Array
    power: Array
    inside: Array

    @property
    def half_power(self) -> float:
        """Returns the full width at half of the peak, as a fraction of the limb-to-limb spread."""
        return float(np.interp(-0.5, -self.power, self.offset))

    def width_holding(self, share: float) -> float:
        """Returns the width around the centre with this share of the power, as a fraction of the
        limb-to-limb spread."""
        return float(np.interp(share, self.inside, self.offset))

    def share_within(self, width_fraction: Array) -> Array:
        """Returns the share of the power in a width around the centre, which is a fraction of the
        limb-to-limb spread."""
        return np.interp(width_fraction, self.offset, self.inside)


def law_at(frequency_hz: float) -> tuple[float, float]:
    """Returns C and the diffuse share d: between the tabulated wavelengths by the logarithm of the
    wavelength, beyond them as at the last."""
    place = np.log(SPEED_OF_LIGHT_M_S / frequency_hz)
    at = np.log(_LAWS[:, 0])
    return float(np.exp(np.interp(place, at, np.log(_LAWS[:, 1])))), float(
        np.interp(place, at, _LAWS[:, 2])
    )


@cache
def echo_spectrum(roughness: float, diffuse: float) -> EchoSpectrum:
    """Returns the spectrum of a rotating sphere. All points of equal offset x lie on a straight
    strip across the disk; along it cos phi = sqrt(1 - x^2) cos theta and the surface per theta is
    the same everywhere, so the power is the plain mean of the law over theta.

    roughness: C of the law. diffuse: d, the diffuse share."""
    # Closer together at the centre, where the law has its peak.
    offset = np.linspace(0.0, 1.0, HALF_SAMPLES) ** 2
    theta = (np.arange(ANGLES) + 0.5) / ANGLES * (np.pi / 2.0)
    cosine = np.sqrt(1.0 - offset[:, np.newaxis] ** 2) * np.cos(theta)
    specular = ((cosine**4 + roughness * (1.0 - cosine**2)) ** -1.5).mean(axis=1)
    rough = cosine.mean(axis=1)
    power = (1.0 - diffuse) * specular / _total(offset, specular)
    power += diffuse * rough / _total(offset, rough)
    pieces = 0.5 * (power[1:] + power[:-1]) * np.diff(offset)
    inside = np.concatenate([[0.0], np.cumsum(pieces)])
    return EchoSpectrum(offset, power / power[0], inside / inside[-1])


def _total(offset: Array, power: Array) -> float:
    return float(np.sum(0.5 * (power[1:] + power[:-1]) * np.diff(offset)))


def spread_penalty_db(spectrum: EchoSpectrum, spread_hz: Array, tone_spacing_hz: float) -> Array:
    """Returns an ESTIMATE of what the spread costs a signal of tones, dB (N,): a receiver with bins
    as wide as the tones' spacing catches only a share of each tone's power. 0 when the whole spread
    fits in."""
    width = tone_spacing_hz / np.maximum(spread_hz, 1e-9)
    return np.asarray(-10.0 * np.log10(spectrum.share_within(np.minimum(width, 1.0))))
