"""Which Earth-fixed frame station positions are in: ITRF93, the frame of NAIF's Earth kernels.

The Earth-rotation table gives the celestial orientation of the current ITRF (2014 and 2020 agree to
millimetres); ITRF93 is turned against it by about 0.2 m at the equator. We take stations to be in
ITRF93 so that results can be compared with JPL's tools digit by digit. A position from a GNSS
receiver is in the current ITRF: taking it for ITRF93 costs at most 0.0014 Hz two ways at 10.368
GHz, as much as 0.3 m of error in the position itself."""

from __future__ import annotations

import numpy as np

from moontrim.path.vectors import Array

# Rotation parameters from ITRF2014 to ITRF93 at 2010.0 and per year, milliarcseconds, from the
# table "Transformation parameters from ITRF2014 to past ITRFs" (ITRF centre, IGN). Typed from
# memory; the NAIF kernel confirms them (tests/authority/test_naif.py).
_ROTATION_MAS = np.array([-2.81, -3.38, 0.40])
_ROTATION_MAS_PER_YEAR = np.array([-0.11, -0.19, 0.07])
_JD_2010 = 2455197.5
_RAD_PER_MAS = np.pi / (180.0 * 3600.0e3)


def itrf93_from_itrf(tt_jd: Array) -> Array:
    """Matrices (3, 3, N) that turn vectors from the current ITRF into ITRF93 at Julian dates TT
    (N,); rotation only."""
    years = (np.asarray(tt_jd) - _JD_2010) / 365.25
    x, y, z = (
        _ROTATION_MAS[:, np.newaxis] + _ROTATION_MAS_PER_YEAR[:, np.newaxis] * years
    ) * _RAD_PER_MAS
    one = np.ones_like(x)
    return np.array([[one, -z, y], [z, one, -x], [-y, x, one]])
