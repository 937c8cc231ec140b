"""The equipment of a station, ours or a partner's: tables, and the values that `forecast` takes."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from moontrim.config.mistakes import FieldMistake
from moontrim.config.site import SiteSettings
from moontrim.config.table import Table
from moontrim.errors import InputError
from moontrim.forecast.question import Antenna, End, Gear, Horizon

ANTENNA_KEYS = ("antenna_gain_dbi", "dish_diameter_m", "dish_efficiency")


class BandEquipmentSettings(Table):
    """The equipment of a station, on one band or on all. Omitted means unknown; the forecast names
    what is unknown."""

    power_w: float | None = Field(None, gt=0, le=100_000, description="Transmitter output power.")
    feedline_loss_db: float = Field(
        0.0, ge=0, le=40, description="Feed line loss between radio and antenna, both directions."
    )
    antenna_gain_dbi: float | None = Field(
        None, ge=-10, le=90, description="Antenna gain over isotropic; or give a dish instead."
    )
    dish_diameter_m: float | None = Field(
        None, gt=0, le=500, description="Diameter of a dish, instead of antenna_gain_dbi."
    )
    dish_efficiency: float = Field(0.5, gt=0, le=1, description="Aperture efficiency of the dish.")
    receiver_noise_k: float | None = Field(
        None,
        gt=0,
        le=100_000,
        description="Receiver noise temperature at the radio end of the feed line.",
    )
    spillover_k: float = Field(
        0.0, ge=0, le=300, description="Antenna noise temperature from the ground (spillover)."
    )
    polarisation: Literal["linear", "circular"] | None = Field(
        None,
        description="Polarisation of the antenna; with linear at both ends the forecast warns of "
        "Faraday rotation and gives the spatial polarisation offset.",
    )

    @model_validator(mode="after")
    def _one_antenna(self) -> BandEquipmentSettings:
        if self.antenna_gain_dbi is not None and self.dish_diameter_m is not None:
            raise ValueError(
                "antenna_gain_dbi and dish_diameter_m given; expected only one of them"
            )
        return self

    def gear(self, frequency_hz: float) -> Gear:
        """Returns the equipment as the forecast takes it."""
        antenna = None
        if self.antenna_gain_dbi is not None:
            antenna = Antenna.of_gain(self.antenna_gain_dbi)
        elif self.dish_diameter_m is not None:
            antenna = Antenna.of_dish(self.dish_diameter_m, self.dish_efficiency, frequency_hz)
        return Gear(
            self.power_w,
            self.feedline_loss_db,
            antenna,
            self.receiver_noise_k,
            self.spillover_k,
            None if self.polarisation is None else self.polarisation == "linear",
        )


class EquipmentSettings(BandEquipmentSettings):
    """The equipment of a station with its horizon, and what differs by band."""

    min_elevation_deg: float = Field(
        0.0,
        ge=-5,
        le=89,
        description="Lowest elevation of the Moon's centre at which the antenna can follow it "
        "(apparent, with refraction).",
    )
    horizon: tuple[tuple[float, float], ...] = Field(
        (),
        description="Elevation of obstructions (apparent): [azimuth, elevation] pairs in degrees, "
        "azimuths ascending from 0 to below 360, joined by straight lines.",
    )
    bands: dict[str, BandEquipmentSettings] = Field(
        default_factory=dict, description="By band name: equipment that differs on that band."
    )

    @field_validator("horizon", mode="before")
    @classmethod
    def _lists_to_tuples(cls, value: Any) -> Any:
        if not isinstance(value, list):
            return value
        return tuple(tuple(pair) if isinstance(pair, list) else pair for pair in value)

    @model_validator(mode="after")
    def _good_horizon(self) -> EquipmentSettings:
        try:
            Horizon(self.min_elevation_deg, self.horizon)
        except InputError as error:
            raise FieldMistake(error) from None
        return self

    def end(self, name: str, site_settings: SiteSettings, band: str | None, hz: float) -> End:
        """Returns this station at a place, on a band (None: on a frequency of no band)."""
        horizon = Horizon(self.min_elevation_deg, self.horizon)
        return End(name, site_settings.site(), horizon, self.on_band(band).gear(hz))

    def on_band(self, band: str | None) -> BandEquipmentSettings:
        """Returns the equipment with what the table of the band overrides; an antenna in that
        table replaces this one altogether."""
        band_gear = self.bands.get(band) if band is not None else None
        common = {
            key: getattr(self, key)
            for key in BandEquipmentSettings.model_fields
            if key in self.model_fields_set
        }
        if band_gear is None:
            return BandEquipmentSettings(**common)
        overrides = {key: getattr(band_gear, key) for key in band_gear.model_fields_set}
        if "antenna_gain_dbi" in overrides or "dish_diameter_m" in overrides:
            common = {key: value for key, value in common.items() if key not in ANTENNA_KEYS}
        return BandEquipmentSettings(**(common | overrides))
