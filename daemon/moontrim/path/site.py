"""Places on the ground: read from text, named by locator, placed in the Earth-fixed frame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from moontrim.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# WGS84 ellipsoid (NIMA TR8350.2, table 3.1).
WGS84_RADIUS_KM = 6378.137
WGS84_FLATTENING = 1.0 / 298.257223563

# What `parse_site` accepts: the end of its error text.
ALLOWED = (
    "a locator of 4, 6, 8, 10 or 12 characters (AA00AA00AA00 to RR99XX99XX99), or lat,lon or "
    "lat,lon,height_m with latitude -90 to 90, longitude -180 to 180, height -500 to 9000"
)
# Smallest and largest height accepted for a station, metres above the ellipsoid. Chosen: all land
# lies between.
HEIGHT_LIMITS_M = (-500.0, 9000.0)
# Divisions per pair of locator characters and the first character of each alphabet.
_PAIRS = ((18, "A"), (10, "0"), (24, "A"), (10, "0"), (24, "A"), (10, "0"))


@dataclass(frozen=True)
class Site:
    """A station's place: geodetic WGS84 latitude (north positive) and longitude (east positive) in
    degrees, height above the ellipsoid in metres.

    half_height_deg, half_width_deg: for a place read from a locator, half the sizes of its square,
    whose centre the place is; otherwise 0."""

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    locator: str | None = None
    half_height_deg: float = 0.0
    half_width_deg: float = 0.0

    def itrs_km(self) -> NDArray[np.float64]:
        """Returns the Earth-fixed (ITRS) position, km, shape (3,); closed form, exact."""
        latitude = math.radians(self.latitude_deg)
        eccentricity2 = WGS84_FLATTENING * (2.0 - WGS84_FLATTENING)
        prime_vertical = WGS84_RADIUS_KM / math.sqrt(1.0 - eccentricity2 * math.sin(latitude) ** 2)
        height = self.height_m / 1000.0
        up = self.up()
        scale = _vector(prime_vertical, prime_vertical, prime_vertical * (1.0 - eccentricity2))
        return (scale + height) * up

    def up(self) -> NDArray[np.float64]:
        """Returns the Earth-fixed unit vector along the ellipsoid's outward normal, shape (3,)."""
        latitude, longitude = math.radians(self.latitude_deg), math.radians(self.longitude_deg)
        return _vector(
            math.cos(latitude) * math.cos(longitude),
            math.cos(latitude) * math.sin(longitude),
            math.sin(latitude),
        )

    def east(self) -> NDArray[np.float64]:
        """Returns the Earth-fixed unit vector towards the east horizon, shape (3,)."""
        longitude = math.radians(self.longitude_deg)
        return _vector(-math.sin(longitude), math.cos(longitude), 0.0)

    def north(self) -> NDArray[np.float64]:
        """Returns the Earth-fixed unit vector towards the north horizon, shape (3,)."""
        latitude, longitude = math.radians(self.latitude_deg), math.radians(self.longitude_deg)
        return _vector(
            -math.sin(latitude) * math.cos(longitude),
            -math.sin(latitude) * math.sin(longitude),
            math.cos(latitude),
        )


def _vector(x: float, y: float, z: float) -> NDArray[np.float64]:
    import numpy as np  # not at the top: reading a config needs places but no vectors

    return np.array([x, y, z])


def parse_site(text: str, field: str = "site", height_m: float | None = None) -> Site:
    """Returns the Site of a locator (any case) or of `lat,lon` or `lat,lon,height_m`.

    field: what an error calls the text.
    height_m: the height of a place whose text has none; it must agree with a height in the text.

    Raises InputError for anything else, including numbers that are not finite or out of range."""
    if not isinstance(text, str):
        raise InputError(field, text, ALLOWED)
    stripped = text.strip()
    if "," in stripped:
        return _from_numbers(stripped, text, field, height_m)
    return _from_locator(stripped, text, field, _checked_height(height_m, field))


def _from_numbers(stripped: str, text: str, field: str, height_m: float | None) -> Site:
    parts = stripped.split(",")
    if len(parts) not in (2, 3):
        raise InputError(field, text, ALLOWED)
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        raise InputError(field, text, ALLOWED) from None
    if not all(math.isfinite(number) for number in numbers):
        raise InputError(field, text, ALLOWED)
    if abs(numbers[0]) > 90.0 or abs(numbers[1]) > 180.0:
        raise InputError(field, text, ALLOWED)
    if len(numbers) == 3:
        if not HEIGHT_LIMITS_M[0] <= numbers[2] <= HEIGHT_LIMITS_M[1]:
            raise InputError(field, text, ALLOWED)
        if height_m is not None and height_m != numbers[2]:
            problem = "given twice, with different values"
            raise InputError(f"{field} height_m", height_m, problem=problem)
        return Site(numbers[0], numbers[1], numbers[2])
    return Site(numbers[0], numbers[1], _checked_height(height_m, field))


def _checked_height(height_m: float | None, field: str) -> float:
    if height_m is None:
        return 0.0
    # Written so that NaN fails too.
    if not HEIGHT_LIMITS_M[0] <= height_m <= HEIGHT_LIMITS_M[1]:
        raise InputError(f"{field} height_m", height_m, "-500 to 9000 metres")
    return float(height_m)


def _from_locator(stripped: str, text: str, field: str, height_m: float) -> Site:
    if len(stripped) not in (4, 6, 8, 10, 12) or not stripped.isascii():
        raise InputError(field, text, ALLOWED)
    upper = stripped.upper()
    # Whole counts of the smallest square: exact, whatever the length.
    east, north, cells = 0, 0, 1
    for (divisions, first), at in zip(_PAIRS, range(0, len(upper), 2), strict=False):
        column, row = ord(upper[at]) - ord(first), ord(upper[at + 1]) - ord(first)
        if not (0 <= column < divisions and 0 <= row < divisions):
            raise InputError(field, text, ALLOWED)
        east, north, cells = east * divisions + column, north * divisions + row, cells * divisions
    return Site(
        latitude_deg=(2 * north + 1) * 90.0 / cells - 90.0,
        longitude_deg=(2 * east + 1) * 180.0 / cells - 180.0,
        height_m=height_m,
        locator=upper[:4] + upper[4:].lower(),
        half_height_deg=90.0 / cells,
        half_width_deg=180.0 / cells,
    )


def locator_of(site: Site, characters: int = 6) -> str:
    """Returns the locator square of 4, 6, 8, 10 or 12 characters that holds a site; InputError for
    other lengths. The north pole and the 180 degree meridian, which are inside no square, belong to
    the last square beside them."""
    if characters not in (4, 6, 8, 10, 12):
        raise InputError("characters", characters, "4, 6, 8, 10 or 12")
    pairs = _PAIRS[: characters // 2]
    cells = math.prod(divisions for divisions, _ in pairs)
    east = min(int((site.longitude_deg + 180.0) / 360.0 * cells), cells - 1)
    north = min(int((site.latitude_deg + 90.0) / 180.0 * cells), cells - 1)
    letters = []
    for divisions, first in reversed(pairs):
        east, column = divmod(east, divisions)
        north, row = divmod(north, divisions)
        letters.append(chr(ord(first) + column) + chr(ord(first) + row))
    text = "".join(reversed(letters))
    return text[:4] + text[4:].lower()
