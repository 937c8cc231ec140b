"""The `[forecast]` table of the config, and all that the forecast reads of the config."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import Field

from moontrim.config.equipment import EquipmentSettings
from moontrim.config.partner import PartnerSettings
from moontrim.config.table import Table
from moontrim.forecast.question import End, ForecastQuestion, Horizon, Signal
from moontrim.path.site import Site


class SignalSettings(Table):
    """The signal to be received on a band."""

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
    """Defaults of `moontrim forecast`."""

    days: float = Field(30.0, gt=0, le=3660, description="Days to search.")
    timezone: str | None = Field(
        None, description="Zone of local times such as Europe/Vienna; default: the system's."
    )
    bands: dict[str, SignalSettings] = Field(
        default_factory=dict, description="By name of band: the mode used on it."
    )


@dataclass(frozen=True, slots=True)
class ForecastTables:
    """The tables of the config file that the forecast reads, together."""

    equipment: EquipmentSettings
    partners: tuple[PartnerSettings, ...]
    forecast: ForecastSettings

    def band_names(self) -> set[str]:
        """Returns the names of all bands that these tables refer to."""
        names = set(self.forecast.bands) | set(self.equipment.bands)
        return names.union(*(partner.equipment.bands for partner in self.partners))

    def question(
        self, home: Site, partner: Site | None, band: str, frequency_hz: float, utc_s: float
    ) -> ForecastQuestion:
        """Returns the question of a running daemon for `coming_windows`, a day long.

        partner: None: our own echo; a place of one of `partners` gets that partner's equipment."""
        horizon = Horizon(self.equipment.min_elevation_deg, self.equipment.horizon)
        ours = End("home", home, horizon, self.equipment.on_band(band).gear(frequency_hz))
        far: End | None = None
        if partner is not None:
            known = next((one for one in self.partners if one.site() == partner), None)
            far = (
                End(partner.locator or "partner", partner)
                if known is None
                else known.equipment.end(known.name, known, band, frequency_hz)
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
