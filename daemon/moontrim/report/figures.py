"""The figures of the report, one function each; `style` has what they have in common."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.figure import Figure

from moontrim.formats import grouped, typeset
from moontrim.path.vectors import Array
from moontrim.report.facts import DialFacts, Facts, residual_of, state_mask
from moontrim.report.recomputed import Recomputed
from moontrim.report.recorded import Recorded
from moontrim.report.style import (
    BAD,
    CHARACTER_INCH,
    GOOD,
    INK,
    LEGEND_INCH,
    LINES,
    PARTS,
    TRANSMIT,
    by_part,
    days,
    edges_of,
    legend,
    means,
    middles,
    panels_of,
    parts_of,
    plain,
    rms,
    time_axis,
)
from moontrim.report.words import INTENDED, NO_FAULT
from moontrim.state.snapshot import Tracking

# Of the histogram. Chosen: bins fine enough for the shape of one step; what is beyond five steps is
# counted in the legend.
BINS_PER_STEP, MOST_STEPS = 20, 5
LEAST_LOSS_SPAN_DB = 0.5  # chosen: of the axis; a pass has more


def states(figure: Figure, recorded: Recorded, facts: Facts) -> None:
    """Draws when the radio was in which state, one row a state; missed seconds and overs below."""
    s = recorded.seconds
    rows: list[tuple[str, str, Array]] = []
    for state in facts.states:
        codes = [
            c for c, text in recorded.code_names.get("tracking", {}).items() if text == state.name
        ]
        good = state.name in {*NO_FAULT, *INTENDED}
        rows.append((plain(state.name), GOOD if good else BAD, s.utc_s[np.isin(s.tracking, codes)]))
    if facts.gaps:
        missed = np.concatenate([np.arange(gap.from_utc_s, gap.to_utc_s) for gap in facts.gaps])
        rows.append(("no record", BAD, missed))
    if facts.overs:
        rows.append(("transmitting", TRANSMIT, s.utc_s[s.transmitting == 1.0]))
    longest = max(len(name) for name, _, _ in rows)
    left_inch = 0.2 + CHARACTER_INCH * longest
    (axes,) = panels_of(figure, 1, 0.27 * len(rows), left_inch=left_inch, top_inch=0.05)
    edges = edges_of(facts, 2 * PARTS)
    for place, (_, colour, utc_s) in enumerate(rows):
        present = np.histogram(utc_s + 0.5, edges)[0] > 0
        turns = np.flatnonzero(np.diff(np.r_[False, present, False]))
        bars = [
            (days(edges[a]), days(edges[b]) - days(edges[a]))
            for a, b in turns.reshape(-1, 2).tolist()
        ]
        axes.broken_barh(bars, (place - 0.32, 0.64), facecolors=colour)
    axes.set_yticks(range(len(rows)), [name for name, _, _ in rows])
    axes.set_ylim(len(rows) - 0.45, -0.55)
    axes.grid(visible=False, axis="y")
    time_axis(axes, facts)


def residual_over_time(figure: Figure, recorded: Recorded, facts: Facts) -> None:
    """Draws the range of each dial's residual as a shaded area and its RMS as a line, with lines at
    half a dial step."""
    shown = _with_residuals(facts)
    panels = panels_of(figure, len(shown), 1.35)
    edges, on = edges_of(facts, PARTS), state_mask(recorded, Tracking.ON_FREQUENCY)
    for axes, dial in zip(panels, shown, strict=False):
        residual_hz = np.where(on, residual_of(recorded, dial.name), np.nan)
        parts, middle = parts_of(recorded.seconds.utc_s, residual_hz, edges), middles(edges)
        low_hz, high_hz = by_part(parts, np.min), by_part(parts, np.max)
        colour = LINES[dial.name]["color"]
        axes.fill_between(
            middle, low_hz, high_hz, color=colour, alpha=0.3, linewidth=0, label="min to max"
        )
        axes.plot(middle, by_part(parts, rms), **LINES[dial.name], label="RMS")
        for level_hz in (-dial.step_hz / 2, dial.step_hz / 2):
            axes.axhline(level_hz, color=INK, linewidth=0.8, linestyle=":")
        reach_hz = max(dial.step_hz * 0.6, float(np.nanmax(np.abs([low_hz, high_hz]))) * 1.1)
        axes.set_ylim(-reach_hz, reach_hz)
        axes.set_ylabel(f"{dial.name}\nresidual (Hz)")
    legend(panels[0])
    time_axis(panels[-1], facts)


def residual_histogram(figure: Figure, recorded: Recorded, facts: Facts) -> None:
    """Draws how often each residual occurred, beside what an ideal dial of this step gives."""
    (axes,) = panels_of(figure, 1, 1.6)
    on = state_mask(recorded, Tracking.ON_FREQUENCY)
    step_hz = facts.dials[0].step_hz
    max_hz = max(one.on_frequency.max_hz for one in facts.dials if one.on_frequency is not None)
    steps = math.ceil(min(max(1.0, max_hz / step_hz), MOST_STEPS))
    reach_hz = steps * step_hz
    edges = np.linspace(-reach_hz, reach_hz, 2 * steps * BINS_PER_STEP + 1)
    for dial in _with_residuals(facts):
        values = residual_of(recorded, dial.name)[on]
        values = values[np.isfinite(values)]
        counts = np.histogram(values, edges)[0]
        beyond = values.size - int(counts.sum())
        label = f"{dial.name}, {typeset(grouped(beyond))} s beyond" if beyond else dial.name
        axes.stairs(counts / values.size * 100.0, edges, **LINES[dial.name], label=label)
    expected = 100.0 / BINS_PER_STEP
    axes.plot(
        [-reach_hz, -step_hz / 2, -step_hz / 2, step_hz / 2, step_hz / 2, reach_hz],
        [0.0, 0.0, expected, expected, 0.0, 0.0],
        color=INK,
        linewidth=1.0,
        linestyle=":",
        label=f"ideal {step_hz:g} Hz dial",
    )
    axes.set_xlabel("residual, dial as read back minus ideal (Hz)")
    axes.set_ylabel(f"seconds (%)\nper {step_hz / BINS_PER_STEP:g} Hz")
    axes.set_ylim(bottom=0.0)
    legend(axes)


def correction(figure: Figure, recorded: Recorded, facts: Facts, again: Recomputed) -> None:
    """Draws the correction that the dials had to follow (ideal on-air minus sked frequency, without
    the trims), and its rate."""
    s = recorded.seconds
    rated = bool(np.isfinite(again.rx_rate_hz_per_s).any())
    panels = panels_of(figure, 1 + rated, 1.25)
    edges = edges_of(facts, PARTS)
    for name, correction_hz, rate in (
        ("receive", s.rx_correction_hz, again.rx_rate_hz_per_s),
        ("transmit", s.tx_correction_hz, again.tx_rate_hz_per_s),
    ):
        panels[0].plot(*means(s.utc_s, correction_hz, edges), **LINES[name], label=name)
        if rated:
            panels[1].plot(*means(again.utc_s, rate, edges), **LINES[name])
    panels[0].set_ylabel("correction (Hz)")
    panels[0].yaxis.set_major_formatter(lambda hz, _: typeset(grouped(hz)))
    if rated:
        panels[1].set_ylabel("rate (Hz/s)")
    legend(panels[0])
    time_axis(panels[-1], facts)


def sky(figure: Figure, recorded: Recorded, facts: Facts, again: Recomputed) -> None:
    """Draws the Moon's elevation at both ends, and the spread and loss of the path."""
    s = recorded.seconds
    solved = bool(np.isfinite(again.spread_hz).any())
    panels = panels_of(figure, 3 if solved else 1, 1.1)
    edges = edges_of(facts, PARTS)
    for name, label, elevation_deg in (
        ("receive", "home", s.elevation_deg),
        ("transmit", "partner", s.partner_elevation_deg),
    ):
        if np.isfinite(elevation_deg).any():
            line = LINES[name] | {"color": INK}
            panels[0].plot(*means(s.utc_s, elevation_deg, edges), **line, label=label)
    panels[0].set_ylabel("elevation of\nthe Moon (°)")
    legend(panels[0])
    if solved:
        for axes, values, label in (
            (panels[1], again.spread_hz, "spread, limb\nto limb (Hz)"),
            (panels[2], again.loss_db, "path loss\n(dB)"),
        ):
            axes.plot(*means(again.utc_s, values, edges), color=INK, linewidth=1.4)
            axes.set_ylabel(label)
        # Finer steps would need figures that reach into the label.
        low_db, high_db = panels[2].get_ylim()
        if high_db - low_db < LEAST_LOSS_SPAN_DB:
            middle_db = 0.5 * (low_db + high_db)
            half_db = 0.5 * LEAST_LOSS_SPAN_DB
            panels[2].set_ylim(middle_db - half_db, middle_db + half_db)
    time_axis(panels[-1], facts)


