"""What is printed, written and drawn, read back."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any, Protocol

import jsonschema
import numpy as np
import pytest
from icalendar import Calendar
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image
from rich.console import Console

from moontrim.errors import InputError
from moontrim.forecast.compute import Forecast, forecast
from moontrim.forecast.question import Antenna, End, ForecastQuestion, Gear, Horizon, Signal
from moontrim.forecast.shown.calendar import CalendarFile
from moontrim.forecast.shown.csvfile import COLUMNS, CsvFile
from moontrim.forecast.shown.pages import Pages, month_page, window_page
from moontrim.forecast.shown.plain import JsonWindows
from moontrim.forecast.shown.terminal import BLOCKS, Tables, sparkline
from moontrim.forecast.shown.timeaxes import tick_instants
from moontrim.forecast.shown.words import (
    dated_span_text,
    hz_text,
    span_text,
    zone_named,
    zone_text,
)
from moontrim.forecast.window import Window
from moontrim.path import Ephemeris, Site

T0 = datetime(2026, 3, 20, 12, tzinfo=UTC).timestamp()
DAY_S = 86400.0
F_HZ = 10.3681e9
FULL = Gear(50.0, 0.3, Antenna.of_dish(1.8, 0.5, F_HZ), 70.0, 20.0, True)
HOME = End("home", Site(50.0, 10.0, 300.0), Horizon(3.0), FULL)
PARTNER = End("partner of 16 ch", Site(40.0, -80.0, 50.0), Horizon(), FULL)
VIENNA = zone_named("Europe/Vienna", "zone")

INSTANT = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$"}
LOW_SPREAD = {
    "type": "object",
    "required": ["start", "end", "spread_hz"],
    "properties": {
        "start": INSTANT,
        "end": INSTANT,
        "spread_hz": {
            "type": "object",
            "required": ["mean", "min", "max"],
            "additionalProperties": {"type": "number"},
        },
    },
}
SCHEMA = {
    "type": "array",
    "items": {
        "type": "object",
        "required": ["partner", "start", "end", "low_spread", "spread_minima", "path_loss_db"],
        "properties": {
            "partner": {"type": "string"},
            "start": INSTANT,
            "end": INSTANT,
            "low_spread": {"type": "array", "items": LOW_SPREAD},
            "spread_minima": {
                "type": "array",
                "items": {
                    "type": "object",
                    "required": ["at", "spread_hz"],
                    "properties": {"at": INSTANT, "spread_hz": {"type": "number"}},
                },
            },
            "path_loss_db": {
                "type": "object",
                "required": ["start", "end", "min", "max"],
                "additionalProperties": {"type": "number"},
            },
        },
    },
}


def made(ephemeris: Ephemeris, days: float, partner: End | None) -> Forecast:
    question = ForecastQuestion(
        HOME, partner, F_HZ, T0, T0 + days * DAY_S, None, Signal(25.0, 20.0, -22.0)
    )
    return forecast(ephemeris, question)


@pytest.fixture(scope="module")
def week(ephemeris: Ephemeris) -> list[Forecast]:
    return [made(ephemeris, 7.0, PARTNER), made(ephemeris, 7.0, None)]


class Output(Protocol):
    def add(self, forecast: Forecast) -> None: ...

    def finish(self) -> list[str]: ...


def put(output: Output, forecasts: Sequence[Forecast]) -> list[str]:
    for one in forecasts:
        output.add(one)
    return output.finish()


def as_plain(forecasts: Sequence[Forecast]) -> list[dict[str, Any]]:
    out = io.StringIO()
    put(JsonWindows(out), forecasts)
    return list(json.loads(out.getvalue()))


def table_text(forecasts: Sequence[Forecast], zone: tzinfo | None, width: int = 80) -> str:
    out = io.StringIO()
    put(Tables(zone, Console(file=out, width=width, force_terminal=False)), forecasts)
    return out.getvalue()


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def test_json_has_the_shape_and_the_values(week: list[Forecast]) -> None:
    plain = as_plain(week)
    jsonschema.validate(plain, SCHEMA)
    assert len(plain) == sum(len(f.windows) for f in week)
    names = [forecast_.question.partner_name for forecast_ in week]
    assert list(dict.fromkeys(w["partner"] for w in plain)) == names
    for forecast_ in week:
        mine = [w for w in plain if w["partner"] == forecast_.question.partner_name]
        assert [w["start"] for w in mine] == sorted(w["start"] for w in mine)
        for data, window in zip(mine, forecast_.windows, strict=True):
            assert seconds(data["start"]) == pytest.approx(window.start_utc_s, abs=0.5)
            assert seconds(data["end"]) == pytest.approx(window.end_utc_s, abs=0.5)
            loss = window.series.path_loss_db
            assert data["path_loss_db"]["min"] == pytest.approx(loss.min(), abs=1e-3)
            assert data["path_loss_db"]["end"] == pytest.approx(loss[-1], abs=1e-3)
            assert [t["spread_hz"] for t in data["spread_minima"]] == pytest.approx(
                [t.spread_hz for t in window.minima], abs=1e-3
            )
            assert data["signal"]["margin_db"]["max"] == pytest.approx(
                window.max_margin_db, abs=1e-3
            )
            assert (data["polarisation"] is None) == window.own_echo


def test_json_without_gear(ephemeris: Ephemeris) -> None:
    bare = ForecastQuestion(End("home", HOME.site), None, 144e6, T0, T0 + DAY_S)
    (plain, *_) = as_plain([forecast(ephemeris, bare)])
    assert plain["signal"] is None
    assert plain["noise"]["home"]["system_k"] is None


def test_csv(week: list[Forecast], tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    (written,) = put(CsvFile(path), week)
    with path.open(encoding="utf-8") as file:
        read = list(csv.DictReader(file))
    assert written == f"{path}: {len(read)} rows"
    assert len(read) == sum(w.series.utc_s.size for f in week for w in f.windows)
    assert tuple(read[0]) == COLUMNS
    first = week[0].windows[0].series
    assert seconds(read[1]["utc"]) == first.utc_s[1]
    assert float(read[1]["spread_hz"]) == pytest.approx(first.spread_hz[1], abs=1e-3)
    assert float(read[1]["home_elevation_deg"]) == pytest.approx(
        first.home.elevation_deg[1], abs=0.01
    )


def test_calendar_parsed_back(week: list[Forecast], ephemeris: Ephemeris, tmp_path: Path) -> None:
    path = tmp_path / "out.ics"
    (written,) = put(CalendarFile(path, VIENNA), week)
    events = Calendar.from_ical(path.read_bytes()).walk("VEVENT")
    windows = [w for f in week for w in f.windows]
    assert len(events) == len(windows)
    assert written == f"{path}: {len(events)} events"
    for event, window in zip(events, windows, strict=True):
        start, end = event["dtstart"].dt, event["dtend"].dt
        assert start.tzinfo is not None
        assert start.timestamp() == pytest.approx(window.start_utc_s, abs=0.5)
        assert end.timestamp() == pytest.approx(window.end_utc_s, abs=0.5)
        assert "limb to limb" in event["description"]
        assert "CET" in event["description"]
    assert len({str(event["uid"]) for event in events}) == len(events)
    again = tmp_path / "again.ics"
    put(CalendarFile(again, VIENNA), [made(ephemeris, 5.0, PARTNER)])
    later = Calendar.from_ical(again.read_bytes()).walk("VEVENT")
    # Whole windows keep their identity whatever the span; the last may be cut.
    assert {str(e["uid"]) for e in later[:-1]} <= {str(e["uid"]) for e in events}


@pytest.mark.parametrize("columns", [80, 120])
def test_table_fits_and_tells(week: list[Forecast], columns: int) -> None:
    text = table_text(week, VIENNA, columns)
    lines = text.splitlines()
    assert max(len(line) for line in lines) <= columns
    for forecast_ in week:
        for window in forecast_.windows:
            start, end = window.start_utc_s, window.end_utc_s
            assert span_text(start, end) in text
            assert f"{span_text(start, end, VIENNA)} CET" in text
    assert "…" not in text
    assert "ranked for the first 24 hours" in text
    assert "limb to limb" in text
    assert sum(line.count(block) for line in lines for block in BLOCKS) >= 12 * 12


def test_the_same_time_never_twice(week: list[Forecast]) -> None:
    """In a zone that is UTC nothing stands beside UTC, nor above the panels."""
    for zone in (UTC, zone_named("UTC", "zone"), zone_named("Africa/Abidjan", "zone")):
        table = table_text(week[:1], zone)
        window = week[0].windows[0]
        texts = labels_of(window_page(week[0], window, zone))
        for text in (table, texts):
            assert "local" not in text and "GMT" not in text
        assert table.count(span_text(window.start_utc_s, window.end_utc_s)) == 1


def test_a_title_names_both_days(week: list[Forecast]) -> None:
    start = datetime(2026, 11, 26, 17, 12, tzinfo=UTC).timestamp()
    assert dated_span_text(start, start + 57_540.0) == "Thu 26 Nov 17:12 to Fri 27 Nov 09:11"
    assert dated_span_text(start, start + 3600.0, year=" %Y") == "Thu 26 Nov 2026 17:12 to 18:12"
    assert dated_span_text(start, start + 3600.0, VIENNA) == "Thu 26 Nov 18:12 to 19:12"
    window = week[0].windows[0]
    texts = labels_of(window_page(week[0], window, VIENNA))
    assert f"{dated_span_text(window.start_utc_s, window.end_utc_s, year=' %Y')} UTC, " in texts


def test_table_of_nothing(ephemeris: Ephemeris) -> None:
    never = made(ephemeris, 2.0, End("antipodes", Site(-50.0, -170.0)))
    text = table_text([never, never], VIENNA)
    assert "no window" in text and "nobody" in text


def test_sparkline() -> None:
    line = "".join(text for text, _ in sparkline(np.linspace(0.0, 80.0, 240), 80.0))
    assert len(line) == 12
    assert line[0] == BLOCKS[0] and line[-1] == BLOCKS[-1]
    assert list(line) == sorted(line)
    assert sparkline(np.zeros(5), 0.0) == [(BLOCKS[0], "green")] * 5


def texts_of(figure: Figure) -> list[Text]:
    """Every visible piece of text that has something in it."""
    return [
        text
        for text in figure.findobj(Text)
        if isinstance(text, Text) and text.get_visible() and text.get_text().strip()
    ]


def overlaps(figure: Figure) -> list[tuple[str, str]]:
    figure.draw_without_rendering()
    # Ticks outside the limits are kept by the axes but not drawn.
    hidden = _not_drawn(figure)
    boxes = [
        (text.get_text(), text.get_window_extent())
        for text in texts_of(figure)
        if text not in hidden
    ]
    result = []
    page = figure.bbox
    for k, (one, box) in enumerate(boxes):
        for other, other_box in boxes[k + 1 :]:
            if box.overlaps(other_box) and box.width and other_box.width:
                result.append((one, other))
        if box.x0 < page.x0 or box.x1 > page.x1 or box.y0 < page.y0 or box.y1 > page.y1:
            result.append((one, "the edge of the page"))
    return result


def _not_drawn(figure: Figure) -> set[Text]:
    hidden = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            slack = 1e-6 * (high - low)
            for tick in axis.get_major_ticks():
                if not low - slack <= tick.get_loc() <= high + slack:
                    hidden |= {tick.label1, tick.label2}
    return hidden


def labels_of(figure: Figure) -> str:
    return "\n".join(text.get_text() for text in texts_of(figure))


@pytest.mark.parametrize(
    ("days", "partner", "zone"),
    [
        (1.0, PARTNER, "Europe/Vienna"),
        (1.0, None, "Asia/Kathmandu"),
        (30.0, PARTNER, "Asia/Kathmandu"),
        (30.0, None, "America/St_Johns"),
    ],
)
def test_nothing_overlaps_on_any_page(
    ephemeris: Ephemeris, days: float, partner: End | None, zone: str
) -> None:
    """Not on the month's page, nor on every seventh window's; units and both clocks are there."""
    local = zone_named(zone, "zone")
    result = made(ephemeris, days, partner)
    month = month_page(result, result.windows, result.from_utc_s, result.until_utc_s, local)
    pages = [month, *(window_page(result, window, local) for window in result.windows[::7])]
    for page in pages:
        assert overlaps(page) == []
        texts = labels_of(page)
        for label in ("elevation, °", "spread, Hz", "path loss, dB", "margin, dB"):
            assert label in texts
        assert "antenna\ntemperature, K" in texts
        assert "UTC" in texts and f"local ({zone})" in texts


def test_long_windows_and_plain_signal_to_noise(ephemeris: Ephemeris) -> None:
    """A window of many days at high latitude; no threshold, so S/N instead of a margin."""
    north = End("home", Site(84.0, 15.0), Horizon(), FULL)
    result = forecast(ephemeris, ForecastQuestion(north, None, F_HZ, T0, T0 + 25 * DAY_S))
    longest = max(result.windows, key=lambda w: w.end_utc_s - w.start_utc_s)
    assert longest.end_utc_s - longest.start_utc_s > 5 * DAY_S
    page = window_page(result, longest, VIENNA)
    assert overlaps(page) == []
    assert "S/N, dB" in labels_of(page)


def test_signal_is_explained_where_it_is_shown(ephemeris: Ephemeris) -> None:
    for gear in (Gear(), FULL):
        home = End("home", HOME.site, Horizon(), gear)
        result = forecast(ephemeris, ForecastQuestion(home, None, F_HZ, T0, T0 + DAY_S))
        texts = labels_of(window_page(result, result.windows[0], VIENNA))
        assert "antenna\ntemperature, K" in texts
        assert ("in 2.5 kHz" in texts) is (gear is FULL)


def is_shaded(figure: Figure) -> int:
    return sum(len(axes.patches) for axes in figure.axes)


def test_pages_are_written(ephemeris: Ephemeris, tmp_path: Path) -> None:
    result = [made(ephemeris, 1.0, PARTNER), made(ephemeris, 1.0, None)]
    shares: list[float] = []
    pages = Pages(tmp_path / "moon.png", VIENNA, True, shares.append)
    assert put(pages, result) == [str(path) for path in pages.written]
    written = pages.written
    assert written[0] == tmp_path / "moon.png"
    assert len(written) == 2 + sum(len(f.windows) for f in result) == len(set(written))
    assert shares[-1] == 1.0
    for path in written:
        with Image.open(path) as image:
            assert min(image.size) > 900
            grey = np.asarray(image.convert("L"))
            assert 5.0 < grey.std() < 90.0
    assert is_shaded(window_page(result[0], result[0].windows[0], VIENNA)) >= 5


def test_svg_is_repeatable(ephemeris: Ephemeris, tmp_path: Path) -> None:
    result = made(ephemeris, 1.0, PARTNER)
    few = replace(result, windows=result.windows[:1])
    once, again = (
        [Path(path).read_bytes() for path in put(Pages(tmp_path / name, VIENNA), [few])]
        for name in ("moon.svg", "again.svg")
    )
    assert once == again and len(once) == 2
    assert all(b"<svg" in picture for picture in once)


def test_an_overview_for_every_month(ephemeris: Ephemeris, tmp_path: Path) -> None:
    bare = ForecastQuestion(
        HOME, End("far", Site(-25.0, -150.0), Horizon(20.0)), F_HZ, T0, T0 + 70 * DAY_S
    )
    result = forecast(ephemeris, bare)
    # A window in each month is enough for its overview.
    by_month: dict[int, Window] = {}
    for window in result.windows:
        by_month.setdefault(int((window.start_utc_s - T0) // (31 * DAY_S)), window)
    few = replace(result, windows=tuple(by_month.values()))
    written = put(Pages(tmp_path / "moon.png", VIENNA), [few])
    names = [path.name for path in map(Path, written) if "window" not in path.name]
    assert names[:1] == ["moon.png"]
    assert len(names) == len(by_month) and 2 <= len(names) <= 3


@pytest.mark.parametrize("name", ["moon.pdf", "moon", "missing/moon.png"])
def test_no_such_picture(week: list[Forecast], tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="--plot"):
        put(Pages(tmp_path / name, VIENNA), week)


def test_files_that_cannot_be_written(week: list[Forecast], tmp_path: Path) -> None:
    with pytest.raises(InputError, match="--csv"):
        put(CsvFile(tmp_path / "missing" / "a.csv"), week)
    with pytest.raises(InputError, match="--calendar"):
        put(CalendarFile(tmp_path / "missing" / "a.ics", VIENNA), week)


def test_ticks_through_a_change_of_clocks() -> None:
    """Vienna, 29 March 2026: 01:00 UTC becomes 03:00. Every label is the clock's own."""
    start = datetime(2026, 3, 28, 20, tzinfo=UTC).timestamp()
    ticks = tick_instants(start, start + 12 * 3600.0, VIENNA)
    clocks = [label.split("\n")[0] for _, label in ticks]
    assert "02:00" not in clocks and {"01:00", "03:00", "00:00"} <= set(clocks)
    for at, label in ticks:
        local = datetime.fromtimestamp(at, VIENNA)
        assert label.startswith(f"{local:%H:%M}")
    days = tick_instants(start, start + 30 * DAY_S, VIENNA)
    assert 8 <= len(days) <= 12
    assert all(datetime.fromtimestamp(at, VIENNA).hour == 0 for at, _ in days)


