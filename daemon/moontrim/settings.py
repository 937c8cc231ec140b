"""The configuration file: TOML in, frozen and checked values out.

Owns the shape of the file and every check that needs no radio and no sky. Units are in the names;
unknown keys are refused, because a misspelt limit is a limit that does not hold. Driver options are
checked by the driver's own model (see `moontrim_drivers.contract.DriverOptions`)."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from moontrim.band import Band
from moontrim.bandentry import BandEntry
from moontrim.correction import Agreement
from moontrim.errors import InputError
from moontrim.forecast.settings import ForecastTables
from moontrim.gps.settings import GpsSettings
from moontrim.journal.settings import JournalSettings
from moontrim.keying.settings import KeyingSettings
from moontrim.planner import WhileTransmitting
from moontrim.remote.settings import RemoteSettings
from moontrim.share.settings import ShareSettings
from moontrim.sitesettings import SiteSettings
from moontrim.table import FilePath, Hertz, Table, problems, read_toml
from moontrim.timekeeping.settings import ClockSettings
from moontrim_drivers.contract import DriverOptions
from moontrim_drivers.registry import DriverNotFoundError, load


class BandSettings(Table):
    """One band: how the dial maps to the air, what may be transmitted, and how the radio is
    treated there."""

    name: str = Field(min_length=1, max_length=40)
    sked_hz: Hertz = Field(description="On-air frequency to start with, agreed with the partner.")
    allowed_low_hz: Hertz = Field(description="Lowest on-air frequency that may be transmitted.")
    allowed_high_hz: Hertz = Field(description="Highest on-air frequency that may be transmitted.")
    transverter_offset_hz: int = Field(
        0,
        ge=0,
        lt=10**12,
        description="On-air = offset + dial (sense plus) or offset - dial (sense minus). "
        "0: no transverter.",
    )
    transverter_sense: Literal["plus", "minus"] = "plus"
    tx_sked_hz: Hertz | None = Field(
        None,
        description="Cross-band: where we transmit, if the two sides use different segments. It "
        "moves along with the sked frequency, which is then where we receive.",
    )
    tx_transverter_offset_hz: int | None = Field(
        None, ge=0, lt=10**12, description="Where transmitting goes through another oscillator."
    )
    dial_resolution_hz: int = Field(1, ge=1, le=1000, description="Smallest dial step to use here.")
    dial_error_hz: float = Field(
        0.0, ge=-1e6, le=1e6, description="Measured: true on-air minus indicated on-air frequency."
    )
    reference_error_ppb: float = Field(
        0.0,
        ge=-1e5,
        le=1e5,
        description="Measured: by how many parts per billion the frequency reference is high.",
    )
    reference_uncertainty_ppb: float | None = Field(
        None,
        ge=0,
        le=1e5,
        description="How well reference_error_ppb is known, one sigma; left out: not known.",
    )
    dial_uncertainty_hz: float | None = Field(
        None,
        ge=0,
        le=1e6,
        description="How well dial_error_hz (a transverter's oscillator) is known, one sigma; 0 if "
        "it hangs on the radio's reference; left out: not known.",
    )
    while_transmitting: WhileTransmitting = Field(
        "hold",
        description="hold: leave the dial as it is while keyed. mid_over: while receiving, keep "
        "the transmit dial where it should be half an over later, then hold. step: keep "
        "correcting while keyed (only on a radio that can).",
    )
    drive_ceiling: float | None = Field(
        None,
        ge=0,
        le=1,
        description="Largest RF power, as a fraction of full, that the radio may be set to here. A "
        "transverter takes little; without a figure nothing is watched or set.",
    )
    mode: str | None = Field(
        None, pattern="^[A-Z0-9]{1,12}$", description="Mode to set on entering the band, as USB."
    )
    passband_hz: int = Field(0, ge=0, le=20_000, description="With it; 0: the mode's normal one.")
    commands: tuple[str, ...] = Field(
        (),
        max_length=16,
        strict=False,
        description="Free-form commands sent once on entering the band, for what a radio needs "
        "besides; in the language of its driver. None that transmits is accepted.",
    )
    over_s: float = Field(60.0, gt=0, le=600, description="Length of one over, for mid_over.")

    @model_validator(mode="after")
    def _consistent(self) -> BandSettings:
        if self.allowed_low_hz >= self.allowed_high_hz:
            raise ValueError("allowed_low_hz must be below allowed_high_hz")
        key = "sked_hz" if self.tx_sked_hz is None else "tx_sked_hz"
        if not self.allowed_low_hz <= getattr(self, key) <= self.allowed_high_hz:
            raise ValueError(
                f"{key} {getattr(self, key)} is outside {self.allowed_low_hz} to "
                f"{self.allowed_high_hz}"
            )
        if self.transverter_sense == "minus" and self.transverter_offset_hz == 0:
            raise ValueError("transverter_sense minus needs a transverter_offset_hz")
        for key in ("allowed_low_hz", "allowed_high_hz"):
            if (dial_hz := self.tx_band().dial_hz(getattr(self, key))) <= 0:
                raise ValueError(
                    f"{key} would need a dial of {dial_hz:.0f} Hz; check transverter_offset_hz"
                )
        if (dial_hz := self.band().dial_hz(self.sked_hz)) <= 0:
            raise ValueError(f"sked_hz would need a dial of {dial_hz:.0f} Hz")
        return self

    @property
    def goes_through_transverter(self) -> bool:
        """Does transmitting?"""
        if self.tx_transverter_offset_hz is not None:
            return self.tx_transverter_offset_hz > 0
        return self.transverter_offset_hz > 0

    @property
    def tx_shift_hz(self) -> int:
        """Cross-band: transmit sked minus receive sked; else 0."""
        return 0 if self.tx_sked_hz is None else self.tx_sked_hz - self.sked_hz

    def tx_band(self) -> Band:
        """The conversion of the transmit dial."""
        if self.tx_transverter_offset_hz is None:
            return self.band()
        return replace(self.band(), transverter_offset_hz=self.tx_transverter_offset_hz)

    def entry(self) -> BandEntry:
        """What the radio must be like here besides its dials."""
        edges = sorted(
            self.tx_band().dial_hz(hz) for hz in (self.allowed_low_hz, self.allowed_high_hz)
        )
        return BandEntry(
            self.name,
            edges[0],
            edges[1],
            self.drive_ceiling,
            self.mode,
            self.passband_hz,
            self.commands,
        )

    def band(self) -> Band:
        """Conversion and limits as the pure middle takes them."""
        return Band(
            name=self.name,
            allowed_low_hz=self.allowed_low_hz,
            allowed_high_hz=self.allowed_high_hz,
            transverter_offset_hz=self.transverter_offset_hz,
            transverter_sense=self.transverter_sense,
            dial_resolution_hz=self.dial_resolution_hz,
            dial_error_hz=self.dial_error_hz,
            reference_error_ppb=self.reference_error_ppb,
        )


class RadioSettings(Table):
    """The radio, and how the rig link treats it whatever its driver."""

    driver: str = Field(
        "simulated", description="Name of a driver: `simulated`, `socket`, or one installed."
    )
    options: dict[str, Any] = Field(default_factory=dict, description="The driver's own settings.")
    deadline_s: float = Field(1.5, gt=0, le=30, description="Longest wait for any one answer.")
    poll_s: float = Field(
        0.5, ge=0.05, le=5, description="How often the dial is read back when idle."
    )
    max_steps_per_s: float | None = Field(
        None, gt=0, le=1000, description="Fewer dial steps than it could."
    )
    when_turned: Literal["follow", "put_back"] = Field(
        "follow", description="A dial turned by hand moves the sked frequency, or is put back."
    )
    on_exit: Literal["sked", "stay"] = Field(
        "sked", description="Where the dial is left: at the sked frequency, or where it is."
    )

    def driver_options(self) -> DriverOptions:
        """The validated options for this driver. Raises InputError, DriverNotFoundError."""
        return load(self.driver).Options.model_validate(self.options)

    @model_validator(mode="after")
    def _known_driver(self) -> RadioSettings:
        try:
            self.driver_options()
        except DriverNotFoundError as error:
            raise ValueError(str(error)) from None
        except ValidationError as error:
            raise ValueError("; ".join(problems(error, "options"))) from None
        return self


class SessionSettings(Table):
    """What a first start begins with; afterwards the saved session counts."""

    band: str | None = Field(None, description="Name of a band below; the first one if left out.")
    agreement: Agreement = Field("halves", description="Who corrects what; see README.")


class DataSettings(Table):
    """Tables used instead of those that came with the Python packages."""

    earth_rotation_file: FilePath | None = Field(
        None, strict=False, description="A finals2000A table."
    )
    ephemeris_file: FilePath | None = Field(
        None, strict=False, description="A JPL SPK kernel with the Moon."
    )
    band_plan_file: FilePath | None = Field(
        None, strict=False, description="Where moonbounce is usual; hints of `moontrim check` only."
    )


# Where home is left to the receiver; nothing is computed for this place.
_NOWHERE = SiteSettings(latitude_deg=0.0, longitude_deg=0.0)


class Settings(ForecastTables):
    """The whole file."""

    home: SiteSettings = Field(
        _NOWHERE, description="Where the station is; may be left out with gps.use_for_home."
    )
    partner: SiteSettings | Literal["self"] = Field("self", description="`self`: our own echo.")
    bands: tuple[BandSettings, ...] = Field(min_length=1)
    radio: RadioSettings = RadioSettings()
    session: SessionSettings = SessionSettings()
    data: DataSettings = DataSettings()
    remote: RemoteSettings = RemoteSettings()
    keying: KeyingSettings = KeyingSettings()
    share: ShareSettings = ShareSettings()
    clock: ClockSettings = ClockSettings()
    gps: GpsSettings = GpsSettings()
    journal: JournalSettings = JournalSettings()
    state_dir: FilePath | None = Field(
        None, strict=False, description="Default: $STATE_DIRECTORY, else ~/.local/state/moontrim."
    )
    troposphere: bool = Field(True, description="Correct for the bending and delay of the air.")

    @field_validator("bands", mode="before")
    @classmethod
    def _list_to_tuple(cls, value: Any) -> Any:
        return tuple(value) if isinstance(value, list) else value

    @property
    def home_is_known(self) -> bool:
        """False: it is left to the GPS receiver, which has not told yet."""
        return self.home != _NOWHERE

    @model_validator(mode="after")
    def _home_or_gps(self) -> Settings:
        if not self.home_is_known and not self.gps.use_for_home:
            raise ValueError("home: give a place, or a [gps] table with use_for_home = true")
        return self

    @model_validator(mode="after")
    def _names(self) -> Settings:
        names = [band.name for band in self.bands]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"bands: the name {name!r} is used twice")
        for name in sorted(self.band_names() - set(names)):
            raise ValueError(f"there is a table for band {name!r}, which is none of the bands")
        self._check_commands()
        if self.keying.enabled:
            for band in self.bands:
                if band.drive_ceiling is None and band.goes_through_transverter:
                    raise ValueError(
                        f"keying is enabled, but band {band.name!r} goes through a transverter and "
                        "has no drive_ceiling: full power would destroy it"
                    )
        if self.session.band is not None and self.session.band not in names:
            raise ValueError(f"session.band: {self.session.band!r} is none of {', '.join(names)}")
        return self

    def _check_commands(self) -> None:
        parse = getattr(load(self.radio.driver), "parse_command", None)
        for band in self.bands:
            for text in band.commands:
                if parse is None:
                    raise ValueError(
                        f"bands: {band.name!r} has commands, but driver {self.radio.driver!r} "
                        "takes none"
                    )
                parse(text)  # raises ValueError

    def band(self, name: str) -> BandSettings:
        """Raises InputError for an unknown name."""
        for band in self.bands:
            if band.name == name:
                return band
        raise InputError("band", name, ", ".join(band.name for band in self.bands))

    def state_path(self) -> Path:
        if self.state_dir is not None:
            return self.state_dir
        given = os.environ.get("STATE_DIRECTORY")  # systemd
        if given:
            return Path(given.split(":")[0])
        base = os.environ.get("XDG_STATE_HOME")
        return (Path(base) if base else Path.home() / ".local" / "state") / "moontrim"


def load_settings(path: Path) -> Settings:
    """Read and check a config file. Raises InputError naming the key, its value and what is
    allowed."""
    return settings_from(read_toml(path, "config"), str(path))


def settings_from(raw: dict[str, Any], source: str) -> Settings:
    """Check a parsed config. Raises InputError with every problem found, one after the other."""
    try:
        return Settings.model_validate(raw)
    except ValidationError as error:
        raise ConfigError(source, problems(error)) from None


class ConfigError(InputError):
    """One or more problems in a config file, each in its own phrase."""

    def __init__(self, source: str, problems: list[str]) -> None:
        super().__init__("config", source, "; ".join(problems))
        self.problems = problems
        self.args = (f"config {source}: " + "; ".join(problems),)
