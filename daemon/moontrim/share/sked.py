"""The sked frequency as other programs set it: the command, and the band that a frequency belongs
to. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.config.band import BandSettings
from moontrim.config.settings import Settings
from moontrim.formats import grouped, invalid_hz
from moontrim.session.commands import Command
from moontrim.session.session import Session


@dataclass(frozen=True, slots=True)
class TuneTo(Command):
    """Makes `hz`, on the air, the sked frequency: on the present band if that allows it, else on
    the first band of the same front end that does. Another front end is the operator's to choose.
    Band and frequency change together, so that no snapshot shows the one without the other. What a
    sked had chosen for that band beside its frequency is left."""

    hz: int

    def apply(self, session: Session, settings: Settings) -> Session:
        name = band_for(self.hz, session.band, settings)
        if name is None:
            reachable = bands_within_reach(session.band, settings)
            ranges = (map(grouped, sked_range_hz(band)) for band in reachable)
            allowed = ", ".join(map(" to ".join, ranges))
            front_end = session.present_front_end(settings)
            raise invalid_hz("sked_hz", self.hz, f"{allowed} Hz (front end {front_end})")
        moved = session.on_band(name, settings)
        return moved.with_band_choices(
            settings, sked_hz=float(self.hz), tx_shift_hz=None, over_s=None
        )

    def __str__(self) -> str:
        return f"sked {grouped(self.hz)} Hz"


def band_for(hz: int, present: str, settings: Settings) -> str | None:
    """Returns the name of the band that a sked frequency in Hz belongs to, None if to none of the
    present front end. Where ranges overlap it is the present band, else the first configured."""
    fitting = [band.name for band in bands_within_reach(present, settings) if _fits(hz, band)]
    return present if present in fitting else next(iter(fitting), None)


def bands_within_reach(present: str, settings: Settings) -> list[BandSettings]:
    """Returns the bands of the present band's front end, which a program may choose among."""
    front_end = settings.band(present).front_end_name
    return [band for band in settings.bands if band.front_end_name == front_end]


def sked_range_hz(band: BandSettings) -> tuple[int, int]:
    """Returns lowest and highest sked frequency in Hz for which the transmit frequency before
    correction is inside the band's allowed range."""
    shift_hz = band.tx_shift_hz
    return band.tx_low_hz - shift_hz, band.tx_high_hz - shift_hz


def _fits(hz: int, band: BandSettings) -> bool:
    low_hz, high_hz = sked_range_hz(band)
    return low_hz <= hz <= high_hz
