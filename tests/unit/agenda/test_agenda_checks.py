"""What may be added to the agenda, against the Moon's own elevations."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.agenda.checks import admit, check_time_and_moon, mean_spread_hz
from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.forecast.compute import forecast
from moontrim.path import Ephemeris, Site, moon_from
from moontrim.path.vectors import Array
from moontrim.session.agenda import AgendaEntry, new_entry
from moontrim.session.agendacommands import AddToAgenda, SettleEntry
from moontrim.session.session import Session, first_session
from moontrim.session.skeds import find_sked
from support.agendas import STATION, minutes, station, with_agenda
from support.stage import T0

MINUTES_S = T0 + 60.0 * np.arange(3 * 1440)
HALF_HOUR = 30


def elevations_deg(ephemeris: Ephemeris) -> tuple[Array, Array]:
    """Apparent elevations at home and at the partner of north, every minute of three days."""
    partner = STATION.partner_place("KP20NF11AA")
    assert partner is not None
    places: list[Site] = [STATION.home.site(), partner.site()]
    home_deg, far_deg = (moon_from(ephemeris, site, MINUTES_S).elevation_deg for site in places)
    return home_deg, far_deg


def first_half_hour(good: Array) -> float:
    """Start of the first half hour of which every minute is good."""
    for at in range(good.size - HALF_HOUR):
        if good[at : at + HALF_HOUR + 1].all():
            return float(MINUTES_S[at])
    raise AssertionError("no such half hour")


def reason(
    ephemeris: Ephemeris,
    entry: AgendaEntry,
    settings: Settings = STATION,
    now_utc_s: float = T0,
) -> str:
    session = first_session(settings)
    try:
        check_time_and_moon(entry, session, settings, ephemeris, now_utc_s)
    except InputError as error:
        return error.problem.removeprefix(f"{entry}: ")
    return ""


def test_with_the_moon_up_at_both_ends(ephemeris: Ephemeris) -> None:
    assert reason(ephemeris, minutes("north", T0, 30)) == ""
    assert reason(ephemeris, minutes("echoes", T0, 30)) == ""


def test_with_the_moon_down_at_home(ephemeris: Ephemeris) -> None:
    home_deg, _ = elevations_deg(ephemeris)
    start = first_half_hour(home_deg < -3.0)
    for sked in ("north", "echoes"):
        assert reason(ephemeris, minutes(sked, start, HALF_HOUR)).startswith(
            "Moon too low at home throughout, by at least "
        )


def test_with_the_moon_down_at_the_partner(ephemeris: Ephemeris) -> None:
    home_deg, far_deg = elevations_deg(ephemeris)
    start = first_half_hour((home_deg > 5.0) & (far_deg < -1.0))
    assert reason(ephemeris, minutes("north", start, HALF_HOUR)).startswith(
        "Moon below the partner's horizon throughout (max -"
    )
    assert reason(ephemeris, minutes("echoes", start, HALF_HOUR)) == "", "an echo needs no partner"


def test_up_at_both_ends_but_never_at_once(ephemeris: Ephemeris) -> None:
    """Sets at the one before it rises at the other."""
    home_deg, far_deg = elevations_deg(ephemeris)
    # From the last minute of a window to the first of the next: not at both in between.
    both = (home_deg >= 0.0) & (far_deg >= 0.0)
    ends = np.flatnonzero(both[:-1] & ~both[1:]) + 1
    starts = np.flatnonzero(~both[:-1] & both[1:])
    gap = next(
        (int(end), int(start))
        for end in ends
        for start in starts
        if start > end
        and (home_deg[end : start + 1] >= 0.0).any()
        and (far_deg[end : start + 1] >= 0.0).any()
    )
    entry = new_entry("north", float(MINUTES_S[gap[0]]), float(MINUTES_S[gap[1]]))
    assert reason(ephemeris, entry) == "Moon never up at both ends at once"


def test_one_minute_of_moon_is_enough(ephemeris: Ephemeris) -> None:
    home_deg, _ = elevations_deg(ephemeris)
    rise = int(np.flatnonzero((home_deg[:-1] < 0.0) & (home_deg[1:] >= 0.0))[0]) + 1
    start = float(MINUTES_S[rise - 20])
    assert reason(ephemeris, minutes("echoes", start, 21)) == ""
    assert "too low at home" in reason(ephemeris, minutes("echoes", start, 18))


def test_behind_a_hill(ephemeris: Ephemeris) -> None:
    hill = station(equipment={"horizon": [[0.0, 85.0], [180.0, 85.0]]})
    assert "too low at home" in reason(ephemeris, minutes("north", T0, 30), hill)
    limit = station(equipment={"min_elevation_deg": 85.0})
    assert "too low at home" in reason(ephemeris, minutes("north", T0, 30), limit)


def test_past_or_beyond_the_tables(ephemeris: Ephemeris) -> None:
    entry = minutes("north", T0, 30)
    assert reason(ephemeris, entry, now_utc_s=T0 + 1800.0) == "past"
    assert reason(ephemeris, entry, now_utc_s=T0 + 1740.0) == "", "under way"
    beyond = minutes("north", ephemeris.last_utc_s - 60.0, 30)
    assert "outside the tables" in reason(ephemeris, beyond)


def test_what_is_left_of_an_entry_under_way_counts(ephemeris: Ephemeris) -> None:
    home_deg, _ = elevations_deg(ephemeris)
    sets = int(np.flatnonzero((home_deg[:-1] >= 0.0) & (home_deg[1:] < 0.0))[0])
    entry = minutes("echoes", float(MINUTES_S[sets - 30]), 60)
    assert reason(ephemeris, entry, now_utc_s=float(MINUTES_S[sets - 10])) == ""
    assert "too low" in reason(ephemeris, entry, now_utc_s=float(MINUTES_S[sets + 10]))


def test_without_a_home_the_moon_is_not_checked(ephemeris: Ephemeris) -> None:
    nowhere = station(gps={"source": "gpsd", "use_for_home": True})
    nowhere = nowhere.model_copy(update={"home": type(nowhere).model_fields["home"].default})
    assert not nowhere.home_is_known
    home_deg, _ = elevations_deg(ephemeris)
    start = first_half_hour(home_deg < -3.0)
    assert reason(ephemeris, minutes("north", start, HALF_HOUR), nowhere) == ""


# --- several ----------------------------------------------------------------------------------


def admitted(
    ephemeris: Ephemeris, session: Session, *entries: AgendaEntry
) -> tuple[list[str], tuple[str, ...], int]:
    result = admit(entries, session, STATION, ephemeris, T0)
    AddToAgenda("test", result.entries).apply(session, STATION)  # which must take them
    return [entry.sked for entry in result.entries], result.refused, result.unchanged


def test_the_rest_is_admitted(ephemeris: Ephemeris) -> None:
    before = minutes("north", T0, 10)
    session = with_agenda(before)
    skeds, refused, unchanged = admitted(
        ephemeris,
        session,
        before,
        minutes("echoes", T0 + 300.0, 10),
        minutes("echoes", T0 + 600.0, 10),
        minutes("north", T0 + 900.0, 10),
        minutes("west", T0 + 1800.0, 10),
        minutes("north", T0 - 3600.0, 10),
    )
    assert skeds == ["echoes"]
    assert unchanged == 1
    overlap, among_them, unknown, past = refused
    assert overlap.endswith(f"overlaps {before}")
    assert "overlaps echoes, " in among_them
    assert "sked: invalid value 'west'; expected north, echoes, plain" in unknown
    assert past.startswith("north, ") and past.endswith(": past")


def test_the_same_again_changes_nothing(ephemeris: Ephemeris) -> None:
    entry = minutes("north", T0, 10)
    assert admitted(ephemeris, with_agenda(entry), entry) == ([], (), 1)
    settled = SettleEntry("agenda", entry, "missed: x").apply(with_agenda(entry), STATION)
    assert admitted(ephemeris, settled, entry) == ([], (), 1), "also once it is over"


def test_a_refused_change_leaves_the_entry(ephemeris: Ephemeris) -> None:
    entry = minutes("north", T0, 10)
    other = minutes("north", T0 + 600.0, 10)
    moved = entry.model_copy(update={"end_utc_s": T0 + 900.0})
    session = with_agenda(entry, other)
    skeds, refused, _ = admitted(ephemeris, session, moved, minutes("echoes", T0 + 60.0, 1))
    assert skeds == []
    assert [f"overlaps {other}" in refused[0], f"overlaps {entry}" in refused[1]] == [True, True]


# --- spread -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["north", "echoes"])
def test_the_mean_spread_is_that_of_the_forecast(ephemeris: Ephemeris, name: str) -> None:
    sked = find_sked(first_session(STATION), STATION, name)
    place = STATION.partner_place(sked.partner)
    question = STATION.forecast_tables.question(
        STATION.home.site(),
        None if place is None else place.site(),
        sked.band,
        float(sked.sked_hz),
        T0 - 6 * 3600.0,
    )
    series = forecast(ephemeris, question).windows[0].series
    inside = (series.utc_s >= T0) & (series.utc_s <= T0 + 3600.0)
    assert inside.sum() >= 60
    mean_hz = mean_spread_hz(ephemeris, STATION, sked, T0, T0 + 3600.0)
    assert mean_hz == pytest.approx(float(np.mean(series.spread_hz[inside])), rel=0.01)
