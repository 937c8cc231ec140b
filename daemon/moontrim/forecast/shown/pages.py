"""Pictures of a forecast: a page per window and a page per month, PNG or SVG.

Drawn on matplotlib's figures directly, without pyplot: no global state, no window on the screen."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterator, Sequence
from datetime import tzinfo
from pathlib import Path

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from moontrim.errors import InputError, unwritable
from moontrim.forecast.compute import Forecast
from moontrim.forecast.shown.panels import fill, kinds_of
from moontrim.forecast.shown.timeaxes import mark_above, mark_below
from moontrim.forecast.shown.words import (
    dated_span_text,
    day_text,
    hz_text,
    is_utc,
    minute,
    span_text,
    utc_time,
    zone_text,
)
from moontrim.forecast.window import LowSpread, Window
from moontrim.formats import megahertz, typeset

SUFFIXES = (".png", ".svg")
MONTH_S = 31 * 86400.0
# A4.
PORTRAIT_INCH, LANDSCAPE_INCH = (8.27, 11.69), (11.69, 8.27)
DOTS_PER_INCH = 120  # chosen: legible on a screen without zooming
# Left edge and width of the panels as shares of the page: room for labels and legends.
LEFT, WIDTH = 0.115, 0.735
# Distance of the labels from the panels' left edge.
LABELS_LEFT_INCH = 0.56
# Chosen: low-spread periods listed below the panels, a line each.
PERIODS_SHOWN = 6
DAY_S = 86400.0


class Pages:
    """Picture files beside `path`, whose suffix is the format. The first month of the first partner
    is `path` itself.

    several: whether names tell the partner.
    progress: called after every page with the share done of the partner's, 0 to 1."""

    def __init__(
        self,
        path: Path,
        zone: tzinfo | None,
        several: bool = False,
        progress: Callable[[float], None] | None = None,
    ) -> None:
        """Raises InputError for another suffix."""
        if path.suffix.lower() not in SUFFIXES:
            raise InputError("--plot", str(path), f"a file name ending in {' or '.join(SUFFIXES)}")
        self._path, self._zone, self._several, self._progress = path, zone, several, progress
        self.written: list[Path] = []

    def add(self, forecast: Forecast) -> None:
        """Writes the pages of a partner. Raises InputError for a file that cannot be written."""
        total = 1 + len(forecast.windows)
        before = len(self.written)
        for name, figure in self._pages(forecast):
            try:
                _save(figure, name)
            except OSError as error:
                raise unwritable("--plot", name, error) from None
            self.written.append(name)
            if self._progress is not None:
                self._progress(min(1.0, (len(self.written) - before) / total))

    def finish(self) -> list[str]:
        """Returns what has been written."""
        return [str(path) for path in self.written]

    def _pages(self, forecast: Forecast) -> Iterator[tuple[Path, Figure]]:
        path = self._path
        who = "-" + _plain(forecast.question.partner_name) if self._several else ""
        for number, start_utc_s in enumerate(_months(forecast), start=1):
            end_utc_s = min(start_utc_s + MONTH_S, forecast.until_utc_s)
            windows = [
                w
                for w in forecast.windows
                if w.end_utc_s > start_utc_s and w.start_utc_s < end_utc_s
            ]
            if not windows:
                continue
            name = path.with_stem(f"{path.stem}{who}-month-{number}") if self.written else path
            yield name, month_page(forecast, windows, start_utc_s, end_utc_s, self._zone)
        for number, window in enumerate(forecast.windows, start=1):
            yield (
                path.with_stem(f"{path.stem}{who}-window-{number:02d}"),
                window_page(forecast, window, self._zone),
            )


def _months(forecast: Forecast) -> Iterator[float]:
    at = forecast.from_utc_s
    while at < forecast.until_utc_s:
        yield at
        at += MONTH_S


def _plain(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "_", name).strip("_") or "partner"


def window_page(forecast: Forecast, window: Window, zone: tzinfo | None) -> Figure:
    """Draws one window, portrait A4."""
    start, end = window.start_utc_s, window.end_utc_s
    title = f"{_who(forecast)}, {megahertz(window.frequency_hz)}"
    under = f"{dated_span_text(start, end, year=' %Y')} UTC"
    if not is_utc(zone, start, end):
        under += f", {dated_span_text(start, end, zone)} {zone_text(start, zone)}"
    lines: list[str] = []
    for remark in window.remarks:
        lines += textwrap.wrap(remark.text[0].upper() + remark.text[1:], 100)
    figure = _stack(forecast, [window], start, end, zone, PORTRAIT_INCH, (title, under), lines)
    _label_minima(figure.axes[1], window)
    return figure


