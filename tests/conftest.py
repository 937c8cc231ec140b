"""Shared by all tests."""

import pytest

from moontrim.path import Ephemeris
from support.effort import LONG


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What is marked `long` runs in CI and where it is asked for. What may take longest begins
    first, so that no worker is alone with it at the end."""
    items.sort(key=lambda item: item.get_closest_marker("timeout") is None)
    for item in items:
        if item.get_closest_marker("long") and not LONG:
            item.add_marker(pytest.mark.skip(reason="long: MOONTRIM_LONG=1, or CI"))


@pytest.fixture(scope="session")
def ephemeris() -> Ephemeris:
    """The tables that come with the packages, loaded once."""
    return Ephemeris.load()