@pytest.mark.parametrize("span_s", [400.0, 1800.0, 7000.0, 40000.0, 3 * DAY_S, 31 * DAY_S])
def test_there_is_always_a_tick_and_never_too_many(span_s: float) -> None:
    for zone in (UTC, zone_named("Asia/Kathmandu", "zone")):
        for start in np.linspace(T0, T0 + DAY_S, 7):
            assert 1 <= len(tick_instants(float(start), float(start) + span_s, zone)) <= 13


def test_words() -> None:
    assert [hz_text(v) for v in (0.034, 0.96, 12.34, 99.96, 250.4)] == [
        "0.03", "1.0", "12.3", "100", "250",
    ]  # fmt: skip
    assert span_text(T0, T0 + 3599.0) == "12:00-13:00"
    assert span_text(T0, T0 + 2 * DAY_S) == "12:00-Sun 22 Mar 12:00"
    assert zone_text(T0, VIENNA) == "CET"
    assert zone_text(T0, zone_named("Asia/Kathmandu", "z")) == "UTC+0545"
    assert zone_named(None, "z") is None
    for name in ("Middle/Earth", "", "../etc/passwd", "/etc/localtime"):
        with pytest.raises(InputError, match="time zone"):
            zone_named(name, "--timezone")


def test_system_zone_by_its_rules(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a name the system's zone counts, summer time included."""
    import time

    monkeypatch.setenv("TZ", "Europe/Vienna")
    time.tzset()
    try:
        july = datetime(2026, 7, 1, 12, tzinfo=UTC).timestamp()
        assert zone_text(T0, None) == "CET" and zone_text(july, None) == "CEST"
        assert span_text(july, july + 60.0, None) == "14:00-14:01"
    finally:
        monkeypatch.undo()
        time.tzset()


def test_words_of_sequences(week: Sequence[Forecast]) -> None:
    assert all(w.min_spread_hz <= w.series.spread_hz.min() for f in week for w in f.windows)