def _label_minima(axes: Axes, window: Window) -> None:
    """Labels the smallest minima with time and size, as far as the labels do not touch."""
    start, long_s = window.start_utc_s, window.end_utc_s - window.start_utc_s
    form = "%H:%M" if long_s < DAY_S else "%d %b %H:%M"
    apart = 0.22 if long_s < DAY_S else 0.28
    taken: list[float] = []
    for turn in sorted(window.minima, key=lambda turn: turn.spread_hz):
        place = (turn.at_utc_s - start) / long_s
        if any(abs(place - other) < apart for other in taken):
            continue
        taken.append(place)
        axes.plot([turn.at_utc_s], [turn.spread_hz], "o", color="black", markersize=4, zorder=5)
        # There is room under a minimum, unless it is near the bottom.
        below = turn.spread_hz > 0.3 * axes.get_ylim()[1]
        axes.annotate(
            f"{utc_time(minute(turn.at_utc_s)).strftime(form)}, {hz_text(turn.spread_hz)} Hz",
            (turn.at_utc_s, turn.spread_hz),
            xytext=(0, -8 if below else 9),
            textcoords="offset points",
            va="top" if below else "bottom",
            ha="left" if place < 0.12 else "right" if place > 0.88 else "center",
            fontsize=8,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.8},
        )


def month_page(
    forecast: Forecast,
    windows: Sequence[Window],
    start_utc_s: float,
    end_utc_s: float,
    zone: tzinfo | None,
) -> Figure:
    """Draws all windows of up to 31 days, landscape A4."""
    title = f"{_who(forecast)}, {megahertz(forecast.question.frequency_hz)}"
    under = (
        f"{day_text(start_utc_s)} to {day_text(end_utc_s)} {utc_time(end_utc_s):%Y}: "
        f"{len(windows)} window{'s' if len(windows) > 1 else ''}"
    )
    return _stack(
        forecast,
        windows,
        start_utc_s,
        end_utc_s,
        zone,
        LANDSCAPE_INCH,
        (title, under),
        (),
    )


def _who(forecast: Forecast) -> str:
    partner = forecast.question.partner
    return "home, echoes" if partner is None else f"home with {partner.name}"


def _low_spread_of(windows: Sequence[Window]) -> list[LowSpread]:
    """Returns the periods of the lowest spread, in order of time."""
    periods = sorted((s for w in windows for s in w.low_spread), key=lambda s: s.mean_hz)
    return sorted(periods[:PERIODS_SHOWN], key=lambda s: s.start_utc_s)


def _low_spread_line(period: LowSpread, zone: tzinfo | None) -> str:
    start, end = period.start_utc_s, period.end_utc_s
    local = "" if is_utc(zone, start, end) else (
        f" ({span_text(start, end, zone)} {zone_text(start, zone)})"
    )  # fmt: skip
    return (
        f"{day_text(start)} {span_text(start, end)} UTC{local}: "
        f"mean {hz_text(period.mean_hz)} Hz, minimum {hz_text(period.min_hz)} Hz"
    )


def _stack(
    forecast: Forecast,
    windows: Sequence[Window],
    start_utc_s: float,
    end_utc_s: float,
    zone: tzinfo | None,
    size_inch: tuple[float, float],
    heading: tuple[str, str],
    remark_lines: Sequence[str],
) -> Figure:
    """Draws panels one over the other, heading above, text below."""
    figure = Figure(figsize=size_inch, dpi=DOTS_PER_INCH)
    FigureCanvasAgg(figure)
    kinds = kinds_of(forecast)
    low_spread = _low_spread_of(windows)
    legend = "Shaded: low spread." if low_spread else "No period of low spread."
    if "signal" in kinds:
        judged = forecast.question.signal.threshold_db is not None
        legend += f" {'Margin' if judged else 'S/N'} in 2.5 kHz."
    lines = [legend, *(_low_spread_line(one, zone) for one in low_spread), *remark_lines]
    line_high = 0.165 / size_inch[1]
    bottom = (len(lines) + 4.5) * line_high
    top = 1.0 - (0.85 if is_utc(zone, start_utc_s, end_utc_s) else 1.25) / size_inch[1]
    each = (top - bottom) / len(kinds)
    panels = [
        figure.add_axes((LEFT, top - each * (k + 1), WIDTH, each * 0.88)) for k in range(len(kinds))
    ]
    for k, (axes, kind) in enumerate(zip(panels, kinds, strict=True)):
        fill(axes, kind, forecast, windows, low_spread)
        place = axes.get_position()
        axes.yaxis.set_label_coords(
            LEFT - LABELS_LEFT_INCH / size_inch[0],
            0.5 * (place.y0 + place.y1),
            transform=figure.transFigure,
        )
        mark_below(axes, start_utc_s, end_utc_s, labels=k == len(kinds) - 1)
    mark_above(panels[0], start_utc_s, end_utc_s, zone)
    figure.text(
        LEFT, 1.0 - 0.32 / size_inch[1], typeset(heading[0]), fontsize=14, weight="bold", va="top"
    )
    figure.text(LEFT, 1.0 - 0.58 / size_inch[1], heading[1], fontsize=9, va="top")
    figure.text(
        LEFT, len(lines) * line_high + 0.7 * line_high, typeset("\n".join(lines)), fontsize=8.5,
        va="top", linespacing=1.25,
    )  # fmt: skip
    return figure


def _save(figure: Figure, path: Path) -> None:
    if path.suffix.lower() == ".svg":
        # Without a date and with names of parts that do not change, so that the same forecast gives
        # the same file.
        with rc_context({"svg.hashsalt": "moontrim"}):
            figure.savefig(path, format="svg", metadata={"Date": None})
    else:
        figure.savefig(path, format="png")
