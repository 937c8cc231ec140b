"""Readers of the two files behind an `Ephemeris`: the Earth orientation table (finals2000A) and the
lunar kernel (JPL SPK). A file that is missing, damaged or of another kind raises CoverageError."""

from __future__ import annotations

import importlib.util
import io
from pathlib import Path

import numpy as np
from jplephem.daf import DAF
from jplephem.spk import SPK, BaseSegment
from skyfield.data import iers

from moontrim.errors import CoverageError
from moontrim.path.earthorientation import EarthTable

# Where finals2000A.all begins: 1973-01-02. Its leap seconds are counted from there.
FIRST_MJD = 41684.0
# The JPL's numbers for the bodies of a kernel's segments.
EARTH, MOON, EARTH_MOON_BARYCENTRE = 399, 301, 3

# How a user gets a table that reaches further: the end of several error texts.
UPGRADE = "for newer data upgrade the package astropy-iers-data or give a finals2000A file"


def read_table(path: Path) -> EarthTable:
    """Returns the table of a finals2000A file that begins in 1973. Raises CoverageError."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise CoverageError(
            f"the Earth orientation table {path} cannot be read ({error.strerror}); "
            "install the package astropy-iers-data or give a finals2000A file"
        ) from None
    try:
        return _parse_table(content)
    except (ValueError, IndexError, TypeError):
        raise CoverageError(
            f"the Earth orientation table {path} is damaged or not a finals2000A file that begins "
            f"in 1973; {UPGRADE}"
        ) from None


def _parse_table(content: bytes) -> EarthTable:
    """Returns the table of a file's content: values and leap seconds through skyfield's readers,
    sigmas and flags, which these leave out, by column (IERS/USNO readme.finals2000A). Raises
    ValueError on anything that is not a daily table."""
    rows = iers.parse_x_y_dut1_from_finals_all(io.BytesIO(content))
    # Later lines hold a date only, without UT1.
    lines = [line for line in content.splitlines() if line[58:68].strip()]
    if len(lines) != len(rows) or len(rows) < 10:
        raise ValueError("rows do not match")
    utc_mjd = rows["utc_mjd"]
    # Leap seconds are counted from the table's beginning; IERS publishes later parts as well, which
    # look alike.
    if not np.all(np.diff(utc_mjd) == 1.0) or utc_mjd[0] != FIRST_MJD:
        raise ValueError("days are missing")
    sigmas = np.array([[line[27:36], line[46:55], line[68:78]] for line in lines]).astype(float)
    tt_jd, delta_t_s, leap_jd, offsets = iers.build_timescale_arrays(utc_mjd, rows["dut1"])
    columns = (delta_t_s, rows["x_arcseconds"], rows["y_arcseconds"], sigmas)
    if not all(np.isfinite(column).all() for column in columns) or np.any(sigmas < 0.0):
        raise ValueError("no numbers")
    if np.any(np.abs(np.diff(delta_t_s)) > 0.02) or not leap_jd.size:
        raise ValueError("UT1 jumps, or never leaps")
    return EarthTable(
        utc_mjd=utc_mjd,
        ut1_sigma_s=sigmas[:, 2],
        measured=np.array([line[57:58] == b"I" for line in lines]),
        pole_x_arcsec=rows["x_arcseconds"],
        pole_y_arcsec=rows["y_arcseconds"],
        pole_sigma_arcsec=np.hypot(sigmas[:, 0], sigmas[:, 1]),
        tt_jd=tt_jd,
        delta_t_s=delta_t_s,
        leap_mjd=leap_jd - 2400000.5,
        leap_tai_minus_utc_s=offsets,
    )


def packaged_kernel() -> Path:
    """Returns where the package skyfield-data keeps DE421. Raises CoverageError without it."""
    # Found without importing the package, which warns at run time about a table we do not use.
    spec = importlib.util.find_spec("skyfield_data")
    if spec is None or not spec.submodule_search_locations:
        raise CoverageError("the lunar kernel is missing; install the package skyfield-data")
    return Path(spec.submodule_search_locations[0]) / "data" / "de421.bsp"


def read_kernel(path: Path) -> tuple[BaseSegment, BaseSegment]:
    """Returns the segments of the Moon and of the Earth from their common barycentre, out of a JPL
    SPK file. Raises CoverageError."""
    try:
        with path.open("rb") as file:
            kernel = SPK(DAF(file))
            moon = kernel[EARTH_MOON_BARYCENTRE, MOON]
            earth = kernel[EARTH_MOON_BARYCENTRE, EARTH]
            # Maps the coefficients into memory; the file itself is not needed any more.
            for segment in (moon, earth):
                segment.compute(segment.start_jd + 1.0)
    except OSError as error:
        raise CoverageError(
            f"the lunar kernel {path} cannot be read ({error.strerror}); "
            "install the package skyfield-data or give a JPL SPK file"
        ) from None
    except Exception:
        # jplephem's reader fails in many ways on bytes that are no kernel; all mean the same here.
        raise CoverageError(
            f"the lunar kernel {path} is damaged or holds no Moon; install the package "
            "skyfield-data or give a JPL SPK file"
        ) from None
    return moon, earth
