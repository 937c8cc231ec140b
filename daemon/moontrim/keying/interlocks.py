"""The reasons why transmitting is not allowed now. Pure: values in, reasons out.

What is not known forbids: no condition that is missing lets RF through, except the drive on a band
without a ceiling. Knows neither the clock nor where the values come from."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.config.keying import KeyingSettings

STALE_S = 3.0  # chosen: the tracker publishes once a second; after three without, it has stopped


@dataclass(frozen=True, slots=True)
class Conditions:
    """The state of the station at an instant, as far as it matters to transmitting.

    moon_azimuth_deg, moon_elevation_deg: seen from home; None: not known.
    min_tx_elevation_deg: lowest elevation to transmit at on the band.
    horizon_deg: elevation of the obstructed horizon at that azimuth.
    on_frequency: the dials are where they ought to be. Also true while they are held for keying,
        whatever Doppler has added since.
    tracking: the state of tracking as a phrase, for the reason.
    within_allowed_range: the transmit frequency on the air is inside the range the band allows.
    drive_within_ceiling: None only where the band has no ceiling; False when not known.
    clock_doubt, home_doubt: why the clock, or the position of home, is not trusted; empty if it is.
    front_end_doubt: why the band's front end may not be the one connected; else empty.
    age_s: age of these values in seconds.
    cannot_key: why the radio has no transmit command that works; empty if it has.
    guard_doubt: why the guard process does not watch over the radio, or has unkeyed it; empty if it
        watches, or there is none.
    """

    moon_azimuth_deg: float | None
    moon_elevation_deg: float | None
    min_tx_elevation_deg: float
    horizon_deg: float
    on_frequency: bool
    tracking: str
    within_allowed_range: bool
    drive_within_ceiling: bool | None
    radio_answers: bool
    tx_allowed: bool
    changing_band: bool
    clock_doubt: str
    home_doubt: str
    front_end_doubt: str
    age_s: float
    cannot_key: str
    guard_doubt: str


def hindrances(
    conditions: Conditions, settings: KeyingSettings, over_s: float = 0.0
) -> tuple[str, ...]:
    """Returns every reason against transmitting; empty: it is allowed.

    over_s: seconds for which there may have been RF already."""
    reasons = []
    if not conditions.tx_allowed:
        reasons.append("transmit is inhibited")
    if not conditions.radio_answers:
        reasons.append("no contact with radio")
    if conditions.cannot_key:
        reasons.append(f"receive only: {conditions.cannot_key}")
    if conditions.changing_band:
        reasons.append("band change in progress")
    if conditions.front_end_doubt:
        reasons.append(conditions.front_end_doubt)
    reasons += _moon_reasons(conditions)
    if not conditions.on_frequency:
        reasons.append(f"not on frequency: {conditions.tracking}")
    if not conditions.within_allowed_range:
        reasons.append("transmit frequency outside the allowed range of the band")
    if conditions.drive_within_ceiling is False:
        reasons.append("drive not known to be below the ceiling of the band")
    if conditions.clock_doubt:
        reasons.append(conditions.clock_doubt)
    if conditions.home_doubt:
        reasons.append(f"home position unknown: {conditions.home_doubt}")
    if conditions.guard_doubt:
        reasons.append(conditions.guard_doubt)
    # Written so that not-a-number forbids, here and below.
    if not -STALE_S <= conditions.age_s <= STALE_S:
        reasons.append(f"no update from the tracker for {conditions.age_s:.1f} s")
    if not over_s < settings.longest_over_s:
        reasons.append(f"over limit of {settings.longest_over_s:g} s reached")
    return tuple(reasons)


def _moon_reasons(conditions: Conditions) -> list[str]:
    azimuth_deg, elevation_deg = conditions.moon_azimuth_deg, conditions.moon_elevation_deg
    if azimuth_deg is None or elevation_deg is None:
        return ["Moon position unknown"]
    if not elevation_deg >= conditions.min_tx_elevation_deg:
        return [
            f"Moon at {elevation_deg:.2f} degrees elevation, below the minimum of "
            f"{conditions.min_tx_elevation_deg:g}: RF exposure of people near a low beam"
        ]
    edge_deg = conditions.horizon_deg
    if not elevation_deg >= edge_deg:
        return [
            f"the Moon is behind an obstruction: {elevation_deg:.2f} degrees elevation at azimuth "
            f"{azimuth_deg:.1f}, where {edge_deg:.2f} is needed"
        ]
    return []