def doubts(figure: Figure, recorded: Recorded, facts: Facts) -> None:
    """Draws how well the clock was known, and the frequency errors (95 %) of the error budget."""
    bound_ms = recorded.seconds.clock_bound_ms
    clock, budget = bool(np.isfinite(bound_ms).any()), bool(recorded.budgets)
    panels = panels_of(figure, clock + budget, 1.2, gap_inch=LEGEND_INCH)
    edges = edges_of(facts, PARTS)
    if clock:
        worst_ms = by_part(parts_of(recorded.seconds.utc_s, bound_ms, edges), np.max)
        panels[0].plot(middles(edges), worst_ms, color=INK, linewidth=1.4)
        panels[0].set_ylabel("clock error\nbound (ms)")
        panels[0].set_ylim(bottom=0.0)
    if budget:
        at = days(np.array([one.at_utc_s for one in recorded.budgets]))
        for name, bound in (
            ("receive", [one.rx_error_95_hz for one in recorded.budgets]),
            ("transmit", [one.tx_error_95_hz for one in recorded.budgets]),
        ):
            bound_hz = np.array(bound, dtype=np.float64)
            if np.isfinite(bound_hz).any():
                panels[-1].plot(at, bound_hz, **LINES[name], drawstyle="steps-post", label=name)
        panels[-1].set_ylabel("frequency error\n(95 %) (Hz)")
        panels[-1].set_ylim(bottom=0.0)
        legend(panels[-1])
    time_axis(panels[-1], facts)


def _with_residuals(facts: Facts) -> list[DialFacts]:
    """Returns the dials of which there are residuals while on frequency."""
    return [dial for dial in facts.dials if dial.on_frequency is not None]
