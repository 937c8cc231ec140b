"""Options that several commands have, and reading their values. Every problem is an InputError."""

from __future__ import annotations

import argparse
import math
import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from moontrim.config.partner import PartnerSettings, place_of
from moontrim.config.settings import Settings, load_settings
from moontrim.errors import CoverageError, InputError
from moontrim.formats import grouped, short
from moontrim.path.site import Site

if TYPE_CHECKING:
    from moontrim.path.ephemeris import Ephemeris

LOWEST_HZ, HIGHEST_HZ = 1e6, 1e12  # chosen: wider than any band in use for moonbounce


def add_config(command: argparse.ArgumentParser) -> None:
    """Declares the option --config."""
    command.add_argument(
        "--config",
        type=Path,
        metavar="FILE",
        help="config file (default: the first found of ~/.config/moontrim/moontrim.toml and "
        "/etc/moontrim/moontrim.toml)",
    )


def add_journal(command: argparse.ArgumentParser) -> None:
    """Declares the options --config and --journal, of which one at most may be given."""
    where = command.add_mutually_exclusive_group()
    where.add_argument(
        "--config",
        type=Path,
        metavar="FILE",
        help="config file whose journal to read (default: as for run)",
    )
    where.add_argument("--journal", type=Path, metavar="FILE", help="journal file to read")


def settings_of(options: argparse.Namespace, *, home_by_gps: bool = False) -> Settings:
    """Reads the config named by --config, or the first in the usual places. Raises InputError.

    home_by_gps: home may be left to the GPS receiver; otherwise that is an InputError."""
    settings = load_settings(config_path(options))
    if not (home_by_gps or settings.home_is_known):
        expected = "a place in [home]; only `run` and `check` use a GPS receiver"
        raise InputError("home", None, expected)
    return settings


def config_path(options: argparse.Namespace) -> Path:
    """Returns the config file named by --config, or the first in the usual places. Raises
    InputError."""
    if options.config is not None:
        return Path(options.config)
    base = os.environ.get("XDG_CONFIG_HOME")
    places = [
        (Path(base) if base else Path.home() / ".config") / "moontrim" / "moontrim.toml",
        Path("/etc/moontrim/moontrim.toml"),
    ]
    for place in places:
        if place.is_file():
            return place
    problem = f"no config file given; use --config FILE, or create {places[0]} or {places[1]}"
    raise InputError("--config", None, problem=problem)


def ephemeris_of(settings: Settings) -> Ephemeris:
    """Loads the ephemeris, from the tables that the config names, if any."""
    from moontrim.path.ephemeris import Ephemeris

    return Ephemeris.load(settings.data.earth_orientation_file, settings.data.ephemeris_file)


def partner_of(text: str, field: str, partners: Sequence[PartnerSettings] = ()) -> Site | None:
    """Returns the place of a partner, by name or written out; None for `self`, our own echo. Raises
    InputError."""
    try:
        place = place_of(partners, text)
    except InputError as error:
        raise InputError(field, text, error.expected) from None
    return None if place is None else place.site()


def instant(text: str, field: str) -> float:
    """Returns POSIX seconds of UTC. Raises InputError."""
    allowed = "an instant of ISO 8601 such as 2026-11-25T20:00:00Z (UTC unless it says otherwise)"
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(field, text, allowed) from None
    if when.tzinfo is None:
        when = when.replace(tzinfo=UTC)
    try:
        return when.timestamp()
    except (OverflowError, ValueError):
        raise InputError(field, text, allowed) from None


def require_covered(ephemeris: Ephemeris, utc_s: float, field: str) -> None:
    """Raises CoverageError naming the option if its instant is outside the tables."""
    try:
        ephemeris.require(utc_s)
    except CoverageError as error:
        raise CoverageError(f"{field}: {error}") from None


def frequency_hz(text: str, field: str = "--frequency") -> float:
    """Returns on-air hertz, from `LOWEST_HZ` to `HIGHEST_HZ`. Raises InputError."""
    try:
        value_hz = float(text)
    except ValueError:
        value_hz = float("nan")
    if not LOWEST_HZ <= value_hz <= HIGHEST_HZ:
        expected = f"hertz from {grouped(LOWEST_HZ)} to {grouped(HIGHEST_HZ)}"
        raise InputError(field, text, expected)
    return value_hz


def number(text: str | None, field: str, lowest: float, highest: float) -> float | None:
    """Returns a number in a range; None for an option that was left out. Raises InputError."""
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not lowest <= value <= highest:
        raise InputError(field, text, f"a number from {short(lowest)} to {short(highest)}")
    return value
