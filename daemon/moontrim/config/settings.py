"""The config file as a whole: TOML in, immutable checked values out.

Makes every check that needs no radio and no sky. Units are in the names of the keys. Unknown keys
are refused, because a misspelt limit is a limit that does not hold. Driver options are checked by
the driver's own model (see `moontrim_drivers.contract.DriverOptions`)."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError, field_validator, model_validator

from moontrim.config.band import BandSettings
from moontrim.config.clock import ClockSettings
from moontrim.config.equipment import EquipmentSettings
from moontrim.config.forecast import ForecastSettings, ForecastTables
from moontrim.config.frontends import FrontEndSettings, check_front_ends, front_end_names
from moontrim.config.gps import GpsSettings
from moontrim.config.journal import JournalSettings
from moontrim.config.keying import KeyingSettings
from moontrim.config.mistakes import Expected, Mistakes, mistakes
from moontrim.config.partner import SELF, PartnerSettings, check_partners, place_of
from moontrim.config.radio import RadioSettings
from moontrim.config.remote import RemoteSettings
from moontrim.config.share import ShareSettings
from moontrim.config.site import SiteSettings
from moontrim.config.sked import Sked, check_skeds
from moontrim.config.table import FilePath, Table, read_toml
from moontrim.errors import InputError
from moontrim.tuning.correction import Agreement, echo_problem
from moontrim_drivers.registry import load


class DefaultsSettings(Table):
    """The choices of a first start; afterwards the saved choices count."""

    band: str | None = Field(
        None, description="Name of a band; default: the first one of [[bands]]."
    )
    agreement: Agreement = Field(
        "halves", description="Who corrects which part of the Doppler; see README."
    )


class DataSettings(Table):
    """Data files used instead of those in the Python packages."""

    earth_orientation_file: FilePath | None = Field(
        None, strict=False, description="Earth orientation table: an IERS finals2000A file."
    )
    ephemeris_file: FilePath | None = Field(
        None, strict=False, description="JPL SPK kernel with the Moon."
    )
    band_plan_file: FilePath | None = Field(
        None,
        strict=False,
        description="Band plan with moonbounce segments, for notes of `moontrim check` only.",
    )


# Stands for a home that is left to the GPS receiver; nothing is computed for this place.
_NOWHERE = SiteSettings(latitude_deg=0.0, longitude_deg=0.0)


class Settings(Table):
    """The config file of moontrim."""

    equipment: EquipmentSettings = Field(
        EquipmentSettings(), description="Equipment and horizon at home."
    )
    partners: tuple[PartnerSettings, ...] = ()
    forecast: ForecastSettings = ForecastSettings()
    home: SiteSettings = Field(
        _NOWHERE,
        description="Position of the home station; may be omitted with gps.use_for_home = true.",
    )
    partner: SiteSettings | str = Field(
        "self",
        description="Position of the partner (a table like [home]), the name of one of "
        '[[partners]], or "self" for your own echoes.',
    )
    bands: tuple[BandSettings, ...] = Field(min_length=1)
    front_ends: tuple[FrontEndSettings, ...] = ()
    skeds: tuple[Sked, ...] = ()
    radio: RadioSettings = RadioSettings()
    defaults: DefaultsSettings = DefaultsSettings()
    data: DataSettings = DataSettings()
    remote: RemoteSettings = RemoteSettings()
    keying: KeyingSettings = KeyingSettings()
    share: ShareSettings = ShareSettings()
    clock: ClockSettings = ClockSettings()
    gps: GpsSettings = GpsSettings()
    journal: JournalSettings = JournalSettings()
    state_dir: FilePath | None = Field(
        None,
        strict=False,
        description="Folder of saved choices and journal; default: $STATE_DIRECTORY, else "
        "~/.local/state/moontrim.",
    )
    troposphere: bool = Field(
        True, description="Correct for refraction and delay in the troposphere."
    )

    @field_validator("bands", "front_ends", "partners", "skeds", mode="before")
    @classmethod
    def _list_to_tuple(cls, value: Any) -> Any:
        return tuple(value) if isinstance(value, list) else value

    @field_validator("partner", mode="before")
    @classmethod
    def _a_name_or_a_place(cls, value: Any) -> Any:
        # The union alone would report a problem for each of its members.
        if isinstance(value, str):
            return SELF if value.strip().casefold() == SELF else value
        if isinstance(value, SiteSettings):
            return value
        if not isinstance(value, dict):
            raise Expected(
                '"self", the name of one of [[partners]], or a table [partner] with a locator, or '
                "latitude_deg and longitude_deg"
            )
        try:
            return SiteSettings.model_validate(value)
        except ValidationError as error:
            raise Mistakes(mistakes(error, value, SiteSettings, ("partner",))) from None

    @property
    def home_is_known(self) -> bool:
        """False while home is left to the GPS receiver and has not come from it yet."""
        return self.home != _NOWHERE

    @property
    def forecast_tables(self) -> ForecastTables:
        """The tables that the forecast reads."""
        return ForecastTables(self.equipment, self.partners, self.forecast)

    @model_validator(mode="after")
    def _places(self) -> Settings:
        check_partners(self.partners, self.partner)
        if self.partner == SELF and (problem := echo_problem(self.defaults.agreement)):
            raise ValueError(f"defaults.agreement: {problem}")
        if not self.home_is_known and not self.gps.use_for_home:
            raise ValueError("home: missing; expected a place, or [gps] with use_for_home = true")
        return self

    @model_validator(mode="after")
    def _names(self) -> Settings:
        names = [band.name for band in self.bands]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"[[bands]]: name {name!r} used twice")
        for name in sorted(self.forecast_tables.band_names() - set(names)):
            raise ValueError(f"table for band {name!r}, which is not in [[bands]]")
        self._check_commands()
        check_front_ends(self.bands, self.front_ends, self.keying)
        check_skeds(self.skeds, self.bands, self.partners)
        if self.keying.enabled:
            for band in self.bands:
                if band.drive_ceiling is None and band.goes_through_transverter:
                    raise ValueError(
                        f'[[bands]] "{band.name}": drive_ceiling: missing; needed with keying, '
                        "since full power would destroy the transverter"
                    )
        if self.defaults.band is not None and self.defaults.band not in names:
            raise ValueError(
                f"defaults.band: invalid value {self.defaults.band!r}; expected one of "
                f"{', '.join(names)}"
            )
        return self

    def _check_commands(self) -> None:
        parse = getattr(load(self.radio.driver), "parse_command", None)
        for band in self.bands:
            for text in band.commands:
                if parse is None:
                    raise ValueError(
                        f'[[bands]] "{band.name}": commands: driver {self.radio.driver!r} has none'
                    )
                try:
                    parse(text)
                except ValueError as error:
                    raise ValueError(f'[[bands]] "{band.name}": commands: {error}') from None

    def band(self, name: str) -> BandSettings:
        """Returns the band of that name. Raises InputError for an unknown name."""
        for band in self.bands:
            if band.name == name:
                return band
        raise InputError("band", name, ", ".join(band.name for band in self.bands))

    def partner_place(self, text: str | None = None) -> SiteSettings | None:
        """Returns the place of a partner, None for our own echo.

        text: `self`, the name of one of [[partners]] in any case, a locator or
        `lat,lon,height_m`; None: the partner of the config. Raises InputError."""
        partner = self.partner if text is None else text
        return place_of(self.partners, partner) if isinstance(partner, str) else partner

    @property
    def only_front_end(self) -> str | None:
        """The front end, where all bands have the same; None where there are several."""
        names = front_end_names(self.bands)
        return names[0] if len(names) == 1 else None

    def state_path(self) -> Path:
        """Returns the folder of choices and journal: of the config, of systemd, or the user's."""
        if self.state_dir is not None:
            return self.state_dir
        folders = os.environ.get("STATE_DIRECTORY")  # systemd.exec(5): separated by colons
        if folders:
            return Path(folders.split(":")[0])
        base = os.environ.get("XDG_STATE_HOME")
        return (Path(base) if base else Path.home() / ".local" / "state") / "moontrim"


def load_settings(path: Path) -> Settings:
    """Reads and checks a config file. Raises InputError naming the key, its value and what was
    expected."""
    return settings_from(read_toml(path, "config"), str(path))


def settings_from(raw: dict[str, Any], source: str) -> Settings:
    """Checks a parsed config. Raises ConfigError with every problem. source: its name in errors."""
    try:
        return Settings.model_validate(raw)
    except ValidationError as error:
        raise ConfigError(source, mistakes(error, raw, Settings)) from None


class ConfigError(InputError):
    """One or more problems in a config file. problems: a phrase for each."""

    def __init__(self, source: str, problems: list[str]) -> None:
        super().__init__("config", source, "; ".join(problems))
        self.problems = problems
        self.args = (f"config {source}: " + "; ".join(problems),)
