"""Good stretches: within both limits, ranked, in a table, JSON and a calendar."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from icalendar import Calendar
from rich.console import Console

from moontrim.forecast.compute import Forecast, forecast
from moontrim.forecast.good import good_stretches, limits_of
from moontrim.forecast.question import Antenna, End, ForecastQuestion, Gear, Signal
from moontrim.forecast.shown.calendar import CalendarFile
from moontrim.forecast.shown.goodstretches import GoodJson, GoodTable
from moontrim.forecast.shown.words import zone_named
from moontrim.path import Ephemeris, Site

T0 = 1_750_000_000.0
DAY_S = 86400.0
F_HZ = 10.3681e9
FULL = Gear(50.0, 0.3, Antenna.of_dish(1.8, 0.5, F_HZ), 70.0, 20.0)
HOME = End("home", Site(50.0, 10.0, 300.0), gear=FULL)
PARTNER = End("west", Site(40.0, -80.0, 50.0), gear=FULL)
VIENNA = zone_named("Europe/Vienna", "zone")
LIMIT_HZ = 80.0
# The margin of this pair crosses zero within windows.
THRESHOLD_DB = -17.0


def made(ephemeris: Ephemeris, **change: object) -> Forecast:
    base = ForecastQuestion(
        HOME, PARTNER, F_HZ, T0, T0 + 25 * DAY_S, LIMIT_HZ, Signal(25.0, 20.0, THRESHOLD_DB)
    )
    return forecast(ephemeris, replace(base, **change))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def month(ephemeris: Ephemeris) -> Forecast:
    return made(ephemeris)


def test_within_both_limits_and_nothing_left_out(month: Forecast) -> None:
    """Every minute of every window is inside a stretch exactly if it is within both limits, apart
    from stretches under ten minutes."""
    stretches = good_stretches(month)
    assert len(stretches) > 5
    cut_by_signal = 0
    for window in month.windows:
        s = window.series
        assert s.margin_db is not None
        inside = np.zeros(s.utc_s.size, dtype=bool)
        for one in stretches:
            assert one.period.end_utc_s - one.period.start_utc_s >= 600.0
            inside |= (s.utc_s >= one.period.start_utc_s) & (s.utc_s <= one.period.end_utc_s)
        good = (s.spread_hz <= LIMIT_HZ) & (s.margin_db >= 0.0)
        cut_by_signal += int(np.sum((s.spread_hz <= LIMIT_HZ) & (s.margin_db < 0.0)))
        assert not np.any(inside & ~good)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], good & ~inside, [0]])))
        assert all(end - start <= 11 for start, end in zip(edges[::2], edges[1::2], strict=True))
    assert cut_by_signal > 30
    for one in stretches:
        assert one.period.max_hz <= LIMIT_HZ == one.limit_hz
        assert one.margin_db is not None and one.margin_db >= 0.0


def test_signal_limits_only_where_it_is_known(ephemeris: Ephemeris, month: Forecast) -> None:
    unknown = made(ephemeris, partner=replace(PARTNER, gear=Gear()))
    minutes = [
        sum(one.period.end_utc_s - one.period.start_utc_s for one in good_stretches(result))
        for result in (unknown, month)
    ]
    assert minutes[0] > minutes[1]
    assert all(one.margin_db is None for one in good_stretches(unknown))


def test_without_a_limit_it_says_which_one_counts(ephemeris: Ephemeris) -> None:
    result = made(ephemeris, max_spread_hz=None, signal=Signal())
    limits = limits_of(result.question)
    assert "lowest 25 %" in limits[0] and "no limit of spread" in limits[0]
    assert "no limit of signal" in limits[1]
    starts = {window.identifying_utc_s: window for window in result.windows}
    for one in good_stretches(result):
        spread_hz = starts[one.window_utc_s].series.spread_hz
        assert one.limit_hz == pytest.approx(np.percentile(spread_hz, 25.0))
    given = limits_of(made(ephemeris, until_utc_s=T0 + DAY_S).question)
    assert given[0] == "spread at most 80 Hz limb to limb"
    assert "-17.0 dB" in given[1] and given[2] == "at least 10 minutes"


@pytest.mark.parametrize("columns", [80, 120])
def test_table(month: Forecast, columns: int) -> None:
    out = io.StringIO()
    table = GoodTable(VIENNA, Console(file=out, width=columns, force_terminal=False))
    stretches = good_stretches(month)
    table.add_stretches(month, stretches)
    assert out.getvalue() == ""  # the best may be of the last partner
    table.finish()
    lines = out.getvalue().splitlines()
    assert max(len(line) for line in lines) <= columns
    for limit in limits_of(month.question):
        assert any(limit in line for line in lines)
    ranks = [line.split()[0] for line in lines if " west " in line]
    assert ranks == [str(k + 1) for k in range(len(stretches))]
    margins = [float(line.split()[-1]) for line in lines if " west " in line]
    assert margins == sorted(margins, reverse=True)


def test_table_of_nothing(ephemeris: Ephemeris) -> None:
    result = made(ephemeris, max_spread_hz=0.001, until_utc_s=T0 + 2 * DAY_S)
    assert good_stretches(result) == []
    out = io.StringIO()
    table = GoodTable(VIENNA, Console(file=out, width=80))
    table.add_stretches(result, [])
    table.finish()
    assert "no good stretch" in out.getvalue()


def test_json_of_two_partners(month: Forecast, ephemeris: Ephemeris) -> None:
    """Ranked over both; by spread, since the margin is not known for all."""
    other = made(ephemeris, partner=End("south", Site(-35.0, 20.0)), max_spread_hz=60.0)
    out = io.StringIO()
    plain = GoodJson(out)
    for result in (month, other):
        plain.add_stretches(result, good_stretches(result))
    plain.finish()
    items = json.loads(out.getvalue())
    assert len(items) == len(good_stretches(month)) + len(good_stretches(other))
    assert [item["rank"] for item in items] == list(range(1, len(items) + 1))
    means = [item["spread_hz"]["mean"] for item in items]
    assert means == sorted(means)
    for item in items:
        west = item["partner"] == "west"
        assert item["max_spread_hz"] == (LIMIT_HZ if west else 60.0)
        assert (item["mean_margin_db"] is not None) is west
        assert item["threshold_db"] == THRESHOLD_DB
        assert item["start"] < item["end"]
        assert set(item["max_elevation_deg"]) == {"home", "partner"}


def test_calendar(month: Forecast, ephemeris: Ephemeris, tmp_path: Path) -> None:
    def events_of(result: Forecast) -> list[tuple[datetime, datetime, str, str]]:
        path = tmp_path / "good.ics"
        calendar = CalendarFile(path, VIENNA)
        calendar.add_stretches(result, good_stretches(result))
        (line,) = calendar.finish()
        events = Calendar.from_ical(path.read_bytes()).walk("VEVENT")
        assert line == f"{path}: {len(events)} events"
        return [
            (e["dtstart"].dt, e["dtend"].dt, str(e["uid"]), str(e["description"])) for e in events
        ]

    events = events_of(month)
    for (start, end, _, text), one in zip(events, good_stretches(month), strict=True):
        assert start.timestamp() == pytest.approx(one.period.start_utc_s, abs=0.5)
        assert end.timestamp() == pytest.approx(one.period.end_utc_s, abs=0.5)
        assert "limb to limb" in text and "CEST" in text and "dB" in text
    identities = {uid for _, _, uid, _ in events}
    assert len(identities) == len(events)
    # Another span and a little more or less of a stretch do not make another event of it.
    later = events_of(made(ephemeris, from_utc_s=T0 + 5 * DAY_S, max_spread_hz=79.0))
    assert later and {uid for _, _, uid, _ in later[1:]} <= identities
