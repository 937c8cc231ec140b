"""The view of the daemon that clients get. Pure.

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
    """What the share offers besides frequencies."""

    keys: bool = False
    reads_details: bool = False
    sets_mode: bool = False
    sets_power: bool = False


@dataclass(frozen=True, slots=True)
class ShareView:
    """The daemon at one instant, as clients see it.

    tx_sked_hz: the transmit frequency before correction, which is the sked frequency except in
    split-segment working and with a sked that has another one. transmitting: None if unknown.
    rx_ranges_hz, tx_ranges_hz: lowest and highest frequency of each configured band. settled: no
    other sked frequency was chosen that the snapshot does not show yet. drive_ceiling: the largest
    power fraction allowed, None for no limit."""

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
    """Returns the view of a snapshot. transmitting: by the keying if there is one, else by the
    radio; None if unknown."""
    band = settings.band(snapshot.band)
    sked_hz = whole_hz(snapshot.sked_hz)
    state = f"{snapshot.tracking}: {snapshot.reason}" if snapshot.reason else snapshot.tracking
    return ShareView(
        band=snapshot.band,
        sked_hz=sked_hz,
        tx_sked_hz=whole_hz(snapshot.tx_sked_hz),
        transmitting=transmitting,
        radio_answers=snapshot.link.state in ANSWERING,
        headline=_one_line(f"moontrim {__version__}, {snapshot.band}, {state}"),
        rx_ranges_hz=tuple(sked_range_hz(band) for band in settings.bands),
        tx_ranges_hz=tuple((band.tx_low_hz, band.tx_high_hz) for band in settings.bands),
        can=can,
        drive_ceiling=band.drive_ceiling,
    )


def _one_line(text: str) -> str:
    """Returns text that cannot break the protocol: printable ASCII, at most 200 characters."""
    return "".join(c if c.isascii() and c.isprintable() else "?" for c in text)[:200]
