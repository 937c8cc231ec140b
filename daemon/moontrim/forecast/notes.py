"""Sentences on what forecasts lack or cannot know: a few for many partners, not some for each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from moontrim.forecast.compute import Forecast
from moontrim.forecast.question import ForecastQuestion, Gear
from moontrim.forecast.signal import missing
from moontrim.forecast.sky.exposure import RULES, safe_distance_m
from moontrim.forecast.sky.gases import HIGHEST_HZ
from moontrim.formats import iso_utc, megahertz

# Below this frequency Faraday rotation matters: common practice.
FARADAY_HZ = 1.5e9
# Chosen: more partners than this are counted, not named.
NAMED = 3


def notes_on(forecasts: Iterable[Forecast]) -> list[str]:
    """Returns the sentences on forecasts of one home, span and frequency; their windows are not
    looked at."""
    everyone = list(forecasts)
    if not everyone:
        return []
    first = everyone[0]
    questions = [one.question for one in everyone]
    return [
        *_coverage_notes(first),
        *_no_window_notes([one for one in everyone if one.highest_deg <= 0.0]),
        *_signal_notes(questions),
        *_unknown_notes(questions),
        *_exposure_notes(first.question),
    ]


def _coverage_notes(forecast: Forecast) -> list[str]:
    question, start_utc_s, end_utc_s = (
        forecast.question,
        forecast.from_utc_s,
        forecast.until_utc_s,
    )
    if start_utc_s == question.from_utc_s and end_utc_s == question.until_utc_s:
        return []
    return [
        f"The Earth orientation and Moon tables cover only {iso_utc(round(start_utc_s))} to "
        f"{iso_utc(round(end_utc_s))} of the requested span."
    ]


def _no_window_notes(forecasts: Sequence[Forecast]) -> list[str]:
    """Returns a sentence for each of a few pairs that never share the Moon, one for many."""
    if len(forecasts) <= NAMED:
        return [_no_window_note(one) for one in forecasts]
    names = ", ".join(one.question.partner_name for one in forecasts)
    return [
        f"{len(forecasts)} partners without a window: the Moon is never above the horizon at home "
        f"and at the partner at the same time from {_span(forecasts[0])}: {names}."
    ]


def _no_window_note(forecast: Forecast) -> str:
    question = forecast.question
    both = (
        "at home"
        if question.partner is None
        else f"at home and at {question.partner.name} at the same time"
    )
    return (
        f"{question.partner_name}: the Moon is never above the horizon {both} from "
        f"{_span(forecast)}; the nearest is {-forecast.highest_deg:.1f}° below it at "
        f"{iso_utc(round(forecast.highest_utc_s))}."
    )


def _span(forecast: Forecast) -> str:
    return f"{iso_utc(round(forecast.from_utc_s))} to {iso_utc(round(forecast.until_utc_s))}"


def _signal_notes(questions: Sequence[ForecastQuestion]) -> list[str]:
    """Returns one sentence on the partners whose S/N is not predicted, and why."""
    without: list[str] = []
    one_way: list[str] = []
    lacking: dict[str, list[str]] = {}  # names of the ends, by what is missing there
    for question in questions:
        home, far = question.home.gear, question.far.gear
        name = "own echoes" if question.partner is None else question.partner.name
        ends = [("home", home)] if question.partner is None else [("home", home), (name, far)]
        gaps = [(end, _listed(parts)) for end, gear in ends if (parts := missing(gear))]
        for end, what in gaps:
            at = lacking.setdefault(what, [])
            if end != "home" or end not in at:
                at.append(end)
        if gaps:
            known = _is_known(far, home) or _is_known(home, far)
            (one_way if known else without).append(name)
    if not lacking:
        return []
    whom = [
        f"{what} for {_named(names)}"
        for what, names in (("No S/N", without), ("S/N of one direction only", one_way))
        if names
    ]
    why = "; ".join(f"{parts} not given for {_ends(at)}" for parts, at in lacking.items())
    return [f"{', '.join(whom)} on {megahertz(questions[0].frequency_hz)}: {why}."]


def _ends(ends: Sequence[str]) -> str:
    """Returns the ends that lack something, home first."""
    partners = [end for end in ends if end != "home"]
    named = partners if len(partners) <= NAMED else [_named(partners)]
    return _listed(["home"] * ("home" in ends) + named)


def _named(names: Sequence[str]) -> str:
    return _listed(names) if len(names) <= NAMED else f"{len(names)} partners"


def _listed(names: Sequence[str]) -> str:
    """Returns `a`, `a and b`, or `a, b and c`."""
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _is_known(sender: Gear, receiver: Gear) -> bool:
    return (
        None not in (sender.power_w, sender.antenna, receiver.antenna)
        and receiver.receiver_noise_k is not None
    )


def _unknown_notes(questions: Sequence[ForecastQuestion]) -> list[str]:
    notes = []
    if questions[0].frequency_hz > HIGHEST_HZ:
        notes.append("Atmospheric attenuation and noise above 48 GHz are unknown and not included.")
    if any(
        question.partner is not None
        and question.home.gear.linear
        and question.partner.gear.linear
        and question.frequency_hz < FARADAY_HZ
        for question in questions
    ):
        notes.append(
            "Linear polarisation: the spatial offset is geometric; Faraday rotation in the "
            "ionosphere is not modelled and may rotate the plane by any amount."
        )
    return notes


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
