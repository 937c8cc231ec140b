"""The sked frequency as other programs set it: the command, and the band that a frequency belongs
to. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.config.band import BandSettings
from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.session.commands import Command
from moontrim.session.session import Session


@dataclass(frozen=True, slots=True)
class TuneTo(Command):
    """Makes `hz`, on the air, the sked frequency: on the present band if that allows it, else on
    the first configured band that does. Band and frequency change together, so that no snapshot
    shows the one without the other."""

    hz: int

    def apply(self, session: Session, settings: Settings) -> Session:
        name = band_for(self.hz, session.band, settings)
        if name is None:
            allowed = ", ".join("{} to {}".format(*sked_range_hz(b)) for b in settings.bands)
            raise InputError("sked_hz", self.hz, allowed)
        moved = session.model_copy(update={"band": name})
        return moved.with_band_choices(settings, sked_hz=float(self.hz))

    def __str__(self) -> str:
        return f"sked {self.hz} Hz"


def band_for(hz: int, present: str, settings: Settings) -> str | None:
    """Returns the name of the band that a sked frequency in Hz belongs to, None if to none. Where
    ranges overlap it is the present band, else the first configured one."""
    fitting = [band.name for band in settings.bands if _fits(hz, band)]
    return present if present in fitting else next(iter(fitting), None)


def sked_range_hz(band: BandSettings) -> tuple[int, int]:
    """Returns lowest and highest sked frequency in Hz for which the transmit frequency before
    correction is inside the band's allowed range."""
    shift_hz = band.tx_shift_hz
    return band.allowed_low_hz - shift_hz, band.allowed_high_hz - shift_hz


def _fits(hz: int, band: BandSettings) -> bool:
    low_hz, high_hz = sked_range_hz(band)
    return low_hz <= hz <= high_hz
