"""The published messages as plain values, ready for JSON. Pure.

Frequencies are in Hz, instants (`..._ms`) in milliseconds of POSIX time by the daemon's clock,
corrections are ideal on-air minus sked frequency without the trim (see `session.selection`). A
value that is not known is null."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

from moontrim import __version__
from moontrim.config.settings import Settings
from moontrim.formats import iso
from moontrim.session.session import TRIM_LIMIT_HZ, place_text
from moontrim.state.agendaview import NextEntry
from moontrim.state.snapshot import DialView, Snapshot, Tracking
from moontrim.tuning.correction import AGREEMENT_DESCRIPTIONS, ECHO_DESCRIPTIONS

SCHEMA = 1  # to be raised when a field changes its meaning or goes
UNKNOWN = "unknown"  # a single value that is not known, as text
NONE = "none"  # a single value where there is nothing; an empty message would delete the topic
# Values that change with every second: published at most once a second, to a tenth.
RESTLESS = frozenset(
    {
        "rx_correction_hz",
        "tx_correction_hz",
        "rx_residual_hz",
        "tx_residual_hz",
        "moon_azimuth_deg",
        "moon_elevation_deg",
    }
)


@dataclass(frozen=True, slots=True)
class Post:
    """One message to publish. correlation: MQTT correlation data, copied from the request."""

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False
    correlation: bytes | None = None


def ms(utc_s: float) -> int:
    """Returns POSIX seconds as whole milliseconds."""
    return round(utc_s * 1000.0)


def hz(value: float, digits: int = 3) -> float | int:
    """Returns a frequency rounded to `digits` decimals, whole hertz as an integer (10368100000, not
    10368100000.0)."""
    short = round(value, digits)
    return int(short) if short == int(short) else short


def info(
    settings: Settings,
    boot: str,
    commands: tuple[str, ...],
    *,
    rehearsal: bool = False,
    report: str | None = None,
) -> dict[str, Any]:
    """Returns what does not change while the daemon runs.

    boot: an identifier of this run. commands: the names of all commands. report: where the page's
    server makes the report of the running session; None: nowhere."""
    home = settings.home.site()
    return {
        "schema": SCHEMA,
        "version": __version__,
        "boot": boot,
        "bands": [
            {
                "name": band.name,
                "tx_low_hz": band.tx_low_hz,
                "tx_high_hz": band.tx_high_hz,
                "sked_hz": band.sked_hz,
                "while_transmitting": band.while_transmitting,
                "trim_limit_hz": band.largest_trim_hz,
                "front_end": band.front_end_name,
            }
            for band in settings.bands
        ],
        "agreements": dict(AGREEMENT_DESCRIPTIONS),
        "echo_agreements": dict(ECHO_DESCRIPTIONS),
        "trim_limit_hz": hz(TRIM_LIMIT_HZ),
        "home": {
            "text": home.locator or f"{home.latitude_deg:.5f},{home.longitude_deg:.5f}",
            "latitude_deg": round(home.latitude_deg, 6),
            "longitude_deg": round(home.longitude_deg, 6),
        },
        "partners": [
            {"name": partner.name, "locator": place_text(partner.site())}
            for partner in settings.partners
        ],
        "commands": list(commands),
        "rehearsal": rehearsal,
        "report": report,
    }


def state(now: Snapshot, boot: str, seq: int) -> dict[str, Any]:
    """Returns the state message of a snapshot. seq: counts the states of one run."""
    moon, fault, change = now.moon, now.last_fault, now.last_change
    return {
        "schema": SCHEMA,
        "at_ms": ms(now.utc_s),
        "seq": seq,
        "boot": boot,
        "tracking": str(now.tracking),
        "verdict": now.verdict,
        "reason": now.reason,
        "band": now.band,
        "sked": now.sked,
        "sked_hz": hz(now.sked_hz),
        "tx_sked_hz": hz(now.tx_sked_hz),
        "agreement": now.agreement,
        "partner": now.partner,
        "partner_place": now.partner_place,
        "undo_until_ms": instant(now.undo_until_utc_s),
        "rx_trim_hz": hz(now.rx_trim_hz),
        "tx_trim_hz": hz(now.tx_trim_hz),
        "correcting": now.correcting,
        "transmitting": now.transmitting,
        "tx_allowed": now.tx_allowed,
        "interlock": now.link.interlock,
        "front_end": now.front_end,
        "front_end_confirmed": now.front_end_confirmed,
        "moon": None
        if moon is None
        else {
            "azimuth_deg": round(moon.azimuth_deg, 2),
            "elevation_deg": round(moon.elevation_deg, 2),
            "partner_elevation_deg": rounded(moon.partner_elevation_deg, 2),
        },
        "rx": _dial(now.rx),
        "tx": _dial(now.tx),
        "radio": {
            "state": str(now.link.state),
            "reason": now.link.reason,
            "updates": now.link.sets,
            "update_ms": round(now.link.set_latency_s * 1000.0, 1),
            "failures": now.link.failures,
            "not_watched": list(now.link.not_watched),
        },
        "keying": {
            "state": str(now.keying.state),
            "who": now.keying.who,
            "reasons": list(now.keying.reasons),
            "stuck": list(now.keying.stuck),
            "enabled": now.keying_enabled,
            "may": now.keying_enabled and not now.interlocks,
            "interlocks": list(now.interlocks),
            "over_left_s": None if now.over_left_s is None else math.floor(now.over_left_s),
        },
        "seconds": {"tracked": now.ticks, "missed": now.missed_seconds},
        "last_fault": None if fault is None else {"at_ms": ms(fault.at_utc_s), "text": fault.text},
        "last_change": None
        if change is None
        else {"by": change.by, "what": change.what, "at_ms": ms(change.at_utc_s)},
        "clock": None
        if now.clock is None
        else {
            "source": now.clock.source,
            "bound_ms": rounded(now.clock.bound_ms, 1),
            "cost_hz": rounded(now.clock.cost_hz, 3),
            "doubt": now.clock.doubt,
        },
        "warnings": list(now.warnings),
        "next": None if now.agenda is None or now.agenda.next is None else _next(now.agenda.next),
    }


def values(now: Snapshot) -> dict[str, str]:
    """Returns the single values that plain dashboards subscribe to, as text, by field."""
    moon, rx, tx, ahead = now.moon, now.rx, now.tx, now.outlook
    return {
        "tracking": str(now.tracking),
        "band": now.band,
        "sked": now.sked or NONE,
        "sked_hz": str(hz(now.sked_hz)),
        "tx_sked_hz": str(hz(now.tx_sked_hz)),
        "agreement": now.agreement,
        "partner": now.partner,
        "correcting": _switch(now.correcting),
        "transmitting": _switch(now.transmitting),
        "tx_allowed": _switch(now.tx_allowed),
        "rx_correction_hz": _tenth(None if rx is None else rx.correction_hz),
        "tx_correction_hz": _tenth(None if tx is None else tx.correction_hz),
        "rx_residual_hz": _tenth(None if rx is None else rx.residual_hz),
        "tx_residual_hz": _tenth(None if tx is None else tx.residual_hz),
        "rx_dial_hz": _whole(None if rx is None else rx.dial_hz),
        "tx_dial_hz": _whole(None if tx is None else tx.dial_hz),
        "radio": str(now.link.state),
        "moon_azimuth_deg": _tenth(None if moon is None else moon.azimuth_deg),
        "moon_elevation_deg": _tenth(None if moon is None else moon.elevation_deg),
        "on_frequency": _switch(now.tracking in (Tracking.ON_FREQUENCY, Tracking.HELD_KEYED)),
        "keying": str(now.keying.state),
        "may_transmit": _switch(now.keying_enabled and not now.interlocks),
        "rx_trim_hz": str(hz(now.rx_trim_hz)),
        "tx_trim_hz": str(hz(now.tx_trim_hz)),
        "spread_hz": _tenth(None if ahead is None else ahead.spread_hz),
        "snr_db": _tenth(None if ahead is None else ahead.snr_db),
        "moon_rises": _at(None if ahead is None else ahead.moon_rises_utc_s),
        "moon_sets": _at(None if ahead is None else ahead.moon_sets_utc_s),
        "next_good": _at(None if ahead is None else ahead.next_good_utc_s),
    }


def _next(entry: NextEntry) -> dict[str, Any]:
    return {
        "sked": entry.sked,
        "band": entry.band,
        "start_ms": ms(entry.start_utc_s),
        "end_ms": ms(entry.end_utc_s),
        "spread_hz": rounded(entry.spread_hz, 2),
        "waits_for": entry.waits_for,
    }


def _dial(view: DialView | None) -> dict[str, Any] | None:
    if view is None:
        return None
    return {
        "on_air_hz": hz(view.on_air_hz),
        "correction_hz": hz(view.correction_hz),
        "rate_hz_per_s": round(view.rate_hz_per_s, 4),
        "dial_hz": view.dial_hz,
        "residual_hz": rounded(view.residual_hz, 3),
        "held": view.held,
    }


def rounded(value: float | None, digits: int) -> float | None:
    """Returns a number rounded; None as it is."""
    return None if value is None else round(value, digits)


def instant(utc_s: float | None) -> int | None:
    """Returns POSIX seconds as whole milliseconds; None as it is."""
    return None if utc_s is None else ms(utc_s)


def _switch(on: bool | None) -> str:
    return UNKNOWN if on is None else "on" if on else "off"


def _tenth(value: float | None) -> str:
    # Adding zero turns -0.0 into 0.0.
    return UNKNOWN if value is None else f"{round(value, 1) + 0.0:.1f}"


def _at(utc_s: float | None) -> str:
    return UNKNOWN if utc_s is None else iso(utc_s)


def _whole(value: int | None) -> str:
    return UNKNOWN if value is None else str(value)


def encode(message: object) -> bytes:
    """Returns compact JSON in ASCII. Raises ValueError for a number that is not finite."""
    return json.dumps(message, separators=(",", ":"), allow_nan=False).encode()
