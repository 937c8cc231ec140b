"""A forecast as plain data: for JSON, and row by row as CSV."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from moontrim.errors import unwritable
from moontrim.forecast.compute import Forecast
from moontrim.forecast.polarisation import mismatch_db
from moontrim.forecast.signal import in_bandwidth_db
from moontrim.forecast.sky.scattering import echo_spectrum, law_at
from moontrim.forecast.window import (
    EndSeries,
    LowSpread,
    MaxElevation,
    Series,
    SpreadExtreme,
    Window,
)
from moontrim.formats import iso_utc

# Of the CSV file.
COLUMNS = (
    "utc",
    "partner",
    "home_azimuth_deg",
    "home_elevation_deg",
    "partner_azimuth_deg",
    "partner_elevation_deg",
    "spread_limb_to_limb_hz",
    "spread_half_power_hz",
    "path_loss_db",
    "home_gas_attenuation_db",
    "partner_gas_attenuation_db",
    "home_sky_k",
    "home_antenna_k",
    "partner_sky_k",
    "partner_antenna_k",
    "sun_moon_separation_deg",
    "galactic_latitude_deg",
    "spatial_polarisation_offset_deg",
    "home_snr_db_in_2500_hz",
    "partner_snr_db_in_2500_hz",
    "spread_penalty_db_estimate",
    "margin_db",
)


def as_plain(forecasts: Iterable[Forecast]) -> list[dict[str, Any]]:
    """Returns all windows in order of time, ready for JSON. Times are ISO 8601 UTC to the second;
    every spread_hz is limb to limb at frequency_hz; path_loss_db is between isotropic antennas,
    without the atmosphere; home and partner are the two ends (both the same for `self`)."""
    pairs = [(window, forecast) for forecast in forecasts for window in forecast.windows]
    pairs.sort(key=lambda pair: (pair[0].start_utc_s, pair[0].partner))
    return [_window(window, forecast) for window, forecast in pairs]


def _window(window: Window, forecast: Forecast) -> dict[str, Any]:
    s = window.series
    spectrum = echo_spectrum(*law_at(window.frequency_hz))
    return {
        "partner": window.partner,
        "frequency_hz": window.frequency_hz,
        "start": _at(window.start_utc_s),
        "end": _at(window.end_utc_s),
        "rise_limited_by": window.rise_limited_by,
        "set_limited_by": window.set_limited_by,
        "max_elevation": {
            "home": _max_elevation(window.home_max_elevation),
            "partner": _max_elevation(window.far_max_elevation),
        },
        "low_spread": [_low_spread(period) for period in window.low_spread],
        "spread_minima": [_turn(turn) for turn in window.minima],
        "spread_maxima": [_turn(turn) for turn in window.maxima],
        "spread_hz": _start_end_min_max(s.spread_hz),
        "half_power_spread_hz": _start_end_min_max(s.half_power_hz),
        "half_power_fraction": round(spectrum.half_power, 3),
        "path_loss_db": _start_end_min_max(s.path_loss_db),
        "noise": {"home": _noise(s.home), "partner": _noise(s.far)},
        "sun_moon_separation_deg": round(float(s.home.sun_deg.min()), 2),
        "polarisation": None if window.own_echo else _polarisation(s),
        "signal": _signal(window, forecast),
        "remarks": [{"kind": r.kind, "text": r.text} for r in window.remarks],
    }


def _at(utc_s: float) -> str:
    return iso_utc(round(utc_s))


def _max_elevation(highest: MaxElevation) -> dict[str, Any]:
    return {
        "at": _at(highest.at_utc_s),
        "elevation_deg": round(highest.elevation_deg, 2),
        "azimuth_deg": round(highest.azimuth_deg, 2),
    }


def _low_spread(period: LowSpread) -> dict[str, Any]:
    return {
        "start": _at(period.start_utc_s),
        "end": _at(period.end_utc_s),
        "spread_hz": {
            "mean": round(period.mean_hz, 3),
            "min": round(period.min_hz, 3),
            "max": round(period.max_hz, 3),
        },
    }


def _turn(turn: SpreadExtreme) -> dict[str, Any]:
    return {"at": _at(turn.at_utc_s), "spread_hz": round(turn.spread_hz, 3)}


def _start_end_min_max(values: np.ndarray[Any, Any]) -> dict[str, float]:
    return {
        "start": round(float(values[0]), 3),
        "end": round(float(values[-1]), 3),
        "min": round(float(values.min()), 3),
        "max": round(float(values.max()), 3),
    }


def _noise(end: EndSeries) -> dict[str, Any]:
    return {
        "sky_k": _start_end_min_max(end.sky_k),
        "antenna_k": _start_end_min_max(end.antenna_k),
        "system_k": None if end.system_k is None else _start_end_min_max(end.system_k),
        "gas_attenuation_db": _start_end_min_max(end.gas_attenuation_db),
    }


def _polarisation(s: Series) -> dict[str, Any]:
    return {
        "spatial_offset_deg": {
            "start": round(float(s.spatial_offset_deg[0]), 1),
            "end": round(float(s.spatial_offset_deg[-1]), 1),
        },
        "linear_mismatch_db": _start_end_min_max(mismatch_db(s.spatial_offset_deg)),
        "faraday": "not modelled",
    }


def _signal(window: Window, forecast: Forecast) -> dict[str, Any] | None:
    """Returns the expected signal-to-noise ratio, before any polarisation mismatch; None if nothing
    is known."""
    s, signal = window.series, forecast.question.signal
    if s.home.snr_db is None and s.far.snr_db is None:
        return None
    plain: dict[str, Any] = {"bandwidth_hz": signal.bandwidth_hz}
    for name, end in (("home", s.home), ("partner", s.far)):
        if end.snr_db is None:
            plain[name] = None
            continue
        plain[name] = {
            "snr_db_in_2500_hz": _start_end_min_max(end.snr_db),
            "max_snr_db_in_bandwidth": round(
                in_bandwidth_db(float(end.snr_db.max()), signal.bandwidth_hz), 3
            ),
        }
    plain["threshold_db"] = signal.threshold_db
    plain["spread_penalty_db_estimate"] = (
        None if s.penalty_db is None else _start_end_min_max(s.penalty_db)
    )
    plain["margin_db"] = None if s.margin_db is None else _start_end_min_max(s.margin_db)
    return plain


def write_csv(forecasts: Iterable[Forecast], path: Path) -> int:
    """Writes a row for the start, every whole minute and the end of every window, and returns the
    number of rows. Raises InputError if the file cannot be written."""
    rows = 0
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(COLUMNS)
            for forecast in forecasts:
                for window in forecast.windows:
                    for row in _rows(window):
                        writer.writerow(row)
                        rows += 1
    except OSError as error:
        raise unwritable("--csv", path, error) from None
    return rows


def _rows(window: Window) -> Iterable[list[str]]:
    s = window.series
    columns = (
        (s.home.azimuth_deg, 2),
        (s.home.elevation_deg, 2),
        (s.far.azimuth_deg, 2),
        (s.far.elevation_deg, 2),
        (s.spread_hz, 3),
        (s.half_power_hz, 3),
        (s.path_loss_db, 2),
        (s.home.gas_attenuation_db, 2),
        (s.far.gas_attenuation_db, 2),
        (s.home.sky_k, 1),
        (s.home.antenna_k, 1),
        (s.far.sky_k, 1),
        (s.far.antenna_k, 1),
        (s.home.sun_deg, 2),
        (s.home.galactic_deg, 1),
        (s.spatial_offset_deg, 1),
        (s.home.snr_db, 2),
        (s.far.snr_db, 2),
        (s.penalty_db, 2),
        (s.margin_db, 2),
    )
    for k, utc_s in enumerate(s.utc_s.tolist()):
        cells = ["" if values is None else f"{values[k]:.{digits}f}" for values, digits in columns]
        yield [_at(utc_s), window.partner, *cells]
