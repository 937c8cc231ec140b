"""The agenda in the snapshot: its entries, the next one, and the one that is being followed.
Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

from moontrim.forecast.shown.words import hz_text

DAY_MIN = 24 * 60


class EntryView(NamedTuple):
    """An entry. band: empty where the sked is not known any more. outcome: empty until it is
    over."""

    id: str
    sked: str
    band: str
    start_utc_s: float
    end_utc_s: float
    outcome: str = ""


class NextEntry(NamedTuple):
    """The first entry that is not over and has not been followed yet.

    spread_hz: mean over the entry, limb to limb; None: not known. waits_for: once it has begun,
    what it waits for; empty if for nothing."""

    id: str
    sked: str
    band: str
    start_utc_s: float
    end_utc_s: float
    spread_hz: float | None = None
    waits_for: str = ""


class AgendaView(NamedTuple):
    """The agenda at an instant. running: id of the entry that is being followed; empty: none."""

    entries: tuple[EntryView, ...] = ()
    next: NextEntry | None = None
    running: str = ""


def next_text(entry: NextEntry, utc_s: float) -> str:
    """Returns `north in 0:42, 10 GHz, spread 2.0 Hz`, in hours and minutes, rounded up."""
    minutes = math.ceil((entry.start_utc_s - utc_s) / 60.0)
    if minutes <= 0:
        when = "now"
    elif minutes < DAY_MIN:
        when = f"in {minutes // 60}:{minutes % 60:02d}"
    else:
        days, minutes = divmod(minutes, DAY_MIN)
        when = f"in {days} d {minutes // 60}:{minutes % 60:02d}"
    parts = [f"{entry.sked} {when}", entry.band or "band unknown"]
    if entry.spread_hz is not None:
        parts.append(f"spread {hz_text(entry.spread_hz)} Hz")
    if entry.waits_for:
        parts.append(f"waits for {entry.waits_for}")
    return ", ".join(parts)
