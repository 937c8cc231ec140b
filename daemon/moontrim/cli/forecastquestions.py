"""Turns options and config into the questions that `moontrim forecast` answers."""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass, replace
from datetime import tzinfo

from moontrim.cli.arguments import (
    ephemeris_of,
    frequency_hz,
    instant,
    number,
    require_covered,
    settings_of,
)
from moontrim.config.band import BandSettings
from moontrim.config.equipment import EquipmentSettings
from moontrim.config.forecast import ForecastSettings, ForecastTables, SignalSettings
from moontrim.config.partner import SELF, PartnerSettings, named
from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.forecast.question import End, ForecastQuestion, Horizon
from moontrim.forecast.shown.words import zone_named
from moontrim.path import Ephemeris, parse_site

DAY_S = 86400.0
LONGEST_DAYS = 3660.0  # ten years, as in the config


@dataclass(frozen=True)
class Work:
    """The checked input of a run: one question per partner. zone: for local times; None: the
    system's."""

    questions: tuple[ForecastQuestion, ...]
    zone: tzinfo | None
    ephemeris: Ephemeris


def work_of(options: argparse.Namespace, now_utc_s: float) -> Work:
    """Returns the input of a run: options override the config, which overrides defaults. Raises
    InputError, CoverageError."""
    alone = options.config is None and options.home and options.partner and options.frequency
    settings = None if alone else _settings(options)
    tables = (
        ForecastTables(EquipmentSettings(), (), ForecastSettings())
        if settings is None
        else settings.forecast_tables
    )
    band = _band(options, settings)
    on_air_hz = _on_air_hz(options, band)
    signals = tables.forecast.bands.get(band.name if band else "", SignalSettings())
    min_elevation_deg = number(options.min_elevation, "--min-elevation", -5.0, 89.0)
    home = _home(options, settings, tables.equipment, band, on_air_hz)
    partners = _partners(options, settings, tables, band, on_air_hz)
    if min_elevation_deg is not None:
        home = _raised(home, min_elevation_deg)
        partners = [None if p is None else _raised(p, min_elevation_deg) for p in partners]
    days = number(options.days, "--days", 1.0 / 24.0, LONGEST_DAYS) or tables.forecast.days
    start_utc_s = (
        math.floor(now_utc_s / 60.0) * 60.0
        if options.start is None
        else instant(options.start, "--from")
    )
    ephemeris = Ephemeris.load() if settings is None else ephemeris_of(settings)
    if options.start is not None:
        require_covered(ephemeris, start_utc_s, "--from")
    max_spread_hz = number(options.max_spread, "--max-spread", 0.001, 1e6)
    questions = tuple(
        ForecastQuestion(
            home,
            partner,
            on_air_hz,
            start_utc_s,
            start_utc_s + days * DAY_S,
            signals.max_spread_hz if max_spread_hz is None else max_spread_hz,
            signals.signal(),
        )
        for partner in partners
    )
    zone = (
        zone_named(options.timezone, "--timezone")
        if options.timezone
        else zone_named(tables.forecast.timezone, "forecast.timezone")
    )
    return Work(questions, zone, ephemeris)


def _settings(options: argparse.Namespace) -> Settings:
    """Reads the config. Raises InputError, naming --frequency where only that is missing."""
    try:
        return settings_of(options)
    except InputError as error:
        if error.field == "--config" and options.home and options.partner:
            allowed = "hertz on the air such as 144.12e6, or a --config with or without --band"
            raise InputError("--frequency", None, allowed) from None
        raise


def _band(options: argparse.Namespace, settings: Settings | None) -> BandSettings | None:
    """Returns the band of --band; else the one that contains --frequency, if any; else the one that
    a first session starts on."""
    if settings is None:
        return None
    if options.band is not None:
        return settings.band(options.band)
    if options.frequency is None:
        name = settings.defaults.band
        return settings.bands[0] if name is None else settings.band(name)
    on_air_hz = frequency_hz(options.frequency)
    for band in settings.bands:
        if band.tx_low_hz <= on_air_hz <= band.tx_high_hz:
            return band
    return None


def _on_air_hz(options: argparse.Namespace, band: BandSettings | None) -> float:
    if options.frequency is not None:
        return frequency_hz(options.frequency)
    assert band is not None  # there is a config, or a frequency was given
    return float(band.sked_hz)


def _home(
    options: argparse.Namespace,
    settings: Settings | None,
    equipment: EquipmentSettings,
    band: BandSettings | None,
    on_air_hz: float,
) -> End:
    """Returns the config's station; with --home its equipment at that place, without its
    horizon."""
    gear = equipment.on_band(band.name if band else None).gear(on_air_hz)
    if options.home is not None:
        home = End("home", parse_site(options.home, "--home"), gear=gear)
    else:
        assert settings is not None  # or a home was given
        horizon = Horizon(equipment.min_elevation_deg, equipment.horizon)
        home = End("home", settings.home.site(), horizon, gear)
    if options.horizon is not None:
        home = replace(home, horizon=_mask(options.horizon, home.horizon.min_elevation_deg))
    return home


def _partners(
    options: argparse.Namespace,
    settings: Settings | None,
    tables: ForecastTables,
    band: BandSettings | None,
    on_air_hz: float,
) -> list[End | None]:
    """Returns the partners of --partner, each a name or a place; else all of the config. None: our
    own echo."""

    def end_of(partner: PartnerSettings) -> End:
        return partner.equipment.end(partner.name, partner, band.name if band else None, on_air_hz)

    if options.partner is None:
        if tables.partners:
            return [end_of(partner) for partner in tables.partners]
        assert settings is not None  # or a partner was given
        if (place := settings.partner_place()) is None:
            return [None]
        site = place.site()
        return [End(site.locator or "partner", site)]
    ends: list[End | None] = []
    for text in dict.fromkeys(options.partner):
        if text.strip().casefold() == SELF:
            ends.append(None)
        elif (partner := named(tables.partners, text)) is not None:
            ends.append(end_of(partner))
        else:
            site = parse_site(text, "--partner")
            ends.append(End(site.locator or text.strip(), site))
    return ends


def _raised(end: End, min_elevation_deg: float) -> End:
    return replace(end, horizon=replace(end.horizon, min_elevation_deg=min_elevation_deg))


def _mask(text: str, min_elevation_deg: float) -> Horizon:
    try:
        pairs = [tuple(float(number) for number in pair.split(":")) for pair in text.split(",")]
        mask = tuple((azimuth, elevation) for azimuth, elevation in pairs)
    except ValueError:
        raise InputError("--horizon", text, "AZ:EL,AZ:EL,... in degrees") from None
    return Horizon(min_elevation_deg, mask)
