"""Path loss over the Moon: the radar equation between isotropic antennas.

L = -10 log10[eta r^2 lambda^2 / (64 pi^2 d1^2 d2^2)], r = 1738 km, eta = 0.065 (EME chapter of
the ARRL Handbook, from memory; mean of the measurements 0.07, single ones to a factor of
two: Pettengill 1965, Lunar Radar Reflections, AD0628197). Distances are to the Moon's
centre: to the near surface the loss would be 0.4 dB less. Atmospheric attenuation not included."""

from __future__ import annotations

import math

import numpy as np

from moontrim.path.constants import SPEED_OF_LIGHT_M_S
from moontrim.path.vectors import Array

REFLECTIVITY = 0.065
RADIUS_M = 1.738e6  # as in the source of eta


def path_loss_db(frequency_hz: float, one_km: Array, other_km: Array) -> Array:
    """Returns the loss (N,), dB, between isotropic antennas one_km and other_km from the Moon's
    centre."""
    wavelength_m = SPEED_OF_LIGHT_M_S / frequency_hz
    strength = REFLECTIVITY * (RADIUS_M * wavelength_m) ** 2 / (64.0 * math.pi**2)
    return np.asarray(20.0 * np.log10(one_km * other_km * 1e6) - 10.0 * math.log10(strength))
