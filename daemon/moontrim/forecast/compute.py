"""The forecasts of one home with its partners: windows, with everything known about each."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from moontrim.errors import CoverageError
from moontrim.forecast.circumstances import MoonEvents, find_moon_events
from moontrim.forecast.course import MARGIN_S, Course, HomeCourse
from moontrim.forecast.question import ForecastQuestion
from moontrim.forecast.window import Window
from moontrim.forecast.windowdetails import describe_windows
from moontrim.forecast.windowsearch import Scan, Span, above_home, find_windows
from moontrim.path import Ephemeris

# How far the start of a window under way is searched for: longer than any window but a polar one.
LOOK_BACK_S = 1.5 * 86400.0
# How far ahead coming windows are searched for, step by step: the first is enough for most pairs.
SEARCH_S = (8 * 86400.0, 32 * 86400.0, 120 * 86400.0)
# Chosen: share of the work, for the progress bar, until the windows are known.
SOLVED_SHARE = 0.4


@dataclass(frozen=True)
class Forecast:
    """The windows of one pair in order of time.

    from_utc_s, until_utc_s: the span covered, which the tables may have made shorter than that of
    the question.
    highest_deg, highest_utc_s: the Moon's greatest height above the horizon of the end where it is
    lower, positive exactly if there is a window, and when."""

    question: ForecastQuestion
    from_utc_s: float
    until_utc_s: float
    windows: tuple[Window, ...]
    highest_deg: float
    highest_utc_s: float


def forecasts(
    ephemeris: Ephemeris,
    questions: Iterable[ForecastQuestion],
    progress: Callable[[float], None] | None = None,
) -> Iterator[Forecast]:
    """Yields the forecast of each question, one at a time, so that memory does not grow with their
    number. What the partners of one home share is worked out once for questions in a row with the
    same home and span. Raises CoverageError if no part of a span is inside the tables.

    progress: called from time to time with the share done of the present one, 0 to 1."""
    report_share = progress or (lambda share: None)
    same = groupby(questions, lambda one: (one.home, one.from_utc_s, one.until_utc_s))
    for (home, from_utc_s, until_utc_s), group in same:
        start_utc_s, end_utc_s = _covered(ephemeris, from_utc_s, until_utc_s)
        home_course = HomeCourse(ephemeris, home.site, start_utc_s, end_utc_s)
        above_home_deg = above_home(home_course, home)
        events = find_moon_events(ephemeris, start_utc_s, end_utc_s)
        for question in group:
            course = _course(home_course, question)
            report_share(SOLVED_SHARE)
            scan = find_windows(course, home, question.far, above_home_deg)
            yield _forecast(course, events, question, scan, report_share)


def forecast(
    ephemeris: Ephemeris,
    question: ForecastQuestion,
    progress: Callable[[float], None] | None = None,
) -> Forecast:
    """Returns the forecast of one pair, as `forecasts` does."""
    (result,) = forecasts(ephemeris, [question], progress)
    return result


def _forecast(
    course: Course,
    events: MoonEvents,
    question: ForecastQuestion,
    scan: Scan,
    report_share: Callable[[float], None],
) -> Forecast:
    windows = []
    for window in describe_windows(course, question, events, scan.spans):
        windows.append(window)
        report_share(SOLVED_SHARE + (1.0 - SOLVED_SHARE) * len(windows) / len(scan.spans))
    report_share(1.0)
    return Forecast(
        question,
        course.from_utc_s,
        course.until_utc_s,
        tuple(windows),
        scan.highest_deg,
        scan.highest_utc_s,
    )


def _course(home: HomeCourse, question: ForecastQuestion) -> Course:
    return Course(home, None if question.partner is None else question.partner.site)


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
        start_utc_s, end_utc_s = _covered(ephemeris, utc_s - LOOK_BACK_S, utc_s + ahead_s)
        home = HomeCourse(ephemeris, question.home.site, start_utc_s, end_utc_s)
        course = _course(home, question)
        above_home_deg = above_home(home, question.home)
        all_spans = find_windows(course, question.home, question.far, above_home_deg).spans
        spans = [span for span in all_spans if span.end_utc_s > utc_s][:count]
        if len(spans) == count and spans[-1].set_limited_by is not None:
            break
    events = find_moon_events(ephemeris, start_utc_s, end_utc_s)
    return tuple(describe_windows(course, question, events, spans))


def _covered(ephemeris: Ephemeris, from_utc_s: float, until_utc_s: float) -> tuple[float, float]:
    """Returns the part of a span inside the tables."""
    first, last = ephemeris.first_utc_s + MARGIN_S, ephemeris.last_utc_s - MARGIN_S
    start_utc_s, end_utc_s = max(from_utc_s, first), min(until_utc_s, last)
    if start_utc_s >= end_utc_s:
        ephemeris.require(np.array([from_utc_s, until_utc_s]))
        raise CoverageError("the span is at the very end of the tables")
    return start_utc_s, end_utc_s
