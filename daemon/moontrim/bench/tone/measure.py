"""A steady weak carrier in a recording: is there one, and what is its frequency?

Puts the steps together: search, fit of a steady or a spread tone, check for mains hum, course over
time. Frequencies are of the audio, as true as the clock of the sound card that recorded it. Pure.

    search ---> climb ---> fit (one segment: steady) ------+---> mains? -- no --> the tone
      |           |                                        |       |
    nothing       +------> fit_spread (more: fading) ------+      yes: search once more,
                                                                  without the whole family
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from moontrim.bench.hum import hum_lines
from moontrim.bench.recording import Recording
from moontrim.bench.tone.baseband import Baseband, Density, baseband, density
from moontrim.bench.tone.fading import fit_spread
from moontrim.bench.tone.fit import climb, fit
from moontrim.bench.tone.mains import (
    OTHERS,
    STANDS_OUT_DB,
    Mains,
    harmonics_with,
    mains_of,
    near_nominal,
)
from moontrim.bench.tone.search import Looks, ToneCandidate, search, widest_drift_hz_per_s
from moontrim.bench.tone.track import ToneTrack, track_spread, track_steady
from moontrim.errors import InputError
from moontrim.formats import grouped

LOW_HZ, HIGH_HZ = 200.0, 5000.0  # common practice: where the audio of a receiver is
LOWEST_HZ = 20.0  # common practice: sound cards pass nothing below
NYQUIST_SHARE = 0.46  # of the sample rate; above is the slope of a sound card's filter
WITHIN_HZ = 50.0  # chosen: a dial read wrongly by a digit is further off
SHORTEST_S = 0.5  # chosen: as the shortest recording in which hum can be recognised
HALF_POWER = 2.3548  # width at half power over standard deviation of a bell, 2 sqrt(2 ln 2)
LEAST_ENERGY = 6.0  # chosen: over noise density; a fit with less is not a tone, only noise
TAPERED_SHARE = 0.25  # chosen: see Fit; for a weak tone in noise the share scatters about 2/3
# Energy over noise density with which a steady tone is nearly always detected; measured.
FULL_LOOK_DB = 16.0


@dataclass(frozen=True, slots=True)
class Tone:
    """The result of a measurement.

    low_hz, high_hz: searched. detected: if false, the numbers below are NaN. frequency_hz: at the
    middle of the recording. uncertainty: 1 sigma. cn0_db_hz: C/N0, power over that of the noise in
    1 Hz. spread_hz: half-power width; 0 for a steady tone. track: with frequencies of audio; None
    if the tone is too weak for one. mains: the harmonic it may be, or empty. reason: why not
    detected."""

    duration_s: float
    low_hz: float
    high_hz: float
    density: Density
    remarks: tuple[str, ...]
    detected: bool = False
    frequency_hz: float = float("nan")
    uncertainty_hz: float = float("nan")
    cn0_db_hz: float = float("nan")
    drift_hz_per_s: float = float("nan")
    drift_uncertainty_hz_per_s: float = float("nan")
    spread_hz: float = float("nan")
    track: ToneTrack | None = None
    mains: str = ""
    reason: str = ""


def measure(
    recording: Recording, near_hz: float | None = None, within_hz: float | None = None
) -> Tone:
    """Measures the strongest tone, of all audio or within some Hz of a frequency. Raises InputError
    for a recording that is too short, or a frequency that it does not contain."""
    samples, rate_hz = recording.samples, recording.rate_hz
    if samples.size < SHORTEST_S * rate_hz:
        raise InputError(
            "recording",
            samples.size,
            problem=f"only {samples.size} samples long; at least {SHORTEST_S:g} s needed, better a "
            "minute",
        )
    low_hz, high_hz = limits(rate_hz, near_hz, within_hz)
    band = baseband(samples, rate_hz, low_hz, high_hz)
    levels = density(band)
    nothing = Tone(
        samples.size / rate_hz,
        low_hz,
        high_hz,
        replace(levels, frequency_hz=levels.frequency_hz + band.centre_hz),
        tuple(r.text for r in recording.remarks),
    )
    power = float(np.mean(np.abs(band.z) ** 2))
    if not np.isfinite(power):
        raise InputError("recording", power, problem="samples that are not finite numbers")
    if power == 0.0:
        return replace(nothing, reason="the recording is silent in the range searched")
    looks = Looks(low_hz - band.centre_hz, high_hz - band.centre_hz)
    place = search(band, looks)
    if place is None:
        return replace(nothing, reason=_not_sure(nothing))
    tone = _measured(band, levels, place, nothing)
    if not tone.detected:
        return tone
    cell_hz = place.segments / band.duration_s
    sure_hz = max(1.0 / tone.duration_s, 3.0 * tone.uncertainty_hz)
    mains = mains_of(hum_lines(samples, rate_hz))
    if mains is None or len(mains.others(tone.frequency_hz, cell_hz)) < OTHERS:
        mains = harmonics_with(tone.density, tone.frequency_hz, sure_hz)
    order = mains.harmonic(tone.frequency_hz, cell_hz) if mains else 0
    if mains is None or not order:
        return _with_mains(tone, near_nominal(tone.frequency_hz, sure_hz))
    others = mains.others(tone.frequency_hz, cell_hz)
    strongest_db = max((h.level_db for h in others), default=-np.inf)
    name = f"{order} × {mains.fundamental_hz:.3f} Hz"
    if tone.cn0_db_hz > strongest_db + STANDS_OUT_DB:
        return _with_mains(tone, name)
    return _beside(band, levels, mains, looks, nothing, tone, name)


def limits(rate_hz: float, near_hz: float | None, within_hz: float | None) -> tuple[float, float]:
    """Returns the stretch of audio to search. Raises InputError if the recording lacks it."""
    top_hz = NYQUIST_SHARE * rate_hz
    if near_hz is None:
        if within_hz is not None:
            raise InputError("--within", within_hz, problem="valid only with --near")
        if top_hz <= 1.5 * LOW_HZ:
            raise InputError("sample rate", rate_hz, "at least 1 000 Hz")
        return LOW_HZ, min(HIGH_HZ, top_hz)
    if not LOWEST_HZ <= near_hz <= top_hz:
        raise InputError("--near", near_hz, f"{LOWEST_HZ:g} to {grouped(top_hz)} Hz")
    if within_hz is None:
        within_hz = WITHIN_HZ
    elif not 0.1 <= within_hz <= top_hz:
        raise InputError("--within", within_hz, f"0.1 to {grouped(top_hz)} Hz")
    return max(LOWEST_HZ, near_hz - within_hz), min(top_hz, near_hz + within_hz)


def _measured(band: Baseband, levels: Density, place: ToneCandidate, nothing: Tone) -> Tone:
    """Returns the tone at a place: steady if it keeps its phase, else spread."""
    duration_s = band.duration_s
    leave_out_hz = (
        3.0 * levels.step_hz
        + 0.5 * abs(place.drift_hz_per_s) * duration_s
        + 3.0 * place.segments / duration_s
    )
    around_hz = max(band.neighbourhood_hz, 2.0 * leave_out_hz)
    noise = levels.noise_at(place.frequency_hz, around_hz, leave_out_hz)
    # For a synthetic tone without noise: the rounding errors of the arithmetic.
    noise = max(noise, 1e-14 * float(np.mean(np.abs(band.z) ** 2)) / band.rate_hz)
    longest, _ = climb(band, place, noise)
    spread = fit_spread(band, longest, noise) if longest.segments > 1 else None
    if spread is not None:
        at_hz, drift = spread.frequency_hz, spread.drift_hz_per_s
        errors = spread.frequency_uncertainty_hz, spread.drift_uncertainty_hz_per_s
        ratio, width_hz = spread.power_ratio, spread.width_hz * HALF_POWER
        track = track_spread(band, spread)
    elif longest.segments > 1:
        return replace(nothing, reason=_not_sure(nothing))
    else:
        steady = fit(band, longest, noise)
        if steady.tapered_share < TAPERED_SHARE:
            return replace(nothing, reason=_not_sure(nothing))
        at_hz, drift = steady.frequency_hz, steady.drift_hz_per_s
        errors = steady.frequency_uncertainty_hz, steady.drift_uncertainty_hz_per_s
        ratio, width_hz = steady.energy_ratio / duration_s, 0.0
        track = track_steady(band, steady)
    if track is not None:
        track = replace(track, frequency_hz=track.frequency_hz + band.centre_hz)
    inside = abs(at_hz) < 0.5 * (nothing.high_hz - nothing.low_hz) + longest.segments / duration_s
    if ratio * duration_s < LEAST_ENERGY or not inside:
        return replace(nothing, reason=_not_sure(nothing))
    return replace(
        nothing,
        detected=True,
        frequency_hz=at_hz + band.centre_hz,
        uncertainty_hz=errors[0],
        cn0_db_hz=10.0 * float(np.log10(ratio)),
        drift_hz_per_s=drift,
        drift_uncertainty_hz_per_s=errors[1],
        spread_hz=width_hz,
        track=track,
    )


def _with_mains(tone: Tone, name: str) -> Tone:
    """Returns the tone with a remark that it may be the harmonic `name`, unless that is empty."""
    if not name:
        return tone
    text = (
        f"the tone is at a possible harmonic of the mains ({name}); move the dial by a few Hz and "
        "check that the tone moves with it"
    )
    return replace(tone, mains=name, remarks=(*tone.remarks, text))


def _beside(
    band: Baseband, levels: Density, mains: Mains, looks: Looks, nothing: Tone, hum: Tone, name: str
) -> Tone:  # fmt: skip
    """Returns the strongest tone besides the mains, of which the strongest line is a harmonic: by
    another search without all of that family."""
    cell_hz = 2.0 / band.duration_s
    skip = []
    for order in range(1, int(nothing.high_hz / mains.fundamental_hz) + 2):
        middle_hz = order * mains.fundamental_hz - band.centre_hz
        half_hz = mains.width_hz(order, cell_hz)
        skip.append((middle_hz - half_hz, middle_hz + half_hz))
    place = search(band, replace(looks, taper=True, skip=tuple(skip)))
    if place is not None:
        tone = _measured(band, levels, place, nothing)
        if tone.detected and not mains.harmonic(tone.frequency_hz, cell_hz):
            return tone
    reason = (
        f"the strongest line, {grouped(hum.frequency_hz, 2)} Hz, is one of {len(mains.lines)} "
        f"harmonics of the mains ({name}); nothing else is above the noise"
    )
    return replace(nothing, reason=reason)


def _not_sure(nothing: Tone) -> str:
    """Returns the reason why no tone is reported, with the C/N0 that is nearly always detected."""
    need_db = FULL_LOOK_DB - 10.0 * float(np.log10(nothing.duration_s))
    return (
        f"{grouped(nothing.low_hz)} to {grouped(nothing.high_hz)} Hz searched; detection limit in "
        f"{nothing.duration_s:.0f} s about C/N0 {need_db:.0f} dB-Hz for a steady tone with a drift "
        f"below {widest_drift_hz_per_s(nothing.duration_s):.2g} Hz/s"
    )
