"""What a client gets to see of the daemon: one small frozen value. Pure.

All frequencies are on the air, in whole hertz, also through a transverter; a client never sees a
dial."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim import __version__
from moontrim.config.settings import Settings
from moontrim.rig.view import ANSWERING
from moontrim.share.protocol import whole_hz
from moontrim.share.sked import sked_range_hz
from moontrim.state.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class Abilities:
    """What can be had through this share besides frequencies."""

    keys: bool = False
    reads_details: bool = False
    sets_mode: bool = False
    sets_power: bool = False


@dataclass(frozen=True, slots=True)
class ShareView:
    """The present. tx_sked_hz: where we transmit before any correction; the sked frequency unless
    cross-band. transmitting: None where nobody can tell. rx_ranges_hz, tx_ranges_hz: of all
    configured bands. settled: nobody has chosen another sked frequency that is not shown yet."""

    band: str
    sked_hz: int
    tx_sked_hz: int
    transmitting: bool | None
    radio_answers: bool
    headline: str
    rx_ranges_hz: tuple[tuple[int, int], ...]
    tx_ranges_hz: tuple[tuple[int, int], ...]
    can: Abilities
    drive_ceiling: float | None = None
    settled: bool = True


def view_of(
    snapshot: Snapshot, settings: Settings, transmitting: bool | None, can: Abilities
) -> ShareView:
    """transmitting: as the keying says, or else the radio."""
    band = settings.band(snapshot.band)
    sked_hz = whole_hz(snapshot.sked_hz)
    state = f"{snapshot.tracking}: {snapshot.reason}" if snapshot.reason else snapshot.tracking
    return ShareView(
        band=snapshot.band,
        sked_hz=sked_hz,
        tx_sked_hz=sked_hz + band.tx_shift_hz,
        transmitting=transmitting,
        radio_answers=snapshot.link.state in ANSWERING,
        headline=_one_line(f"moontrim {__version__}, {snapshot.band}, {state}"),
        rx_ranges_hz=tuple(sked_range_hz(band) for band in settings.bands),
        tx_ranges_hz=tuple((band.allowed_low_hz, band.allowed_high_hz) for band in settings.bands),
        can=can,
        drive_ceiling=band.drive_ceiling,
    )


def _one_line(text: str) -> str:
    return "".join(c if c.isascii() and c.isprintable() else "?" for c in text)[:200]
