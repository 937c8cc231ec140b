"""The signal budget: noise at a receiver and the mean signal-to-noise ratio to expect.

Only the mean: echoes fade by 10 dB and more from second to second."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from moontrim.forecast.course import MoonFromEnd
from moontrim.forecast.question import REFERENCE_BANDWIDTH_HZ, Gear
from moontrim.forecast.sky.galaxy import ecliptic_deg, moon_disk_k, moon_share, sky_k
from moontrim.forecast.sky.gases import gas_attenuation_db, through_atmosphere_k
from moontrim.forecast.sky.sun import BOLTZMANN_J_K, separation_deg, sun_noise_k
from moontrim.path.vectors import Array

# Physical temperature of the feed line: the standard temperature of noise figures.
FEED_K = 290.0


@dataclass(frozen=True)
class Noise:
    """Noise temperatures at one end, (N,).

    sky_k: behind the Moon.
    moon_k, sun_k: what Moon and Sun add to the antenna, above the atmosphere.
    antenna_k: antenna temperature: all of these through the atmosphere, and the ground.
    system_k: at the receiver; None without an antenna or the receiver's noise.
    gas_attenuation_db: atmospheric attenuation, one way.
    sun_deg: from the Moon to the Sun."""

    sky_k: Array
    moon_k: Array
    sun_k: Array
    antenna_k: Array
    system_k: Array | None
    gas_attenuation_db: Array
    sun_deg: Array


def noise_at(frequency_hz: float, gear: Gear, view: MoonFromEnd, sun: Array) -> Noise:
    """Returns the noise of an antenna that follows the Moon; without an antenna, of the sky alone
    in a beam of 10 degrees. sun: directions (3, N) as from `sun_direction`."""
    longitude, latitude = ecliptic_deg(view.sight_km)
    off_deg = separation_deg(view.sight_km, sun)
    nothing = np.zeros_like(off_deg)
    antenna = gear.antenna
    if antenna is None:
        sky, moon, in_beam = sky_k(frequency_hz, longitude, latitude), nothing, nothing
        share = nothing
    else:
        sky = sky_k(frequency_hz, longitude, latitude, antenna.beam_deg)
        share = moon_share(view.sight_km, antenna.beam_deg)
        elongation = longitude - ecliptic_deg(sun)[0]
        moon = share * moon_disk_k(frequency_hz, elongation)
        in_beam = sun_noise_k(frequency_hz, antenna.gain_dbi, antenna.beam_deg, off_deg)
    attenuation_db = gas_attenuation_db(frequency_hz, view.elevation_deg)
    # The Moon hides the sky behind it.
    above = sky * (1.0 - share) + moon + in_beam
    antenna_k = through_atmosphere_k(above, attenuation_db) + gear.spillover_k
    system_k = _system_k(gear, antenna_k)
    return Noise(sky, moon, in_beam, antenna_k, system_k, attenuation_db, off_deg)


def _system_k(gear: Gear, antenna_k: Array) -> Array | None:
    """Returns the noise behind the feed: what it passes of the antenna's, what it adds, and the
    receiver's."""
    if gear.receiver_noise_k is None or gear.antenna is None:
        return None
    passed = 10.0 ** (-gear.feedline_loss_db / 10.0)
    return np.asarray(antenna_k * passed + FEED_K * (1.0 - passed) + gear.receiver_noise_k)


def snr_db(sender: Gear, receiver: Gear, loss_db: Array, system_k: Array | None) -> Array | None:
    """Returns the mean signal-to-noise ratio (N,) in 2.5 kHz, dB; None where power, an antenna or
    the receiver's noise is not known. loss_db: path and atmosphere, both ways."""
    if sender.power_w is None or sender.antenna is None or receiver.antenna is None:
        return None
    if system_k is None:
        return None
    received_dbw = (
        10.0 * math.log10(sender.power_w)
        - sender.feedline_loss_db
        + sender.antenna.gain_dbi
        - loss_db
        + receiver.antenna.gain_dbi
        - receiver.feedline_loss_db
    )
    noise_dbw = 10.0 * np.log10(BOLTZMANN_J_K * system_k * REFERENCE_BANDWIDTH_HZ)
    return np.asarray(received_dbw - noise_dbw)


def in_bandwidth_db(reference_db: float, bandwidth_hz: float) -> float:
    """Returns the signal-to-noise ratio in another bandwidth than 2.5 kHz."""
    return reference_db + 10.0 * math.log10(REFERENCE_BANDWIDTH_HZ / bandwidth_hz)


def missing(gear: Gear) -> list[str]:
    """Returns names for what is not known of a station's gear."""
    parts = []
    if gear.power_w is None:
        parts.append("power")
    if gear.antenna is None:
        parts.append("antenna")
    if gear.receiver_noise_k is None:
        parts.append("receiver noise")
    return parts
