"""The forecast of one pair: its windows, with everything that is known about each."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from moontrim.errors import CoverageError
from moontrim.forecast.circumstances import MoonEvents, find_moon_events, remarks_on
from moontrim.forecast.course import MARGIN_S, MINUTE_S, Course, MoonFromEnd
from moontrim.forecast.polarisation import offset_text
from moontrim.forecast.question import ForecastQuestion, Gear
from moontrim.forecast.series import series_of
from moontrim.forecast.signal import missing
from moontrim.forecast.sky.exposure import RULES, safe_distance_m
from moontrim.forecast.sky.gases import HIGHEST_HZ
from moontrim.forecast.spread import low_spread_periods, turning_points
from moontrim.forecast.window import MaxElevation, Series, Window, WindowRemark
from moontrim.forecast.windowsearch import Span, find_windows
from moontrim.formats import iso_utc, megahertz
from moontrim.path import Ephemeris
from moontrim.path.vectors import Array

# How far the start of a window under way is searched for: longer than any window but a polar one.
LOOK_BACK_S = 1.5 * 86400.0
# How far ahead coming windows are searched for, step by step: the first is enough for most pairs.
SEARCH_S = (8 * 86400.0, 32 * 86400.0, 120 * 86400.0)
# Below this frequency Faraday rotation matters: common practice.
FARADAY_HZ = 1.5e9


@dataclass(frozen=True)
class Forecast:
    """The windows of one pair in order of time.

    from_utc_s, until_utc_s: the span covered, which the tables may have made shorter than that of
    the question.
    notes: sentences on what is missing or unknown.
    highest_deg, highest_utc_s: the Moon's greatest height above the horizon of the end where it is
    lower, negative without any window, and when."""

    question: ForecastQuestion
    from_utc_s: float
    until_utc_s: float
    windows: tuple[Window, ...]
    notes: tuple[str, ...]
    highest_deg: float
    highest_utc_s: float


def forecast(
    ephemeris: Ephemeris,
    question: ForecastQuestion,
    progress: Callable[[float], None] | None = None,
) -> Forecast:
    """Returns the forecast of one pair. Raises CoverageError if no part of the span is inside the
    tables.

    progress: called from time to time with the share done, 0 to 1."""
    start_utc_s, end_utc_s, notes = _covered(ephemeris, question.from_utc_s, question.until_utc_s)
    report_share = progress or (lambda share: None)
    course = _course(
        ephemeris, question, start_utc_s, end_utc_s, lambda share: report_share(0.8 * share)
    )
    scan = find_windows(course, question.home, question.far)
    events = find_moon_events(ephemeris, start_utc_s, end_utc_s)
    windows = []
    for done, span in enumerate(scan.spans):
        windows.append(_window(course, question, events, span))
        report_share(0.8 + 0.2 * done / len(scan.spans))
    report_share(1.0)
    if not windows:
        notes.append(
            _no_window_note(question, scan.highest_deg, scan.highest_utc_s, start_utc_s, end_utc_s)
        )
    return Forecast(
        question,
        start_utc_s,
        end_utc_s,
        tuple(windows),
        tuple(notes + _unknown_notes(question) + _exposure_notes(question)),
        scan.highest_deg,
        scan.highest_utc_s,
    )


def _exposure_notes(question: ForecastQuestion) -> list[str]:
    gear = question.home.gear
    if gear.power_w is None or gear.antenna is None:
        return []
    power_w = gear.power_w * 10.0 ** (-gear.feedline_loss_db / 10.0)
    gain_dbi, frequency_hz = gear.antenna.gain_dbi, question.frequency_hz
    fcc_m, icnirp_m = (
        math.ceil(safe_distance_m(power_w, gain_dbi, frequency_hz, rules, "public"))
        for rules in RULES
    )
    return [
        f"RF exposure: keep the public at least {max(fcc_m, icnirp_m)} m from the antenna, in its "
        f"beam (compliance distance at 100 % duty cycle: {icnirp_m} m by ICNIRP in free space, "
        f"{fcc_m} m by FCC with ground reflection). Local rules apply."
    ]


def coming_windows(
    ephemeris: Ephemeris, question: ForecastQuestion, utc_s: float, count: int = 4
) -> tuple[Window, ...]:
    """Returns the window under way, if any, with its true start, and the next ones, `count` in
    all; fewer if there are not so many within 120 days or inside the tables. The span of `question`
    is not used. Pure and thread-safe; takes some 0.1 s, a second where the Moon is rarely above
    both horizons. Raises CoverageError outside the tables."""
    ephemeris.require(utc_s)
    spans: list[Span] = []
    for ahead_s in SEARCH_S:
        start_utc_s, end_utc_s, _ = _covered(ephemeris, utc_s - LOOK_BACK_S, utc_s + ahead_s)
        course = _course(ephemeris, question, start_utc_s, end_utc_s)
        all_spans = find_windows(course, question.home, question.far).spans
        spans = [span for span in all_spans if span.end_utc_s > utc_s][:count]
        if len(spans) == count and spans[-1].set_limited_by is not None:
            break
    events = find_moon_events(ephemeris, start_utc_s, end_utc_s)
    return tuple(_window(course, question, events, span) for span in spans)


def _course(
    ephemeris: Ephemeris,
    question: ForecastQuestion,
    start_utc_s: float,
    end_utc_s: float,
    progress: Callable[[float], None] | None = None,
) -> Course:
    partner = None if question.partner is None else question.partner.site
    return Course(ephemeris, question.home.site, partner, start_utc_s, end_utc_s, progress)


def _covered(
    ephemeris: Ephemeris, from_utc_s: float, until_utc_s: float
) -> tuple[float, float, list[str]]:
    """Returns the part of a span inside the tables, and a sentence if it is not all of it."""
    first, last = ephemeris.first_utc_s + MARGIN_S, ephemeris.last_utc_s - MARGIN_S
    start_utc_s, end_utc_s = max(from_utc_s, first), min(until_utc_s, last)
    if start_utc_s >= end_utc_s:
        ephemeris.require(np.array([from_utc_s, until_utc_s]))
        raise CoverageError("the span is at the very end of the tables")
    if start_utc_s == from_utc_s and end_utc_s == until_utc_s:
        return start_utc_s, end_utc_s, []
    return (
        start_utc_s,
        end_utc_s,
        [
            f"The Earth orientation and Moon tables cover only {iso_utc(round(start_utc_s))} to "
            f"{iso_utc(round(end_utc_s))} of the requested span."
        ],
    )


def _window(course: Course, question: ForecastQuestion, events: MoonEvents, span: Span) -> Window:
    inner = np.arange(
        np.floor(span.start_utc_s / MINUTE_S) + 1.0, np.ceil(span.end_utc_s / MINUTE_S)
    )
    utc_s = np.concatenate([[span.start_utc_s], inner * MINUTE_S, [span.end_utc_s]])
    sky = course.at(utc_s)
    series = series_of(question, sky)
    minima, maxima = turning_points(
        lambda t: course.spread_fraction(t) * question.frequency_hz,
        span.start_utc_s,
        span.end_utc_s,
    )
    return Window(
        partner=question.partner_name,
        frequency_hz=question.frequency_hz,
        start_utc_s=span.start_utc_s,
        end_utc_s=span.end_utc_s,
        rise_limited_by=span.rise_limited_by,
        set_limited_by=span.set_limited_by,
        home_max_elevation=_max_elevation(utc_s, sky.home),
        far_max_elevation=_max_elevation(utc_s, sky.far),
        low_spread=low_spread_periods(utc_s, series.spread_hz, question.max_spread_hz),
        minima=minima,
        maxima=maxima,
        remarks=(
            *remarks_on(question, events, utc_s, series.home, series.far, sky.home.sight_km),
            *_polarisation(question, series),
        ),
        series=series,
    )


def _polarisation(question: ForecastQuestion, series: Series) -> list[WindowRemark]:
    """Returns a remark only where two ends are both known to be linearly polarised."""
    if question.partner is None or not (question.home.gear.linear and question.partner.gear.linear):
        return []
    return [WindowRemark("polarisation", offset_text(series.spatial_offset_deg))]


def _max_elevation(utc_s: Array, view: MoonFromEnd) -> MaxElevation:
    k = int(np.argmax(view.elevation_deg))
    return MaxElevation(float(utc_s[k]), float(view.elevation_deg[k]), float(view.azimuth_deg[k]))


def _no_window_note(
    question: ForecastQuestion, highest_deg: float, at_utc_s: float, start: float, end: float
) -> str:
    both = (
        "at home"
        if question.partner is None
        else f"at home and at {question.partner.name} at the same time"
    )
    return (
        f"{question.partner_name}: the Moon is never above the horizon {both} from "
        f"{iso_utc(round(start))} to {iso_utc(round(end))}; the nearest is "
        f"{-highest_deg:.1f}° below it at {iso_utc(round(at_utc_s))}."
    )


def _is_known(sender: Gear, receiver: Gear) -> bool:
    return (
        None not in (sender.power_w, sender.antenna, receiver.antenna)
        and receiver.receiver_noise_k is not None
    )


def _listed(names: list[str]) -> str:
    """Returns `a`, `a and b`, or `a, b and c`."""
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _unknown_notes(question: ForecastQuestion) -> list[str]:
    notes = []
    home, far = question.home.gear, question.far.gear
    snrs = [_is_known(far, home), _is_known(home, far)]
    ends = (
        [("home", home)]
        if question.partner is None
        else [("home", home), (question.partner.name, far)]
    )
    lacking: dict[str, list[str]] = {}  # names of the ends, by what is missing there
    for name, gear in ends:
        if parts := missing(gear):
            lacking.setdefault(_listed(parts), []).append(name)
    if lacking:
        which = "S/N of one direction only" if any(snrs) else "No S/N"
        whom = "own echoes" if question.partner is None else question.partner.name
        why = "; ".join(f"{parts} not given for {_listed(at)}" for parts, at in lacking.items())
        notes.append(f"{which} for {whom} on {megahertz(question.frequency_hz)}: {why}.")
    if question.frequency_hz > HIGHEST_HZ:
        notes.append("Atmospheric attenuation and noise above 48 GHz are unknown and not included.")
    if (
        question.partner is not None
        and home.linear
        and far.linear
        and question.frequency_hz < FARADAY_HZ
    ):
        notes.append(
            "Linear polarisation: the spatial offset is geometric; Faraday rotation in the "
            "ionosphere is not modelled and may rotate the plane by any amount."
        )
    return notes
