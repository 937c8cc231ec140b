"""Refraction of a radio wave in the neutral atmosphere: where to point an antenna.

The geometric elevation is that of the straight line to the Moon, the apparent one that of the wave
as it arrives, which is higher: by 0.6 degrees at the horizon, 0.1 degrees at 10 degrees elevation.
Weather changes it by some ten percent."""

from __future__ import annotations

from moontrim.path.vectors import Number

# Below this geometric elevation nothing can be seen from any station on the ground; the refraction
# stays what it is there, since the formula has poles below -4.7 degrees.
LOWEST_DEG = -1.0


def apparent_elevation_deg(geometric_elevation_deg: Number, height_m: float) -> Number:
    """Returns the apparent elevation for a geometric one (a float or an array of any shape), seen
    from a station at a height: ITU-R P.834-9, section 4, equation for the free-space elevation, for
    the mean atmosphere of ITU-R P.453. Within 0.02 degrees of rays traced through the standard
    atmosphere, for stations up to 3 km."""
    geometric = geometric_elevation_deg
    # Comparison times value instead of a branch: the same line serves floats and arrays.
    angle = geometric + (LOWEST_DEG - geometric) * (geometric < LOWEST_DEG)
    h = height_m / 1000.0
    return geometric + 1.0 / (
        1.728
        + 0.5411 * angle
        + 0.03723 * angle * angle
        + h * (0.1815 + 0.06272 * angle + 0.01380 * angle * angle)
        + h * h * (0.01727 + 0.008288 * angle)
    )
