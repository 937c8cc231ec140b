"""The front ends: which share a dial range, and what proves which one is connected."""

from __future__ import annotations

from collections.abc import Iterator

from moontrim.config.band import BandSettings
from moontrim.config.frontends import front_end_names
from moontrim.config.settings import Settings
from moontrim.formats import grouped
from moontrim.preflight.finding import Finding


def front_end_findings(settings: Settings) -> Iterator[Finding]:
    """Returns a line for each dial range that several front ends use, and one for those that no
    contact proves; none where there is only one front end."""
    if settings.only_front_end is not None:
        return
    for low_hz, high_hz, bands in _shared_ranges(settings.bands):
        yield Finding(
            "note",
            "front ends",
            f"{', '.join(front_end_names(bands))} share dials from {grouped(low_hz)} to "
            f"{grouped(high_hz)} Hz ({_ceilings(bands)}): power meant for one can go into another; "
            "after each change transmit is inhibited until it is allowed again",
        )
    proved = {one.name for one in settings.front_ends if one.contact is not None}
    without = [name for name in front_end_names(settings.bands) if name not in proved]
    if not proved:
        text = "no contact proves which one is connected; only the operator's confirmation counts"
        yield Finding("note", "front ends", text)
    elif len(without) > 1:
        yield Finding(
            "note",
            "front ends",
            f"{', '.join(without)}: no contact tells them apart; only the operator's confirmation "
            "counts",
        )


def _shared_ranges(
    bands: tuple[BandSettings, ...],
) -> list[tuple[float, float, list[BandSettings]]]:
    """Returns lowest and highest transmit dial of each stretch that bands of several front ends
    cover without a gap, and those bands."""
    stretches: list[tuple[float, float, list[BandSettings]]] = []
    for band in sorted(bands, key=lambda band: band.entry().tx_low_hz):
        entry = band.entry()
        low_hz, high_hz, members = stretches[-1] if stretches else (0.0, -1.0, [])
        if entry.tx_low_hz <= high_hz:
            stretches[-1] = (low_hz, max(high_hz, entry.tx_high_hz), [*members, band])
        else:
            stretches.append((entry.tx_low_hz, entry.tx_high_hz, [band]))
    return [one for one in stretches if len(front_end_names(one[2])) > 1]


def _ceilings(bands: list[BandSettings]) -> str:
    """Returns the drive ceilings of bands, as text, the lowest first."""
    known = sorted({band.drive_ceiling for band in bands if band.drive_ceiling is not None})
    texts = [f"{100 * ceiling:g} %" for ceiling in known]
    if any(band.drive_ceiling is None for band in bands):
        texts.append("none")
    return f"drive ceilings {', '.join(texts)}" if len(texts) > 1 else f"drive ceiling {texts[0]}"
