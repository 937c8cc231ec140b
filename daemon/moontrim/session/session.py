"""What the operator has chosen, and how a command changes it. Pure: a session in, a session out.

A session outlives the process (see `store`), so it holds choices only, never measurements.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.path.site import Site, parse_site
from moontrim.tuning.correction import Agreement

TRIM_LIMIT_HZ = 100_000.0
Trim = Annotated[float, Field(ge=-TRIM_LIMIT_HZ, le=TRIM_LIMIT_HZ, allow_inf_nan=False)]


class BandSession(BaseModel):
    """The choices kept per band."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    sked_hz: Annotated[float, Field(gt=0, lt=1e12, allow_inf_nan=False)]
    trim_rx_hz: Trim = 0.0
    trim_tx_hz: Trim = 0.0


class Session(BaseModel):
    """partner: None is the config's partner, else `self` or a locator or `lat,lon,height_m`.
    transmit_permitted: without it a radio found transmitting is unkeyed."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    band: str
    agreement: Agreement
    partner: str | None = None
    correcting: bool = True
    transmit_permitted: bool = True
    bands: dict[str, BandSession] = Field(default_factory=dict)

    def here(self, settings: Settings) -> BandSession:
        """The choices for the present band, or the config's where none were made yet."""
        return self.bands.get(self.band) or BandSession(sked_hz=settings.band(self.band).sked_hz)

    def partner_site(self, settings: Settings) -> Site | None:
        """Where the partner is; None for our own echo."""
        if self.partner is not None:
            return None if self.partner == "self" else parse_site(self.partner, "partner")
        return None if settings.partner == "self" else settings.partner.site()

    def partner_text(self, settings: Settings) -> str:
        site = self.partner_site(settings)
        if site is None:
            return "self"
        return (
            site.locator or f"{site.latitude_deg:.5f},{site.longitude_deg:.5f},{site.height_m:.0f}"
        )

    def tx_sked_hz(self, settings: Settings) -> float:
        """Where we transmit before any correction; the sked frequency unless cross-band."""
        return self.here(settings).sked_hz + settings.band(self.band).tx_shift_hz

    def with_here(self, settings: Settings, **changes: float) -> Session:
        """A copy with changed choices for the present band; sked must stay where it may be
        transmitted."""
        here = self.here(settings).model_copy(update=changes)
        band = settings.band(self.band)
        lowest_hz = band.allowed_low_hz - band.tx_shift_hz
        highest_hz = band.allowed_high_hz - band.tx_shift_hz
        if not lowest_hz <= here.sked_hz <= highest_hz:
            raise InputError("sked_hz", here.sked_hz, f"{lowest_hz} to {highest_hz} on {band.name}")
        for key in ("trim_rx_hz", "trim_tx_hz"):
            trim_hz = getattr(here, key)
            if not abs(trim_hz) <= TRIM_LIMIT_HZ:
                raise InputError(key, trim_hz, f"-{TRIM_LIMIT_HZ:.0f} to {TRIM_LIMIT_HZ:.0f} Hz")
        return self.model_copy(update={"bands": {**self.bands, self.band: here}})


def first_session(settings: Settings) -> Session:
    """What a start with nothing saved begins with."""
    return Session(
        band=settings.session.band or settings.bands[0].name, agreement=settings.session.agreement
    )
