"""Spread, loss, noise and signal at the instants of a window, from geometry and gear."""

from __future__ import annotations

import numpy as np

from moontrim.forecast.course import MoonFromEnd, Sky
from moontrim.forecast.polarisation import spatial_offset_deg
from moontrim.forecast.question import ForecastQuestion
from moontrim.forecast.signal import Noise, noise_at, snr_db
from moontrim.forecast.sky.galaxy import galactic_deg
from moontrim.forecast.sky.pathloss import path_loss_db
from moontrim.forecast.sky.scattering import echo_spectrum, law_at, spread_penalty_db
from moontrim.forecast.sky.sun import sun_direction
from moontrim.forecast.window import EndSeries, Series
from moontrim.path.vectors import Array


def series_of(question: ForecastQuestion, sky: Sky) -> Series:
    """Returns the series of a window's instants."""
    spectrum = echo_spectrum(*law_at(question.frequency_hz))
    spread_hz = sky.spread_fraction * question.frequency_hz
    loss_db = path_loss_db(question.frequency_hz, sky.home.distance_km, sky.far.distance_km)
    sun = sun_direction(sky.utc_s)
    home_noise = noise_at(question.frequency_hz, question.home.gear, sky.home, sun)
    far_noise = (
        home_noise
        if question.partner is None
        else noise_at(question.frequency_hz, question.partner.gear, sky.far, sun)
    )
    all_loss_db = loss_db + home_noise.gas_attenuation_db + far_noise.gas_attenuation_db
    home_snr = snr_db(question.far.gear, question.home.gear, all_loss_db, home_noise.system_k)
    far_snr = snr_db(question.home.gear, question.far.gear, all_loss_db, far_noise.system_k)
    signal = question.signal
    penalty_db = (
        None
        if signal.tone_spacing_hz is None
        else spread_penalty_db(spectrum, spread_hz, signal.tone_spacing_hz)
    )
    return Series(
        utc_s=sky.utc_s,
        home=_end_series(sky.home, home_noise, home_snr),
        far=_end_series(sky.far, far_noise, far_snr),
        spread_hz=spread_hz,
        half_power_hz=spread_hz * spectrum.half_power,
        path_loss_db=loss_db,
        spatial_offset_deg=spatial_offset_deg(
            sky.home, question.home.site, sky.far, question.far.site
        ),
        penalty_db=penalty_db,
        margin_db=_margin_db(home_snr, far_snr, penalty_db, signal.threshold_db),
    )


def _end_series(view: MoonFromEnd, noise: Noise, snr: Array | None) -> EndSeries:
    return EndSeries(
        view.azimuth_deg,
        view.elevation_deg,
        view.distance_km,
        noise.sun_deg,
        galactic_deg(view.sight_km)[1],
        noise.sky_k,
        noise.antenna_k,
        noise.gas_attenuation_db,
        noise.system_k,
        snr,
    )


def _margin_db(
    home_snr: Array | None,
    far_snr: Array | None,
    penalty_db: Array | None,
    threshold_db: float | None,
) -> Array | None:
    """Returns by how much the weaker of the known directions exceeds the threshold, after the cost
    of the spread."""
    known = [snr for snr in (home_snr, far_snr) if snr is not None]
    if threshold_db is None or not known:
        return None
    weaker = np.min(known, axis=0) - threshold_db
    return np.asarray(weaker if penalty_db is None else weaker - penalty_db)
