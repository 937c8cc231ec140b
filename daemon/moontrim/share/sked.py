"""The command by which another program moves the sked frequency. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.config.band import BandSettings
from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.session.commands import Command
from moontrim.session.session import Session


@dataclass(frozen=True, slots=True)
class TuneTo(Command):
    """Make this on-air frequency the sked frequency, on the present band if it may be there, else
    on the first configured one where it may. Band and frequency change as one, so that nobody sees
    the one without the other."""

    hz: int

    def apply(self, session: Session, settings: Settings) -> Session:
        name = band_for(self.hz, session.band, settings)
        if name is None:
            allowed = ", ".join("{} to {}".format(*sked_range_hz(b)) for b in settings.bands)
            raise InputError("sked_hz", self.hz, allowed)
        there = session.model_copy(update={"band": name})
        return there.with_here(settings, sked_hz=float(self.hz))

    def __str__(self) -> str:
        return f"sked {self.hz} Hz"


def band_for(hz: int, present: str, settings: Settings) -> str | None:
    """Name of the band a sked frequency belongs to: the present one where ranges overlap, then the
    first. None: it belongs to none."""
    fitting = [band.name for band in settings.bands if _fits(hz, band)]
    return present if present in fitting else next(iter(fitting), None)


def sked_range_hz(band: BandSettings) -> tuple[int, int]:
    """Where the sked frequency may be, so that what is transmitted is inside the allowed range."""
    shift_hz = band.tx_shift_hz
    return band.allowed_low_hz - shift_hz, band.allowed_high_hz - shift_hz


def _fits(hz: int, band: BandSettings) -> bool:
    low_hz, high_hz = sked_range_hz(band)
    return low_hz <= hz <= high_hz
