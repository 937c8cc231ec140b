"""The columns of a session's rows, in CSV and in Parquet alike. Empty (CSV) or null (Parquet) where
nothing is known.

A module of its own, since every start of the program reads it for the help of `moontrim report`,
and all else in this room takes long to import."""

from __future__ import annotations

# By column: digits after the point (None: a text), and unit and meaning.
COLUMNS: dict[str, tuple[int | None, str]] = {
    "utc": (None, "the UTC second planned, ISO 8601"),
    "at_utc_s": (6, "POSIX seconds UTC, the instant of the row, 0.3 s before that second"),
    "tracking": (None, "tracking state"),
    "sked": (None, "name of the chosen sked; empty: none"),
    "band": (None, "name of the band"),
    "partner": (None, "name, locator or lat,lon,height_m; self: your own echoes"),
    "agreement": (None, "who corrects what"),
    "sked_hz": (3, "Hz, agreed on-air frequency"),
    "tx_sked_hz": (3, "Hz, the same for transmit where it differs"),
    "rx_trim_hz": (3, "Hz, added by the operator to the receive frequency"),
    "tx_trim_hz": (3, "Hz, added by the operator to the transmit frequency"),
    "correcting": (0, "1: correction on; 0: paused"),
    "over_s": (1, "s, duration of an over"),
    "rx_ideal_hz": (4, "Hz, ideal receive dial"),
    "rx_dial_hz": (0, "Hz, receive dial as read back"),
    "rx_residual_hz": (4, "Hz, rx_dial_hz - rx_ideal_hz"),
    "rx_correction_hz": (4, "Hz, ideal on-air receive frequency minus sked_hz without trim"),
    "tx_ideal_hz": (4, "Hz, ideal transmit dial"),
    "tx_dial_hz": (0, "Hz, transmit dial as read back"),
    "tx_residual_hz": (4, "Hz, tx_dial_hz - tx_ideal_hz"),
    "tx_correction_hz": (4, "Hz, ideal on-air transmit frequency minus tx_sked_hz without trim"),
    "elevation_deg": (3, "degrees, apparent, of the Moon at home"),
    "azimuth_deg": (3, "degrees from north through east, of the Moon at home"),
    "partner_elevation_deg": (3, "degrees, apparent, of the Moon at the partner"),
    "transmitting": (0, "1: the radio reports that it is transmitting; 0: it does not"),
    "keying": (None, "phase of the keying sequence"),
    "lateness_ms": (0, "ms, delay of the tick"),
    "clock_bound_ms": (3, "ms, bound of the clock error"),
}
