"""A forecast as a CSV file, row by row."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from moontrim.errors import unwritable
from moontrim.forecast.compute import Forecast
from moontrim.forecast.window import Window

COLUMNS = (
    "utc",
    "partner",
    "home_azimuth_deg",
    "home_elevation_deg",
    "partner_azimuth_deg",
    "partner_elevation_deg",
    "spread_hz",
    "half_power_spread_hz",
    "path_loss_db",
    "home_gas_attenuation_db",
    "partner_gas_attenuation_db",
    "home_sky_k",
    "home_antenna_k",
    "partner_sky_k",
    "partner_antenna_k",
    "sun_moon_separation_deg",
    "galactic_latitude_deg",
    "spatial_offset_deg",
    "home_snr_db_in_2500_hz",
    "partner_snr_db_in_2500_hz",
    "spread_penalty_db_estimate",
    "margin_db",
)


class CsvFile:
    """A file with a row for the start, every whole minute, and the end of every window. It is begun
    with the first partner."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._rows: int | None = None

    def add(self, forecast: Forecast) -> None:
        """Writes the rows of a partner. Raises InputError if the file cannot be written."""
        try:
            with self._path.open(
                "w" if self._rows is None else "a", newline="", encoding="utf-8"
            ) as file:
                writer = csv.writer(file)
                if self._rows is None:
                    writer.writerow(COLUMNS)
                    self._rows = 0
                for window in forecast.windows:
                    writer.writerows(_rows(window))
                    self._rows += window.series.utc_s.size
        except OSError as error:
            raise unwritable("--csv", self._path, error) from None

    def finish(self) -> list[str]:
        """Returns what has been written."""
        return [f"{self._path}: {self._rows} rows"]


def _rows(window: Window) -> Iterable[tuple[str, ...]]:
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
    nothing = [""] * s.utc_s.size
    cells = (
        nothing if values is None else map(f"{{:.{digits}f}}".format, values.tolist())
        for values, digits in columns
    )
    utc = np.datetime_as_string(np.round(s.utc_s).astype("datetime64[s]"))
    return zip((f"{at}Z" for at in utc), [window.partner] * s.utc_s.size, *cells, strict=True)
