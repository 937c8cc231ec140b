"""The sentences of the report, and its numbers as text of the right length. Pure."""

from __future__ import annotations

import math

from moontrim.errors import CoverageError
from moontrim.formats import count, grouped, iso_utc
from moontrim.path import Ephemeris, Site
from moontrim.report.facts import ROUNDING_SIGMA, Facts
from moontrim.report.recomputed import Difference
from moontrim.report.recorded import Recorded
from moontrim.state.snapshot import Tracking

NONE = "–"
LIVE_S = 60.0  # chosen: a session whose last second is older than this no longer runs
# More than the daemon's fit (0.0001 Hz) and later tables of Earth orientation (0.006 Hz for 3 ms
# of UT1 at 10 GHz) can explain.
ASTRAY_HZ = 0.05
# States that are neither a fault nor need an explanation.
NO_FAULT = {Tracking.ON_FREQUENCY, Tracking.STARTING}
# States that are intended, as a sentence names them.
INTENDED = {
    Tracking.HELD_KEYED: "held while transmitting",
    Tracking.PAUSED: "paused by the operator",
    Tracking.MOON_TOO_LOW: "with the Moon too low",
}


def utc(utc_s: float) -> str:
    """Returns ISO 8601 UTC to the second."""
    return iso_utc(math.floor(utc_s))


def exactly(utc_s: float) -> str:
    """Returns ISO 8601 UTC to the microsecond, as the journal stores it."""
    return iso_utc(utc_s)


def span(seconds: float | None) -> str:
    """Returns text such as `2 h 05 min`, `3 min 20 s`, `12.4 s`; `lasts` for None."""
    if seconds is None:
        return "lasts"
    if seconds < 60.0:
        return f"{seconds:.0f} s" if seconds == round(seconds) else f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest:02d} s" if rest else f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def hz(value: float | None, decimals: int = 3, sign: bool = False) -> str:
    """Returns hertz without their unit, which the column's heading has."""
    if value is None or not math.isfinite(value):
        return NONE
    return grouped(value, decimals, sign=sign)


def dial(value: float) -> str:
    """Returns whole hertz in groups of three, as dials show them."""
    return NONE if not math.isfinite(value) else grouped(value)


def percent(share: float) -> str:
    """Returns a share in percent, rounded, but 100 % only for 1."""
    return "100 %" if share == 1.0 else f"{min(share * 100.0, 99.99):.2f} %"


def ending(recorded: Recorded, facts: Facts, now_utc_s: float) -> str:
    """Returns how the session ended, as far as the journal tells."""
    if recorded.ended_utc_s is not None:
        return f"ended {utc(recorded.ended_utc_s)}"
    if recorded.newest and now_utc_s - facts.spell.to_utc_s < LIVE_S:
        return "still running"
    return (
        f"no end recorded; the last second is {utc(facts.spell.to_utc_s - 1)} "
        "(power loss, or killed)"
    )


def verdict(facts: Facts, difference: Difference | None) -> list[str]:
    """Returns the result in a few sentences, each with its numbers."""
    return [
        *_time(facts),
        *_dials(facts),
        *_missed(facts),
        *_again(difference),
    ]


def _again(difference: Difference | None) -> list[str]:
    """Returns a sentence on the path recomputed."""
    if difference is None:
        return ["The path could not be recomputed; the figures rest on the journal alone."]
    how = f"Recomputed independently at {grouped(difference.instants)} instants, the ideal dials"
    if difference.max_hz > ASTRAY_HZ:
        return [
            f"{how} differ from the recorded ones by up to {hz(difference.max_hz, 4)} Hz (at "
            f"{utc(difference.at_utc_s)}), which is too much: the daemon did not follow this path, "
            "or the journal was altered."
        ]
    return [f"{how} agree with the recorded ones to {hz(difference.max_hz, 4)} Hz."]


def _time(facts: Facts) -> list[str]:
    """Returns sentences on the time in each state."""
    expected = f"{grouped(facts.expected)} s"
    on = f"{grouped(facts.on_frequency)} of {expected} ({percent(facts.on_frequency_share)})"
    meant = [s for s in facts.states if s.name in INTENDED]
    astray = [s for s in facts.states if s.name not in {*NO_FAULT, *INTENDED}]
    sentences = [f"On frequency for {on}."]
    if meant:
        well = facts.on_frequency + sum(s.seconds for s in meant)
        parts = ", ".join(f"{grouped(s.seconds)} s {INTENDED[Tracking(s.name)]}" for s in meant)
        sentences = [
            f"As intended for {grouped(well)} of {expected} ({percent(well / facts.expected)}): "
            f"{grouped(facts.on_frequency)} s on frequency, {parts}."
        ]
    sentences += [
        f"Start-up: {span(s.seconds)}." for s in facts.states if s.name == Tracking.STARTING
    ]
    if astray:
        parts = ", ".join(
            f"{s.name} for {span(s.seconds)}"
            + (f" (longest {span(s.longest.seconds)})" if s.longest.seconds < s.seconds else "")
            for s in astray
        )
        sentences.append(f"Not as intended: {parts}.")
    return sentences


def _dials(facts: Facts) -> list[str]:
    """Returns a sentence on the residuals of the dials."""
    stayed = [
        f"the {one.name} dial stayed within {hz(one.on_frequency.max_hz)} Hz of ideal "
        f"(RMS {hz(one.on_frequency.rms_hz)} Hz)"
        for one in facts.dials
        if one.on_frequency is not None
    ]
    if not stayed:
        return ["No dial was read back while on frequency: residuals unknown."]
    step_hz = facts.dials[0].step_hz
    return [
        f"While on frequency {' and '.join(stayed)}; an ideal {step_hz:g} Hz dial would give "
        f"{hz(step_hz / 2, 1)} and {hz(step_hz * ROUNDING_SIGMA)} Hz."
    ]


def _missed(facts: Facts) -> list[str]:
    """Returns a sentence on the seconds without a record."""
    if not facts.missed:
        return ["No second was missed."]
    longest = max(facts.gaps, key=lambda gap: gap.seconds)
    return [
        f"{count(facts.missed, 'second')} without a record, in {count(len(facts.gaps), 'gap')}; "
        f"the longest, of {span(longest.seconds)}, from {utc(longest.from_utc_s)}."
    ]


def earth_orientation(ephemeris: Ephemeris, recorded: Recorded) -> str:
    """Returns whether the tables used for the report contain the Earth orientation of that day as
    measured or as predicted; empty outside them."""
    try:
        rotation = ephemeris.earth_orientation(float(recorded.seconds.utc_s[0]))
    except CoverageError:
        return ""
    how = "predicted" if rotation.predicted else "measured"
    return f"{how} for that day, UT1 uncertainty {rotation.uncertainty_s * 1e3:.2f} ms (1 sigma)"


def exact(site: Site) -> str:
    """Returns a place as `moontrim path` takes it, to a tenth of a metre."""
    return f"{site.latitude_deg:.6f},{site.longitude_deg:.6f},{site.height_m:.1f}"


def place(site: Site | None) -> str:
    """Returns a place by its coordinates, with its locator if the config gives one."""
    if site is None:
        return NONE
    return f"{site.locator} ({exact(site)})" if site.locator else exact(site)
