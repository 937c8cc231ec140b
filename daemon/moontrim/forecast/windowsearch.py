"""The search for windows: when the Moon is up at both ends, to a second.

Up means that the apparent elevation of the Moon's centre, with refraction, is above the end's
horizon. Every whole minute is evaluated and each change between two of them bisected. Weather
changes refraction (0.6 degrees at the horizon) by some ten percent, which moves a rise or set at a
free horizon by some 20 s. A window or a gap between two whole minutes is missed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moontrim.forecast.course import Course, HomeCourse, azimuth_deg, elevation_deg
from moontrim.forecast.question import End
from moontrim.forecast.window import EndName
from moontrim.path.vectors import Array

# Halvings of a minute: to 0.1 ms.
HALVINGS = 20


@dataclass(frozen=True)
class Span:
    """A window's start and end, POSIX seconds UTC.

    rise_limited_by, set_limited_by: the end whose horizon that is; None: the course begins or ends
    while the Moon is up."""

    start_utc_s: float
    end_utc_s: float
    rise_limited_by: EndName | None
    set_limited_by: EndName | None


@dataclass(frozen=True)
class Scan:
    """All windows of a course.

    highest_deg, highest_utc_s: the Moon's greatest height above the horizon of the end where it is
    lower, to a quarter of a degree, and when; negative if it is never up at both."""

    spans: tuple[Span, ...]
    highest_deg: float
    highest_utc_s: float


def above_home(course: HomeCourse, home: End) -> list[Array]:
    """Returns the degrees by which the Moon is above home's horizon at every whole minute, in the
    pieces of `HomeCourse.minutes`."""
    return [_above(home, local) for _, local in course.minutes()]


def find_windows(course: Course, home: End, far: End, above_home_deg: Sequence[Array]) -> Scan:
    """Returns all windows of a course, in order of time. above_home_deg: as from `above_home`."""
    times, clear = [], []
    for (utc_s, far_local), at_home in zip(course.minutes(), above_home_deg, strict=True):
        inside = (utc_s > course.from_utc_s) & (utc_s < course.until_utc_s)
        times.append(utc_s[inside])
        both = at_home if far is home else np.minimum(at_home, _above(far, far_local))
        clear.append(both[inside])
    ends = np.array([course.from_utc_s, course.until_utc_s])
    at_ends = _clearance(course, home, far, ends)
    utc = np.concatenate([ends[:1], *times, ends[1:]])
    clearance = np.concatenate([at_ends[:1], *clear, at_ends[1:]])
    highest = int(np.argmax(clearance))
    up = clearance > 0.0
    change = np.flatnonzero(up[1:] != up[:-1])
    roots = _bisect(
        lambda t: _clearance(course, home, far, t), utc[change], utc[change + 1], up[change]
    )
    owners = _owners(course, home, far, roots)
    edges: list[tuple[float, EndName | None]] = list(zip(roots.tolist(), owners, strict=True))
    if up[0]:
        edges.insert(0, (course.from_utc_s, None))
    if up[-1]:
        edges.append((course.until_utc_s, None))
    spans = tuple(
        Span(start, end, opened, closed)
        for (start, opened), (end, closed) in zip(edges[::2], edges[1::2], strict=True)
    )
    return Scan(spans, float(clearance[highest]), float(utc[highest]))


def _above(end: End, local: Array) -> Array:
    """Returns degrees (N,) by which lines of sight (3, N) are above an end's horizon."""
    horizon, elevation = end.horizon, elevation_deg(local, end.site.height_m)
    if not horizon.mask:
        return elevation - horizon.min_elevation_deg
    return np.asarray(elevation - horizon.elevation_deg(azimuth_deg(local)))


def _clearance(course: Course, home: End, far: End, utc_s: Array) -> Array:
    home_local, far_local = course.local(utc_s)
    return np.minimum(_above(home, home_local), _above(far, far_local))


def _owners(course: Course, home: End, far: End, utc_s: Array) -> list[EndName | None]:
    home_local, far_local = course.local(utc_s)
    at_home = _above(home, home_local) <= _above(far, far_local)
    return ["home" if is_home else "partner" for is_home in at_home.tolist()]


def _bisect(
    f: Callable[[Array], Array], low: Array, high: Array, low_is_up: NDArray[np.bool_]
) -> Array:
    """Returns roots (N,) between low and high, where f > 0 at low exactly if low_is_up."""
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        like_low = (f(middle) > 0.0) == low_is_up
        low, high = np.where(like_low, middle, low), np.where(like_low, high, middle)
    return 0.5 * (low + high)
