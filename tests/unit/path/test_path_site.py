"""Locators and coordinates: every length, corners, round trips, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim.errors import InputError
from moontrim.path import Site, locator_of, parse_site


@pytest.mark.parametrize(
    ("text", "latitude_deg", "longitude_deg", "half_height_deg"),
    [
        ("JN88", 48.5, 17.0, 0.5),
        ("JN88ee", 48.0 + 4.5 / 24, 16.0 + 4.5 / 12, 0.5 / 24),
        ("jn88EE55", 48.0 + 4 / 24 + 5.5 / 240, 16.0 + 4 / 12 + 5.5 / 120, 0.5 / 240),
        ("AA00", -89.5, -179.0, 0.5),
        ("RR99", 89.5, 179.0, 0.5),
        ("AA00aa00aa00", -90.0 + 0.5 / 57600, -180.0 + 1.0 / 57600, 0.5 / 57600),
        ("RR99xx99xx99", 90.0 - 0.5 / 57600, 180.0 - 1.0 / 57600, 0.5 / 57600),
        ("JJ00aa00aa", 0.5 / 5760, 1.0 / 5760, 0.5 / 5760),
    ],
)
def test_locator_centres(
    text: str, latitude_deg: float, longitude_deg: float, half_height_deg: float
) -> None:
    site = parse_site(text)
    assert site.latitude_deg == pytest.approx(latitude_deg, abs=1e-12)
    assert site.longitude_deg == pytest.approx(longitude_deg, abs=1e-12)
    assert site.half_height_deg == pytest.approx(half_height_deg)
    assert site.half_width_deg == pytest.approx(2 * half_height_deg)
    assert site.height_m == 0.0


@given(
    st.floats(-90, 90),
    st.floats(-180, 180),
    st.sampled_from([4, 6, 8, 10, 12]),
)
def test_the_square_holds_the_place_and_names_itself(
    latitude_deg: float, longitude_deg: float, characters: int
) -> None:
    text = locator_of(Site(latitude_deg, longitude_deg), characters)
    square = parse_site(text)
    assert len(text) == characters
    assert abs(square.latitude_deg - latitude_deg) <= square.half_height_deg + 1e-12
    assert abs(square.longitude_deg - longitude_deg) <= square.half_width_deg + 1e-12
    assert locator_of(square, characters) == text == square.locator


@pytest.mark.parametrize(
    "text",
    ["", " ", "JN8", "JN88e", "JS88", "SN88", "JN8A", "88JN", "JN88yy", "JN88ee5", "JN88ee55ee5",
     "JN88ee55ee55ee", "JN88é0", "JN８８", "48", "48,", "48,16,1,2", "a,b", "91,0", "-90.1,0",
     "0,180.1", "0,-181", "nan,0", "0,inf", "0,0,nan", "0,0,9001", "0,0,-501", "48;16"],
)  # fmt: skip
def test_everything_else_is_refused_by_name(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_site(text, field="partner")
    assert caught.value.field == "partner"
    assert caught.value.value == text
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("height_m", [math.nan, math.inf, -500.1, 9000.5])
def test_a_bad_height_is_refused(height_m: float) -> None:
    for text in ("JN88", "48,16"):
        with pytest.raises(InputError, match="height_m"):
            parse_site(text, height_m=height_m)


def test_heights() -> None:
    assert parse_site(" 48.5 , -16.25 , 310 ") == Site(48.5, -16.25, 310.0)
    assert parse_site("48,16", height_m=20.0).height_m == 20.0
    assert parse_site("JN88", height_m=20.0).height_m == 20.0
    assert parse_site("48,16,20", height_m=20.0).height_m == 20.0
    with pytest.raises(InputError, match="height_m"):
        parse_site("48,16,20", height_m=30.0)


def test_wgs84_at_the_axes() -> None:
    """Semi-axes of WGS84: 6378.137 and 6356.752314245 km (NIMA TR8350.2)."""
    assert np.allclose(Site(0, 0, 1000).itrs_km(), [6379.137, 0, 0], atol=1e-9)
    assert np.allclose(Site(0, 90).itrs_km(), [0, 6378.137, 0], atol=1e-9)
    assert np.allclose(Site(-90, 0).itrs_km(), [0, 0, -6356.752314245], atol=1e-9)
    site = Site(48.0, 16.0)
    axes = np.stack([site.east(), site.north(), site.up()])
    assert np.allclose(axes @ axes.T, np.eye(3))
    assert np.linalg.det(axes) == pytest.approx(1.0)
