"""The tables of the config file that the forecast reads: stations, partners, signals.

Checks them and turns them into the values that `forecast` takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from moontrim.config.mistakes import Expected, FieldMistake
from moontrim.config.site import SiteSettings
from moontrim.config.table import Table
from moontrim.errors import InputError
from moontrim.forecast.question import Antenna, End, ForecastQuestion, Gear, Horizon, Signal
from moontrim.path.site import Site

ANTENNA_KEYS = ("antenna_gain_dbi", "dish_diameter_m", "dish_efficiency")
RESERVED_NAMES = ("self", "home")


class GearSettings(Table):
    """A station's equipment. What is left out is not known, and the forecast says so."""

    power_w: float | None = Field(
        None, gt=0, le=100_000, description="At the transmitter's output."
    )
    feed_loss_db: float = Field(
        0.0, ge=0, le=40, description="Between radio and antenna, transmitting and receiving."
    )
    antenna_gain_dbi: float | None = Field(
        None, ge=-10, le=90, description="Over isotropic; or a dish instead."
    )
    dish_diameter_m: float | None = Field(None, gt=0, le=500)
    dish_efficiency: float = Field(0.5, gt=0, le=1, description="Of the dish's area.")
    receiver_noise_k: float | None = Field(
        None, gt=0, le=100_000, description="Of the receiver, at the radio's end of the feed."
    )
    ground_noise_k: float = Field(
        0.0, ge=0, le=300, description="What the antenna picks up from the ground, if known."
    )
    polarisation: Literal["linear", "circular"] | None = Field(
        None, description="With linear at both ends the forecast warns of Faraday rotation."
    )

    @model_validator(mode="after")
    def _one_antenna(self) -> GearSettings:
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
            self.feed_loss_db,
            antenna,
            self.receiver_noise_k,
            self.ground_noise_k,
            None if self.polarisation is None else self.polarisation == "linear",
        )


class StationSettings(GearSettings):
    """A station: its horizon, its equipment, and what differs by band."""

    min_elevation_deg: float = Field(
        0.0, ge=-5, le=89, description="Apparent, of the Moon's centre, with refraction."
    )
    horizon: tuple[tuple[float, float], ...] = Field(
        (),
        description="What is in the way, as it is seen: [azimuth, elevation] pairs in degrees, "
        "azimuths ascending from 0 to below 360, joined by straight lines.",
    )
    bands: dict[str, GearSettings] = Field(
        default_factory=dict, description="By name of band: equipment that differs there."
    )

    @field_validator("horizon", mode="before")
    @classmethod
    def _lists_to_tuples(cls, value: Any) -> Any:
        if not isinstance(value, list):
            return value
        return tuple(tuple(pair) if isinstance(pair, list) else pair for pair in value)

    @model_validator(mode="after")
    def _good_horizon(self) -> StationSettings:
        try:
            Horizon(self.min_elevation_deg, self.horizon)
        except InputError as error:
            raise FieldMistake(error) from None
        return self

    def end(self, name: str, site_settings: SiteSettings, band: str | None, hz: float) -> End:
        """Returns this station at a place, on a band (None: on a frequency of no band)."""
        horizon = Horizon(self.min_elevation_deg, self.horizon)
        return End(name, site_settings.site(), horizon, self.on_band(band).gear(hz))

    def on_band(self, band: str | None) -> GearSettings:
        """Returns the station's equipment with what the table of the band overrides; an antenna
        there replaces all of this one."""
        band_gear = self.bands.get(band) if band is not None else None
        common = {
            key: getattr(self, key)
            for key in GearSettings.model_fields
            if key in self.model_fields_set
        }
        if band_gear is None:
            return GearSettings(**common)
        overrides = {key: getattr(band_gear, key) for key in band_gear.model_fields_set}
        if "antenna_gain_dbi" in overrides or "dish_diameter_m" in overrides:
            common = {key: value for key, value in common.items() if key not in ANTENNA_KEYS}
        return GearSettings(**(common | overrides))


class PartnerSettings(SiteSettings):
    """A partner by name: where, and with what."""

    name: str = Field(min_length=1, max_length=40)
    station: StationSettings = StationSettings()

    @field_validator("name")
    @classmethod
    def _not_reserved(cls, name: str) -> str:
        if name in RESERVED_NAMES:
            raise Expected(f"a name other than {' and '.join(RESERVED_NAMES)}")
        return name


class SignalSettings(Table):
    """What is to be received on a band."""

    bandwidth_hz: float = Field(2500.0, gt=0, le=1e6, description="Noise bandwidth of the mode.")
    tone_spacing_hz: float | None = Field(
        None, gt=0, le=1e5, description="Tone spacing of the mode: a larger spread costs signal."
    )
    threshold_db: float | None = Field(
        None, ge=-60, le=60, description="Decoding threshold of the mode: S/N in 2.5 kHz."
    )
    max_spread_hz: float | None = Field(
        None, gt=0, le=1e6, description="Largest limb-to-limb spread of a low-spread period."
    )

    def signal(self) -> Signal:
        """Returns the signal as the forecast takes it."""
        return Signal(self.bandwidth_hz, self.tone_spacing_hz, self.threshold_db)


class ForecastSettings(Table):
    """What `moontrim forecast` does when nothing else is given."""

    days: float = Field(30.0, gt=0, le=3660)
    timezone: str | None = Field(
        None, description="Zone of local times such as Europe/Vienna; default: the system's."
    )
    bands: dict[str, SignalSettings] = Field(
        default_factory=dict, description="By name of band: the mode used on it."
    )


@dataclass(frozen=True, slots=True)
class ForecastTables:
    """The tables of the config file that the forecast reads, together."""

    station: StationSettings
    partners: tuple[PartnerSettings, ...]
    forecast: ForecastSettings

    def band_names(self) -> set[str]:
        """Returns the names of all bands that these tables refer to."""
        names = set(self.forecast.bands) | set(self.station.bands)
        return names.union(*(partner.station.bands for partner in self.partners))

    def question(
        self, home: Site, partner: Site | None, band: str, frequency_hz: float, utc_s: float
    ) -> ForecastQuestion:
        """Returns the question of a running daemon for `coming_windows`, a day long.

        partner: None: our own echo; a place of one of `partners` gets that partner's station."""
        horizon = Horizon(self.station.min_elevation_deg, self.station.horizon)
        ours = End("home", home, horizon, self.station.on_band(band).gear(frequency_hz))
        far: End | None = None
        if partner is not None:
            known = next((one for one in self.partners if one.site() == partner), None)
            far = (
                End(partner.locator or "partner", partner)
                if known is None
                else known.station.end(known.name, known, band, frequency_hz)
            )
        signals = self.forecast.bands.get(band, SignalSettings())
        return ForecastQuestion(
            ours,
            far,
            frequency_hz,
            utc_s,
            utc_s + 86400.0,
            signals.max_spread_hz,
            signals.signal(),
        )
