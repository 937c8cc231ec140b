"""What may be added to the agenda: nothing that is past, overlaps, or cannot be worked since the
Moon is never up at both ends. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from moontrim.config.settings import Settings
from moontrim.config.sked import Sked
from moontrim.errors import CoverageError, InputError
from moontrim.forecast.question import Horizon
from moontrim.path import Ephemeris, moon_from, solve_path
from moontrim.path.vectors import Array
from moontrim.session.agenda import AgendaEntry
from moontrim.session.agendacommands import with_entry
from moontrim.session.session import Session
from moontrim.session.skeds import find_sked
from moontrim.tracking.moonlimit import PARTNER_HORIZON_DEG

MINUTE_S = 60.0  # chosen: the Moon moves by a quarter of a degree


class Admitted(NamedTuple):
    """What of some entries may be added. entries: those. refused: why, for each of the others.
    unchanged: how many are in the agenda already."""

    entries: tuple[AgendaEntry, ...]
    refused: tuple[str, ...]
    unchanged: int


def admit(
    entries: Iterable[AgendaEntry],
    session: Session,
    settings: Settings,
    ephemeris: Ephemeris,
    now_utc_s: float,
) -> Admitted:
    """Returns which of the entries can be added to the agenda, one after the other."""
    admitted: list[AgendaEntry] = []
    refused: list[str] = []
    unchanged = 0
    for entry in entries:
        same = {one.id: one for one in session.agenda}.get(entry.id)
        if same is not None and _is_same(same, entry):
            unchanged += 1
            continue
        try:
            changed = with_entry(session, settings, entry)
            check_time_and_moon(entry, changed, settings, ephemeris, now_utc_s)
        except InputError as error:
            refused.append(error.problem if error.field == "entry" else f"{entry}: {error}")
        else:
            session = changed
            admitted.append(entry)
    return Admitted(tuple(admitted), tuple(refused), unchanged)


def check_time_and_moon(
    entry: AgendaEntry,
    session: Session,
    settings: Settings,
    ephemeris: Ephemeris,
    now_utc_s: float,
) -> None:
    """Raises InputError for an entry that is past, beyond the tables, or impossible: with the Moon
    too low at one end or the other during all of it. While home is not known (it is left to the GPS
    receiver), the Moon is not checked."""
    if entry.end_utc_s <= now_utc_s:
        raise InputError("entry", str(entry), problem=f"{entry}: past")
    sked = find_sked(session, settings, entry.sked)
    try:
        ephemeris.require(np.array([entry.start_utc_s, entry.end_utc_s]))
        reason = ""
        if settings.home_is_known:
            reason = moon_never_up(
                ephemeris, settings, sked, max(now_utc_s, entry.start_utc_s), entry.end_utc_s
            )
    except CoverageError as error:
        reason = str(error)
    if reason:
        raise InputError("entry", str(entry), problem=f"{entry}: {reason}")


def moon_never_up(
    ephemeris: Ephemeris, settings: Settings, sked: Sked, start_utc_s: float, end_utc_s: float
) -> str:
    """Returns why the Moon cannot be used from start to end: never above the horizon and the
    minimum at home, or above the horizon at the partner, or not at both at once. Empty if it can,
    if only for a minute. Raises CoverageError outside the tables."""
    utc_s = _minutes(start_utc_s, end_utc_s)
    home = moon_from(ephemeris, settings.home.site(), utc_s)
    equipment = settings.equipment
    horizon = Horizon(equipment.min_elevation_deg, equipment.horizon)
    above_home_deg = home.elevation_deg - horizon.elevation_deg(home.azimuth_deg)
    if not np.any(above_home_deg >= 0.0):
        return f"Moon too low at home throughout, by at least {-np.max(above_home_deg):.1f} degrees"
    place = settings.partner_place(sked.partner)
    if place is None:
        return ""
    far_deg = moon_from(ephemeris, place.site(), utc_s).elevation_deg
    if not np.any(far_deg >= PARTNER_HORIZON_DEG):
        return f"Moon below the partner's horizon throughout (max {np.max(far_deg):.1f} degrees)"
    if not np.any((above_home_deg >= 0.0) & (far_deg >= PARTNER_HORIZON_DEG)):
        return "Moon never up at both ends at once"
    return ""


def mean_spread_hz(
    ephemeris: Ephemeris, settings: Settings, sked: Sked, start_utc_s: float, end_utc_s: float
) -> float:
    """Returns the mean libration spread of a sked from start to end, limb to limb; takes some 20 ms
    for an hour. Raises CoverageError outside the tables."""
    place = settings.partner_place(sked.partner)
    partner = None if place is None else place.site()
    utc_s = _minutes(start_utc_s, end_utc_s)
    legs = solve_path(ephemeris, settings.home.site(), partner, utc_s, False).legs
    return float(sked.sked_hz * np.mean(legs["partner_to_home"].spread_fraction))


def _minutes(start_utc_s: float, end_utc_s: float) -> Array:
    return np.append(np.arange(start_utc_s, end_utc_s, MINUTE_S), end_utc_s)


def _is_same(one: AgendaEntry, other: AgendaEntry) -> bool:
    return (one.sked.casefold(), one.start_utc_s, one.end_utc_s) == (
        other.sked.casefold(),
        other.start_utc_s,
        other.end_utc_s,
    )
