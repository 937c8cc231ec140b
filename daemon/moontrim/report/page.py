"""The report as one HTML page: verdict, figures, tables, method and limitations.

The page needs nothing but itself: no script, no other file, no network. Everything that comes from
the journal is escaped."""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from moontrim import __version__
from moontrim.errors import MoontrimError, unwritable
from moontrim.formats import LEG_LABELS, grouped, iso_utc, signed_short, typeset
from moontrim.path import LegName
from moontrim.path.vectors import Array
from moontrim.report import figures, words
from moontrim.report.facts import ROUNDING_SIGMA
from moontrim.report.report import SessionReport
from moontrim.report.style import drawn
from moontrim.tuning.correction import descriptions

ROWS_SHOWN = 100  # of a table on the page; the JSON summary has all
EXAMPLES = 5  # chosen: seconds shown for a reader to check
# Where the receive correction is the Doppler of one leg, as `moontrim path` prints it.
RECEIVE_LEG: dict[str, LegName] = {
    "halves": "moon_to_home",
    "receiver": "partner_to_home",
    "home": "partner_to_home",
}
ECHO_LEG: dict[str, LegName] = {  # of our own echo
    "halves": "moon_to_home",
    "receiver": "home_to_home",
    "partner": "home_to_home",
}


def write_page(report: SessionReport, path: Path) -> Path:
    """Writes the page and returns its path. Raises InputError if it cannot be written."""
    html = page(report)
    try:
        path.write_text(html, encoding="utf-8")
    except OSError as error:
        raise unwritable("--out", path, error) from None
    return path


def page(report: SessionReport) -> str:
    """Returns the page as HTML."""
    environment = Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=StrictUndefined
    )
    environment.filters |= {
        name: getattr(words, name) for name in ("utc", "exactly", "span", "percent", "place")
    }
    environment.filters |= {"typeset": typeset} | {
        function.__name__: _typeset(function)
        for function in (words.hz, words.dial, grouped, signed_short)
    }
    return environment.from_string(_text("report.html")).render(
        style=Markup(_text("report.css")),  # noqa: S704 (our own file)
        version=__version__,
        report=report,
        recorded=report.recorded,
        facts=report.facts,
        agreements=_agreements(report),
        figures=_figures(report),
        rows_shown=ROWS_SHOWN,
        examples=_examples(report),
        budgets=_budgets(report),
        causes=_causes(report),
        conditions=_conditions(report),
        partners=_partners(report),
        to_check=_to_check(report),
        half_step_hz=report.facts.dials[0].step_hz / 2.0,
        sigma_hz=report.facts.dials[0].step_hz * ROUNDING_SIGMA,
    )


def _typeset(function: Callable[..., str]) -> Callable[..., str]:
    """Returns a function of numbers whose text is typeset."""
    return lambda *values, **options: typeset(function(*values, **options))


def _text(name: str) -> str:
    """Returns the text of a file of this package."""
    return files("moontrim.report").joinpath(name).read_text(encoding="utf-8")


def _figures(report: SessionReport) -> dict[str, Markup]:
    """Returns the figures as SVG, by name, without those for which there is nothing to draw."""
    recorded, facts, again = report.recorded, report.facts, report.again
    known = {
        "states": True,
        "residual_over_time": any(dial.on_frequency for dial in facts.dials),
        "residual_histogram": any(dial.on_frequency for dial in facts.dials),
        "correction": bool(np.isfinite(recorded.seconds.rx_correction_hz).any()),
        "sky": bool(np.isfinite(recorded.seconds.elevation_deg).any()),
        "doubts": bool(recorded.budgets or np.isfinite(recorded.seconds.clock_bound_ms).any()),
    }
    arguments: dict[str, tuple[Any, ...]] = {
        "correction": (recorded, facts, again),
        "sky": (recorded, facts, again),
    }
    return {
        # matplotlib escapes what it draws.
        name: Markup(drawn(getattr(figures, name), *arguments.get(name, (recorded, facts))))  # noqa: S704
        for name, wanted in known.items()
        if wanted
    }


def _examples(report: SessionReport) -> list[dict[str, float]]:
    """Returns a few of the recomputed seconds, spread over the session, for a reader to check."""
    seconds, again = report.recorded.seconds, report.again
    solved = np.flatnonzero(np.isfinite(again.rx_ideal_hz) & np.isfinite(again.tx_ideal_hz))
    picked = solved[np.unique(np.linspace(0, solved.size - 1, EXAMPLES).astype(int))] if (
        solved.size
    ) else solved  # fmt: skip
    return [
        {
            "at_utc_s": float(again.utc_s[k]),
            "rx_hz": float(seconds.rx_ideal_hz[again.row[k]]),
            "rx_recomputed_hz": float(again.rx_ideal_hz[k]),
            "rx_dial_hz": float(seconds.rx_dial_hz[again.row[k]]),
            "tx_hz": float(seconds.tx_ideal_hz[again.row[k]]),
            "tx_recomputed_hz": float(again.tx_ideal_hz[k]),
            "tx_dial_hz": float(seconds.tx_dial_hz[again.row[k]]),
        }
        for k in picked.tolist()
    ]


