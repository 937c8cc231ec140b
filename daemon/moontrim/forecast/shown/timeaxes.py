"""Time axes in POSIX seconds, marked in UTC below and in local time, if it differs, above."""

from __future__ import annotations

import math
from datetime import UTC, tzinfo

from matplotlib.axes import Axes

from moontrim.forecast.shown.words import is_utc, local_time, zone_label

HOUR_S, DAY_S = 3600.0, 86400.0
# Steps between ticks that make round times of day and dates.
MINUTES = (5, 10, 15, 30, 60, 120, 180, 240, 360, 720)
DAYS = (1, 2, 3, 4, 7, 14)
STEPS_S = (*(60.0 * minutes for minutes in MINUTES), *(DAY_S * days for days in DAYS))
MOST_TICKS = 12  # chosen: labels do not touch on a page of A4


def mark_below(axes: Axes, start_utc_s: float, end_utc_s: float, labels: bool) -> None:
    """Sets limits and ticks in UTC. labels: whether to print figures and the axis's name."""
    axes.set_xlim(start_utc_s, end_utc_s)
    _mark(axes, start_utc_s, end_utc_s, UTC)
    axes.tick_params(labelbottom=labels, labelsize=8)
    if labels:
        axes.set_xlabel("UTC", fontsize=9)


def mark_above(axes: Axes, start_utc_s: float, end_utc_s: float, zone: tzinfo | None) -> None:
    """Marks the local time of a zone along the upper edge, unless it is UTC."""
    if is_utc(zone, start_utc_s, end_utc_s):
        return
    upper = axes.twiny()
    upper.set_xlim(start_utc_s, end_utc_s)
    _mark(upper, start_utc_s, end_utc_s, zone)
    upper.tick_params(labelsize=8)
    upper.set_xlabel(zone_label(zone, start_utc_s, end_utc_s), fontsize=9)


def _mark(axes: Axes, start_utc_s: float, end_utc_s: float, zone: tzinfo | None) -> None:
    ticks = tick_instants(start_utc_s, end_utc_s, zone)
    axes.set_xticks([at for at, _ in ticks], [label for _, label in ticks])


def tick_instants(
    start_utc_s: float, end_utc_s: float, zone: tzinfo | None
) -> list[tuple[float, str]]:
    """Returns round instants of a zone between two others, with labels: time of day, and the date
    where a day begins and at the first; dates only for steps of a day and more."""
    span_s = end_utc_s - start_utc_s
    step_s = next((step for step in STEPS_S if span_s / step <= MOST_TICKS), STEPS_S[-1])
    ticks: list[tuple[float, str]] = []
    # The zone may change its offset within the span, so each tick is checked by itself.
    at = math.floor(start_utc_s / HOUR_S) * HOUR_S - DAY_S
    # Offsets of zones are multiples of a quarter of an hour.
    fine_s = 900.0 if step_s >= HOUR_S else 300.0
    while at <= end_utc_s:
        if at >= start_utc_s and _is_round(at, step_s, zone):
            ticks.append((at, _label(at, step_s, zone, first=not ticks)))
        at += fine_s
    return ticks


def _is_round(utc_s: float, step_s: float, zone: tzinfo | None) -> bool:
    local = local_time(utc_s, zone)
    since_midnight_s = local.hour * 3600.0 + local.minute * 60.0 + local.second
    if step_s < DAY_S:
        return since_midnight_s % step_s == 0.0
    return since_midnight_s == 0.0 and local.toordinal() % round(step_s / DAY_S) == 0


def _label(utc_s: float, step_s: float, zone: tzinfo | None, first: bool) -> str:
    local = local_time(utc_s, zone)
    date = f"{local.day} {local:%b}"
    if step_s >= DAY_S:
        return date
    clock = f"{local:%H:%M}"
    return f"{clock}\n{date}" if first or clock == "00:00" else clock
