"""Everything that is known about windows, many at a time: an array over several windows costs
little more than one over a single window."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from moontrim.forecast.circumstances import MoonEvents, remarks_on
from moontrim.forecast.course import MINUTE_S, Course
from moontrim.forecast.polarisation import offset_text
from moontrim.forecast.question import ForecastQuestion
from moontrim.forecast.series import series_of
from moontrim.forecast.spread import (
    Turns,
    low_spread_limit_hz,
    low_spread_periods,
    turning_points,
)
from moontrim.forecast.window import EndSeries, MaxElevation, Series, Window, WindowRemark
from moontrim.forecast.windowsearch import Span
from moontrim.path.vectors import Array

# Chosen: instants worked out at once; bounds the memory at some 10 MB.
INSTANTS_AT_ONCE = 8192


def describe_windows(
    course: Course, question: ForecastQuestion, events: MoonEvents, spans: Sequence[Span]
) -> Iterator[Window]:
    """Yields a window for each span, in order."""
    batch: list[Span] = []
    instants: list[Array] = []
    for span in spans:
        batch.append(span)
        instants.append(_instants(span))
        if sum(part.size for part in instants) >= INSTANTS_AT_ONCE or span is spans[-1]:
            yield from _describe(course, question, events, batch, instants)
            batch, instants = [], []


def _instants(span: Span) -> Array:
    """Returns the start, every whole minute, and the end of a span."""
    inner = np.arange(
        np.floor(span.start_utc_s / MINUTE_S) + 1.0, np.ceil(span.end_utc_s / MINUTE_S)
    )
    return np.concatenate([[span.start_utc_s], inner * MINUTE_S, [span.end_utc_s]])


def _describe(
    course: Course,
    question: ForecastQuestion,
    events: MoonEvents,
    spans: Sequence[Span],
    instants: Sequence[Array],
) -> Iterator[Window]:
    sky = course.at(np.concatenate(instants))
    whole = series_of(question, sky)
    turns = turning_points(
        lambda t: course.spread_fraction(t) * question.frequency_hz,
        [(span.start_utc_s, span.end_utc_s) for span in spans],
    )
    at = 0
    for span, utc_s, turns_inside in zip(spans, instants, turns, strict=True):
        part = slice(at, at + utc_s.size)
        at += utc_s.size
        yield _window(
            question,
            events,
            span,
            whole.part(part),
            turns_inside,
            sky.home.sight_km[:, part],
        )


def _window(
    question: ForecastQuestion,
    events: MoonEvents,
    span: Span,
    series: Series,
    turns: Turns,
    sight_km: Array,
) -> Window:
    """Returns the window of a span. sight_km: lines of sight from home, GCRS, (3, N)."""
    utc_s, spread_hz = series.utc_s, series.spread_hz
    limit_hz = low_spread_limit_hz(spread_hz, question.max_spread_hz)
    return Window(
        partner=question.partner_name,
        frequency_hz=question.frequency_hz,
        start_utc_s=span.start_utc_s,
        end_utc_s=span.end_utc_s,
        rise_limited_by=span.rise_limited_by,
        set_limited_by=span.set_limited_by,
        home_max_elevation=_max_elevation(utc_s, series.home),
        far_max_elevation=_max_elevation(utc_s, series.far),
        low_spread=low_spread_periods(utc_s, spread_hz, limit_hz),
        minima=turns[0],
        maxima=turns[1],
        remarks=(
            *remarks_on(question, events, utc_s, series.home, series.far, sight_km),
            *_polarisation(question, series),
        ),
        series=series,
    )


def _polarisation(question: ForecastQuestion, series: Series) -> list[WindowRemark]:
    """Returns a remark only where two ends are both known to be linearly polarised."""
    if question.partner is None or not (question.home.gear.linear and question.partner.gear.linear):
        return []
    return [WindowRemark("polarisation", offset_text(series.spatial_offset_deg))]


def _max_elevation(utc_s: Array, view: EndSeries) -> MaxElevation:
    k = int(np.argmax(view.elevation_deg))
    return MaxElevation(float(utc_s[k]), float(view.elevation_deg[k]), float(view.azimuth_deg[k]))
