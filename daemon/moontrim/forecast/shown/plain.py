"""A forecast as plain data, for JSON."""

from __future__ import annotations

import json
from typing import Any, TextIO

import numpy as np

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


class JsonWindows:
    """A JSON list of all windows, printed as they come: partner by partner, those of a partner in
    order of time. Times are ISO 8601 UTC to the second; every spread_hz is limb to limb at
    frequency_hz; path_loss_db is between isotropic antennas, without the atmosphere; home and
    partner are the two ends (both the same for `self`)."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._before = "["

    def add(self, forecast: Forecast) -> None:
        """Prints the windows of a partner."""
        for window in forecast.windows:
            self.item(window_as_plain(window, forecast))

    def item(self, plain: dict[str, Any]) -> None:
        """Prints an item of the list."""
        text = json.dumps(plain, indent=1, allow_nan=False).replace("\n", "\n ")
        print(f"{self._before}\n {text}", end="", file=self._out)
        self._before = ","

    def finish(self) -> list[str]:
        """Ends the list. Returns nothing: there is no file."""
        print("[]" if self._before == "[" else "\n]", file=self._out)
        return []


def window_as_plain(window: Window, forecast: Forecast) -> dict[str, Any]:
    """Returns a window ready for JSON."""
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
        "low_spread": [low_spread_as_plain(period) for period in window.low_spread],
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
    """Returns an instant to the second."""
    return iso_utc(round(utc_s))


def _max_elevation(highest: MaxElevation) -> dict[str, Any]:
    return {
        "at": _at(highest.at_utc_s),
        "elevation_deg": round(highest.elevation_deg, 2),
        "azimuth_deg": round(highest.azimuth_deg, 2),
    }


def low_spread_as_plain(period: LowSpread) -> dict[str, Any]:
    """Returns a period of low spread ready for JSON."""
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
