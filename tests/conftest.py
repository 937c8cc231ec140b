"""Shared by all tests."""

import pytest

from moontrim.path import Ephemeris


@pytest.fixture(scope="session")
def ephemeris() -> Ephemeris:
    """The tables that come with the packages, loaded once."""
    return Ephemeris.load()