def _agreements(report: SessionReport) -> list[str]:
    """Returns what each agreement of the session means, with a partner or with our own echo."""
    chosen = ((spell.context.agreement, spell.context.partner) for spell in report.facts.stretches)
    pairs = dict.fromkeys((name, partner == "self") for name, partner in chosen)
    return [
        f"{name}: {descriptions(own_echo=own_echo)[name]}"
        for name, own_echo in pairs
        if name in descriptions(own_echo=own_echo)
    ]


def _conditions(report: SessionReport) -> list[tuple[str, str, list[str]]]:
    """Returns name, unit and values (at the start, at the end, min, max) of each condition."""
    s, again = report.recorded.seconds, report.again
    bound_s = s.clock_bound_ms[again.row] / 1e3
    rows: list[tuple[str, str, Array, int]] = [
        ("Elevation of the Moon at home", "°", s.elevation_deg, 1),
        ("Elevation of the Moon at the partner", "°", s.partner_elevation_deg, 1),
        ("Receive correction", "Hz", s.rx_correction_hz, 1),
        ("Transmit correction", "Hz", s.tx_correction_hz, 1),
        ("Receive correction, rate", "Hz/s", again.rx_rate_hz_per_s, 3),
        ("Transmit correction, rate", "Hz/s", again.tx_rate_hz_per_s, 3),
        ("Spread, limb to limb", "Hz", again.spread_hz, 1),
        ("Path loss between isotropic antennas", "dB", again.loss_db, 2),
        ("Distance of the Moon from home", "km", again.home_km, 0),
        ("Distance of the Moon from the partner", "km", again.partner_km, 0),
        ("Clock error bound", "ms", s.clock_bound_ms, 1),
        ("Receive error from that bound", "Hz", bound_s * np.abs(again.rx_rate_hz_per_s), 4),
    ]
    conditions = []
    for name, unit, values, decimals in rows:
        known = values[np.isfinite(values)]
        if known.size:
            picked = (known[0], known[-1], known.min(), known.max())
            conditions.append((name, unit, [words.hz(float(v), decimals) for v in picked]))
    return conditions


def _budgets(report: SessionReport) -> list[dict[str, Any]]:
    """Returns for each dial the minimum and the maximum of the frequency error (95 %)."""
    errors = []
    for dial, errors_hz in zip(
        report.facts.dials,
        (
            [one.rx_error_95_hz for one in report.recorded.budgets],
            [one.tx_error_95_hz for one in report.recorded.budgets],
        ),
        strict=True,
    ):
        known = [error_hz for error_hz in errors_hz if error_hz is not None]
        if known:
            errors.append({"dial": dial, "min_hz": min(known), "max_hz": max(known)})
    return errors


def _causes(report: SessionReport) -> list[tuple[str, list[str]]]:
    """Returns each cause of the last budget by name, with one sigma and the maximum error of the
    receive dial, then of the transmit dial."""
    try:
        both = json.loads(report.recorded.budgets[-1].json)
        sides = [{one["name"]: one for one in both[side]["causes"]} for side in ("rx", "tx")]
        return [
            (
                str(name),
                [
                    words.hz(side[name][key]) if name in side else words.NONE
                    for side in sides
                    for key in ("sigma_hz", "max_hz")
                ],
            )
            for name in sides[0] | sides[1]
        ]
    except (IndexError, KeyError, TypeError, ValueError, OverflowError, RecursionError):
        return []  # none recorded, or not in the shape that this version knows


def _partners(report: SessionReport) -> dict[str, str]:
    """Returns the places of the partners, by what the contexts call them."""
    places = {}
    for context in report.recorded.contexts.values():
        if context.partner != "self":
            try:
                site = report.recorded.station.partner_named(context.partner)
                places[context.partner] = words.place(site)
            except MoontrimError:
                places[context.partner] = "not a valid place"
    return places


def _to_check(report: SessionReport) -> dict[str, str] | None:
    """Returns one recomputed second as a command to type and what it should print; None where the
    correction is not the Doppler of one leg alone."""
    recorded, again = report.recorded, report.again
    for k in np.flatnonzero(np.isfinite(again.rx_ideal_hz)).tolist()[again.row.size // 2 :]:
        row = int(again.row[k])
        context = recorded.contexts[int(recorded.seconds.context_id[row])]
        leg = (ECHO_LEG if context.partner == "self" else RECEIVE_LEG).get(context.agreement)
        home = recorded.station.home
        if leg is None or home is None:
            return None
        partner = recorded.station.partner_named(context.partner)
        far = "self" if partner is None else words.exact(partner)
        return {
            "command": f"moontrim path --home {words.exact(home)} --partner {far} "
            f"--at {iso_utc(float(again.utc_s[k]))} --frequency {context.sked_hz:.1f}",
            "leg": LEG_LABELS[leg],
            "correction_hz": typeset(
                words.hz(float(recorded.seconds.rx_correction_hz[row]), 3, sign=True)
            ),
        }
    return None
