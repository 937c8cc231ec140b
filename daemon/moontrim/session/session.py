"""What the operator has chosen, and how a command changes it. Pure: a session in, a session out.

A session outlives the process (see `store`), so it holds choices only, never measurements.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.path.site import Site, parse_site
from moontrim.tuning.correction import AGREEMENTS, Agreement

TRIM_LIMIT_HZ = 100_000.0
Trim = Annotated[float, Field(ge=-TRIM_LIMIT_HZ, le=TRIM_LIMIT_HZ, allow_inf_nan=False)]


class BandSession(BaseModel):
    """The choices kept per band."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    sked_hz: Annotated[float, Field(gt=0, lt=1e12, allow_inf_nan=False)]
    trim_rx_hz: Trim = 0.0
    trim_tx_hz: Trim = 0.0


@lru_cache
def _as_configured(sked_hz: float) -> BandSession:
    return BandSession(sked_hz=sked_hz)


@lru_cache
def _parsed(partner: str) -> Site:
    return parse_site(partner, "partner")


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
        return self.bands.get(self.band) or _as_configured(settings.band(self.band).sked_hz)

    def partner_site(self, settings: Settings) -> Site | None:
        """Where the partner is; None for our own echo."""
        if self.partner is not None:
            return None if self.partner == "self" else _parsed(self.partner)
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


@dataclass(frozen=True, slots=True)
class Command:
    """Something that changes the session. source: who asked, for the state and the journal.
    str() of a command says what it asks for."""

    source: str

    def apply(self, session: Session, settings: Settings) -> Session:
        """The changed session; InputError when it is not allowed, and then nothing changes."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class SetBand(Command):
    name: str

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.model_copy(update={"band": settings.band(self.name).name})

    def __str__(self) -> str:
        return f"band {self.name}"


@dataclass(frozen=True, slots=True)
class SetSked(Command):
    sked_hz: float

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.with_here(settings, sked_hz=self.sked_hz)

    def __str__(self) -> str:
        return f"sked {self.sked_hz:.0f} Hz"


@dataclass(frozen=True, slots=True)
class NudgeSked(Command):
    by_hz: float

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.with_here(settings, sked_hz=session.here(settings).sked_hz + self.by_hz)

    def __str__(self) -> str:
        return f"sked {self.by_hz:+.0f} Hz"


@dataclass(frozen=True, slots=True)
class SetTrim(Command):
    """None leaves that trim as it is."""

    rx_hz: float | None = None
    tx_hz: float | None = None

    def apply(self, session: Session, settings: Settings) -> Session:
        given = {"trim_rx_hz": self.rx_hz, "trim_tx_hz": self.tx_hz}
        return session.with_here(settings, **{k: v for k, v in given.items() if v is not None})

    def __str__(self) -> str:
        given = (("receive", self.rx_hz), ("transmit", self.tx_hz))
        return "trim " + ", ".join(f"{name} {hz:+g} Hz" for name, hz in given if hz is not None)


@dataclass(frozen=True, slots=True)
class SetAgreement(Command):
    agreement: str

    def apply(self, session: Session, settings: Settings) -> Session:
        if self.agreement not in AGREEMENTS:
            raise InputError("agreement", self.agreement, ", ".join(AGREEMENTS))
        return session.model_copy(update={"agreement": self.agreement})

    def __str__(self) -> str:
        return f"agreement {self.agreement}"


@dataclass(frozen=True, slots=True)
class SetPartner(Command):
    partner: str

    def apply(self, session: Session, settings: Settings) -> Session:
        changed = session.model_copy(update={"partner": self.partner.strip()})
        changed.partner_site(settings)  # raises InputError if it is no place
        return changed

    def __str__(self) -> str:
        return f"partner {self.partner}"


@dataclass(frozen=True, slots=True)
class Correct(Command):
    """Resume (True) or pause (False) the correction. Paused, the radio is left alone."""

    on: bool

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.model_copy(update={"correcting": self.on})

    def __str__(self) -> str:
        return "correction on" if self.on else "correction off"


@dataclass(frozen=True, slots=True)
class PermitTransmit(Command):
    """Permit transmitting, or forbid it and have a radio that transmits unkeyed."""

    on: bool

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.model_copy(update={"transmit_permitted": self.on})

    def __str__(self) -> str:
        return "transmitting permitted" if self.on else "transmitting forbidden"


@dataclass(frozen=True, slots=True)
class ReadBack(Command):
    """Look at the radio now. Changes nothing."""

    def apply(self, session: Session, settings: Settings) -> Session:
        return session

    def __str__(self) -> str:
        return "read back"
